package clock

import (
	"strings"
	"testing"
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"pgregory.net/rapid"
)

// Places whose local time is farthest from the Sun's, and others: longitudes of zone.tab, offsets
// of January or July 2026, both of the IANA time zone database.
func TestZonesInUse(t *testing.T) {
	for _, c := range []struct {
		place      string
		lon, hours float64
	}{
		{"Antarctica/Vostok", 106.9, 5}, {"America/Recife", -34.9, -3}, {"Antarctica/Macquarie", 158.95, 10},
		{"America/Nome, July", -165.406, -8}, {"America/Adak, July", -176.658, -9}, {"America/Nuuk, July", -51.733, -1},
		{"Europe/Madrid, July", -3.683, 2}, {"Asia/Urumqi by Beijing's time", 87.583, 8}, {"Pacific/Kiritimati", -157.333, 14},
		{"Pacific/Apia", -171.733, 13}, {"Asia/Kolkata", 88.367, 5.5}, {"Asia/Kathmandu", 85.317, 5.75},
	} {
		zone := []time.Duration{time.Duration(c.hours * float64(time.Hour))}
		if !zoneInUse(zone, sky.Angle(c.lon)*sky.Degree, 0) {
			t.Errorf("%s is out of use", c.place)
		}
		if c.lon*c.lon > 60*60 && zoneInUse(zone, -sky.Angle(c.lon)*sky.Degree, 0) && c.lon*c.lon < 150*150 {
			t.Errorf("%s is in use at the longitude with the other sign", c.place)
		}
	}
}

// Venus over Washington on 10 April 1987, 19:21:00 UT: sidereal time at Greenwich 8h34m56.9s, longitude 77d03m56s west,
// right ascension 23h09m16.6s, declination -6d43m12s, altitude 15.125 degrees (Meeus, Astronomical Algorithms, 2nd ed. 1998, example 13.b).
func TestDisagreement(t *testing.T) {
	at := time.Date(1987, 4, 10, 19, 21, 0, 0, time.UTC)
	washington := sky.Site{Latitude: 38.921389 * sky.Degree, Longitude: -77.065556 * sky.Degree}
	other, night := washington, washington
	other.Longitude = -other.Longitude
	night.Longitude += 90 * sky.Degree
	venus := sky.ICRSFromRADec(347.3193*sky.Degree, -6.7199*sky.Degree)
	lst := func(degrees float64) *sky.Angle { return new(sky.Angle(degrees) * sky.Degree) }
	zones := func(hours ...time.Duration) (out []time.Duration) {
		for _, h := range hours {
			out = append(out, h*time.Hour)
		}
		return out
	}
	const theta = 128.73688 - 77.065556
	for _, c := range []struct {
		name   string
		site   sky.Site
		stated *sky.Stated
		says   string
	}{
		{"nothing stated", other, nil, ""},
		{"eastern standard time", washington, &sky.Stated{Zones: zones(-5)}, ""},
		{"the same, the longitude counted west", other, &sky.Stated{Zones: zones(-5)}, "Local time in the header is 5 h behind UTC"},
		{"a number of hours of either sign", other, &sky.Stated{Zones: zones(-5, 5)}, ""},
		{"sidereal time", washington, &sky.Stated{Sidereal: lst(theta)}, ""},
		{"sidereal time, a quarter of an hour of exposure", washington, &sky.Stated{Sidereal: lst(theta + 1.9)}, ""},
		{"sidereal time, the longitude counted west", other, &sky.Stated{Sidereal: lst(theta)}, "that of longitude -77.1°, not 77.1°"},
		{"altitude of Venus", washington, &sky.Stated{Altitude: lst(15.125), At: &venus}, ""},
		{"altitude of Venus, six hours east", night, &sky.Stated{Altitude: lst(15.125), At: &venus}, "the frame was taken 15° above the horizon"},
		{"altitude of the frame", washington, &sky.Stated{Altitude: lst(20)}, ""},
		{"altitude of the frame, six hours east", night, &sky.Stated{Altitude: lst(15.125)}, "the frame was taken 15° above the horizon"},
	} {
		got := Disagreement(Moment{c.site, sky.StandardAir(0), at, venus}, c.stated)
		if (got == "") != (c.says == "") || !strings.Contains(got, c.says) {
			t.Errorf("%s: %q, want %q", c.name, got, c.says)
		}
		if names := NamesPlace(Moment{Site: c.site, Air: sky.StandardAir(0), At: at}, c.stated); names != (c.stated != nil && c.stated.Sidereal != nil && c.says == "") {
			t.Errorf("%s: names the place: %v", c.name, names)
		}
	}
}

