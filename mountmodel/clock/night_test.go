package clock

import (
	"math"
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
		got := Daylight(c.site, sky.StandardAir(0), c.at, nil)
		if (got == "") != (c.says == "") || !strings.Contains(got, c.says) {
			t.Errorf("%s: %q, want %q", c.name, got, c.says)
		}
	}
}

// The end of civil twilight in London on 21 December, and of nautical, as an almanac has them
// (16:33 and 17:15 UTC, from memory): a sky that is truly dark denies the first.
func TestDarkSkyInTwilight(t *testing.T) {
	london := sky.Site{Latitude: 51.5 * sky.Degree}
	for _, c := range []struct {
		name         string
		hour, minute int
		limit        float64 // 0: none
		says         bool
	}{
		{"civil twilight, the sky not measured", 16, 33, 0, false},
		{"civil twilight as bright as it is", 16, 33, 13.2, false},
		{"civil twilight, a dark sky", 16, 33, 18, true},
		{"nautical twilight ends under the darkest sky", 17, 15, 22, false},
		{"afternoon, a dark sky", 14, 0, 18, true},
		{"night under lamps", 20, 0, 16, false},
		{"not a number", 16, 33, math.NaN(), false},
	} {
		limit := &c.limit
		if c.limit == 0 {
			limit = nil
		}
		at := time.Date(2026, 12, 21, c.hour, c.minute, 0, 0, time.UTC)
		if got := Daylight(london, sky.StandardAir(0), at, limit); (got != "") != c.says || c.says && c.hour == 16 && !strings.Contains(got, "6° below the horizon") {
			t.Errorf("%s: %q", c.name, got)
		}
	}
}

// The fainter the limit the lower must the Sun be, and twilight as Patat et al. 2006 have it, with the Sun 6, 8
// and 10 degrees down (V 13.3, 15.9 and 18.0 in the zenith, by their fit), is never denied.
func TestHighestSun(t *testing.T) {
	for down, v := range map[float64]float64{6: 13.3, 8: 15.9, 10: 18.0} {
		if highest := highestSun(&v); highest < -sky.Angle(down)*sky.Degree+sky.Degree/2 {
			t.Errorf("the Sun %g degrees down, V %g: denied above %.1f degrees", down, v, highest.Degrees())
		}
	}
	rapid.Check(t, func(rt *rapid.T) {
		a := rapid.Float64Range(0, 30).Draw(rt, "limit")
		b := rapid.Float64Range(a, 31).Draw(rt, "fainter limit")
		if ha, hb := highestSun(&a), highestSun(&b); hb > ha || hb < lowestTold {
			rt.Fatalf("%.2f: %.2f degrees, %.2f: %.2f degrees", a, ha.Degrees(), b, hb.Degrees())
		}
	})
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
