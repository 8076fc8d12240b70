package operate

import (
	"testing"
	"time"

	"polard/mountmodel/sky"
)

// The Sun is 12 degrees down at the end of nautical twilight. At Greenwich on 21 December that is at about
// 17:15 UTC (from memory: sunset 15:53, nautical twilight some 82 minutes longer at this latitude).
func TestNight(t *testing.T) {
	greenwich := sky.Site{Latitude: 51.48 * sky.Degree}
	quito := sky.Site{Latitude: -0.2 * sky.Degree, Longitude: -78.5 * sky.Degree}
	at := func(text string) time.Time {
		when, err := time.Parse("2006-01-02 15:04", text)
		if err != nil {
			t.Fatal(err)
		}
		return when
	}
	for _, c := range []struct {
		site sky.Site
		when string
		date string
		dark bool
	}{
		{greenwich, "2026-12-21 12:30", "2026-12-21", false},
		{greenwich, "2026-12-21 16:45", "2026-12-21", false},
		{greenwich, "2026-12-21 17:45", "2026-12-21", true},
		{greenwich, "2026-12-22 03:00", "2026-12-21", true},
		{greenwich, "2026-12-22 11:00", "2026-12-21", false},
		{quito, "2026-03-21 12:00", "2026-03-20", false}, // 6:46 by the Sun
		{quito, "2026-03-22 02:00", "2026-03-21", true},
		{quito, "2026-03-22 09:00", "2026-03-21", true},
	} {
		date, dark, err := night(c.site, sky.StandardAir(0), at(c.when))
		if err != nil || date != c.date || dark != c.dark {
			t.Errorf("%s at longitude %.0f: the night of %s, dark %t, %v", c.when, c.site.Longitude.Degrees(), date, dark, err)
		}
	}
	for _, c := range []struct {
		latitude    sky.Angle
		from        string
		least, most string // "": never within a day
	}{
		{51.48 * sky.Degree, "2026-12-21 12:00", "2026-12-21 17:10", "2026-12-21 17:20"},
		{51.48 * sky.Degree, "2026-12-21 20:00", "2026-12-21 20:00", "2026-12-21 20:00"}, // it is
		{60 * sky.Degree, "2026-06-21 12:00", "", ""},                                    // the Sun is no more than 7 degrees down
	} {
		got, dark, err := NextDark(sky.Site{Latitude: c.latitude}, sky.StandardAir(0), at(c.from))
		if err != nil || dark != (c.least != "") || dark && (got.Before(at(c.least)) || got.After(at(c.most))) {
			t.Errorf("the first dark from %s on: %v, %t, %v", c.from, got, dark, err)
		}
	}
}