// Local time that stands where UTC belongs is found by the sidereal time in the same header, with
// the zone's own hours; the Sun is down at either time. Venus and Washington as above, by night and without daylight saving.
func TestSiderealTellsLocalTime(t *testing.T) {
	washington := sky.Site{Latitude: 38.921389 * sky.Degree, Longitude: -77.065556 * sky.Degree}
	utc := time.Date(1987, 12, 11, 9, 0, 0, 0, time.UTC) // four in the morning
	o, err := observed.NewObserver(washington, sky.StandardAir(0), utc, 0)
	if err != nil {
		t.Fatal(err)
	}
	lst := o.LocalSidereal()
	e := Evidence{Site: washington, Air: sky.StandardAir(0), At: utc.Add(-5 * time.Hour), Stated: &sky.Stated{Sidereal: &lst}}
	if s, ok := Suggest(e); !ok || s.Mistake != LocalTime || s.Ahead != -5*time.Hour {
		t.Errorf("suggested %+v, %v", s, ok)
	}
	e.At = utc
	if s, ok := Suggest(e); ok {
		t.Errorf("nothing is wrong, and suggested %+v", s)
	}
	// A program with a place of its own, half the world away: no mistake explains it, and none is named.
	e.Stated.Sidereal = new((lst + 170*sky.Degree).Positive())
	if s, ok := Suggest(e); ok {
		t.Errorf("for another's place suggested %+v", s)
	}
}

// Whatever the place, the moment and the direction: what a program states by them is not denied, and
// the sign of the longitude is, and named, wherever it matters.
func TestStatedTellsTheSign(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		site := sky.Site{
			Latitude:  sky.Angle(rapid.Float64Range(-65, 65).Draw(t, "latitude")) * sky.Degree,
			Longitude: sky.Angle(rapid.Float64Range(-179, 179).Draw(t, "longitude")) * sky.Degree,
		}
		m := Moment{Site: site, Air: sky.StandardAir(0), At: time.Date(2026, 1, 1, 0, 0, rapid.IntRange(0, 365*86400).Draw(t, "second"), 0, time.UTC)}
		o, err := observed.NewObserver(site, m.Air, m.At, 0)
		if err != nil {
			t.Fatal(err)
		}
		alt := sky.Angle(rapid.Float64Range(15, 80).Draw(t, "altitude")) * sky.Degree
		m.Sight = o.ICRS(sky.LocalFromAltAz(alt, sky.Angle(rapid.Float64Range(0, 360).Draw(t, "azimuth"))*sky.Degree))
		zone := time.Duration(site.Longitude.Hours()*float64(time.Hour) + rapid.Float64Range(-1, 3).Draw(t, "hours ahead of the Sun")*float64(time.Hour)).Round(15 * time.Minute)
		lst := o.LocalSidereal()
		s := &sky.Stated{Zones: []time.Duration{zone}, Sidereal: &lst, Altitude: &alt, At: &m.Sight}
		if says := Disagreement(m, s); says != "" {
			t.Fatalf("denied: %s", says)
		}
		m.Site.Longitude = -site.Longitude
		turned := (2 * site.Longitude).Signed().Abs()
		if (turned - statedTime).Abs() < 1e-3*sky.Arcsecond {
			t.Skip("at the limit itself, rounding decides")
		}
		if says := Disagreement(m, s); (says == "") != (turned <= statedTime) {
			t.Fatalf("a sign that turns the sky by %.1f degrees: %q", turned.Degrees(), says)
		}
		got, ok := Suggest(Evidence{Site: m.Site, Air: m.Air, At: m.At, Sight: m.Sight, AnyHour: true, Stated: s})
		if turned > statedTime && (!ok || got.Mistake != LongitudeSign) {
			t.Fatalf("suggested: %+v, %v", got, ok)
		}
	})
}
