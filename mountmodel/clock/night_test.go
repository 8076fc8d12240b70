package clock

import (
	"strings"
	"testing"
	"time"

	"polard/mountmodel/sky"

	"pgregory.net/rapid"
)

// Sunsets and midnights as an almanac has them (United States Naval Observatory,
// from memory, to some minutes: the Sun is degrees away from the horizon in each).
func TestDaylight(t *testing.T) {
	tucson := sky.Site{Latitude: 32.2 * sky.Degree, Longitude: -110.9 * sky.Degree}
	tokyo := sky.Site{Latitude: 35.7 * sky.Degree, Longitude: 139.7 * sky.Degree}
	london := sky.Site{Latitude: 51.5 * sky.Degree}
	flip := func(s sky.Site) sky.Site { s.Longitude = -s.Longitude; return s }
	utc := func(month time.Month, day, hour int) time.Time {
		return time.Date(2026, month, day, hour, 0, 0, 0, time.UTC)
	}
	for _, c := range []struct {
		name string
		site sky.Site
		at   time.Time
		says string
	}{
		{"ten in the evening in Arizona", tucson, utc(time.March, 21, 5), ""},
		{"the same with the longitude counted west", flip(tucson), utc(time.March, 21, 5), "Should the longitude be -110.90°"},
		{"three at night in Tokyo", tokyo, utc(time.March, 21, 18), ""},
		{"the same with the longitude counted west", flip(tokyo), utc(time.March, 21, 18), "Should the longitude be 139.70°"},
		{"local time written as UTC in Arizona", tucson, utc(time.March, 21, 22), "local time"},
		{"midnight in London", london, utc(time.January, 10, 0), ""},
		{"twelve hours wrong in London", london, utc(time.January, 10, 12), "12 hours"},
		{"midsummer night beyond the Arctic Circle", sky.Site{Latitude: 80 * sky.Degree}, utc(time.June, 21, 0), "one of the two is wrong"},
		{"a time nobody can work out", london, time.Time{}, ""},
	} {
		got := Daylight(c.site, sky.StandardAir(0), c.at)
		if (got == "") != (c.says == "") || !strings.Contains(got, c.says) {
			t.Errorf("%s: %q, want %q", c.name, got, c.says)
		}
	}
}

// Exposures that follow each other do not overlap, whatever their times were cut
// to; those that begin before the end of the other do, in either order.
func TestOverlap(t *testing.T) {
	start := time.Date(2026, 3, 7, 21, 0, 0, 0, time.UTC)
	rapid.Check(t, func(rt *rapid.T) {
		exposure := time.Duration(rapid.IntRange(0, 600000).Draw(rt, "exposure")) * time.Millisecond
		after := time.Duration(rapid.IntRange(0, 900000).Draw(rt, "after")) * time.Millisecond
		a := Stamp{Start: start, Exposure: exposure}
		b := Stamp{Start: start.Add(exposure + after).Truncate(time.Second), Exposure: exposure}
		if Overlap(a, b) || Overlap(b, a) {
			rt.Fatalf("%v and then %v", a, b)
		}
		if exposure > 3*time.Second {
			b.Start = start.Add(exposure / 2)
			if !Overlap(a, b) || !Overlap(b, a) {
				rt.Fatalf("%v and, half way, %v", a, b)
			}
		}
	})
	if Overlap(Stamp{Exposure: time.Minute}, Stamp{Start: start}) {
		t.Error("a frame without a time overlaps")
	}
}
