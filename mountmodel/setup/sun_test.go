package setup

import (
	"math"
	"testing"
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"pgregory.net/rapid"
)

// Where the shadow falls, against the Sun's place by ERFA.
func TestSunShadowERFA(t *testing.T) {
	// What the doc promises; Observer.Sun is good to 5 arcsec on the sky, which a
	// Sun at 75 degrees makes four times as much in azimuth.
	const promised = 0.01 * sky.Degree
	var worst sky.Angle
	for _, r := range readTable(t, "sun.tsv") {
		site, air, when := rowSite(r)
		s, up, err := sunShadow(site, air, when)
		if err != nil || !up {
			t.Fatalf("%v: up %v, %v", r, up, err)
		}
		alt, az := sky.Angle(r["alt_deg"])*sky.Degree, sky.Angle(r["az_deg"])*sky.Degree
		off := (s.Azimuth - az - 180*sky.Degree).Signed().Abs()
		if s.Useful() {
			worst = max(worst, off)
		}
		if s.Useful() && off > promised {
			t.Errorf("latitude %g: shadow at %.4f, Sun at %.4f degrees", r["lat_deg"], s.Azimuth.Degrees(), az.Degrees())
		}
		if math.Abs(s.Length*alt.Tan()-1) > 1e-3 {
			t.Errorf("shadow of length %g with the Sun at %g degrees", s.Length, alt.Degrees())
		}
	}
	t.Logf("largest difference where useful: %.5f degrees", worst.Degrees())
}

// At the equinox on the equator the Sun goes straight up and down, 15 degrees an hour, so its
// 50 arcminutes of refraction and radius make the day longer than 12 hours by 2 x 3m20s.
func TestSunDayEquator(t *testing.T) {
	site := sky.Site{}
	day, err := sunDay(site, sky.StandardAir(0), time.Date(2026, 3, 20, 0, 0, 0, 0, time.UTC))
	if err != nil {
		t.Fatal(err)
	}
	if len(day) != 3 || day[0].Event != Sunrise || day[1].Event != SunHigh || day[2].Event != Sunset {
		t.Fatalf("%+v", day)
	}
	long := day[2].Time.Sub(day[0].Time)
	// The equation of time changes by 18 s a day, half of it while the Sun is up.
	if d := long - (12*time.Hour + 400*time.Second); d.Abs() > 15*time.Second {
		t.Errorf("day of %v", long)
	}
	// The equation of time on March 20 is -7m30s (Meeus, Astronomical Algorithms,
	// chapter 28, figure, from memory): the Sun is highest at 12h07m30s.
	if d := day[1].Time.Sub(time.Date(2026, 3, 20, 12, 7, 30, 0, time.UTC)); d.Abs() > 15*time.Second {
		t.Errorf("highest at %v", day[1].Time)
	}
}

// Every event is what it says: the Sun crosses its altitude there, and the noon shadow lies
// along the meridian.
func TestSunDayEvents(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		site, air := drawSite(t)
		from := drawTime(t)
		day, err := sunDay(site, air, from)
		if err != nil {
			t.Fatal(err)
		}
		last := from
		for _, m := range day {
			if m.Time.Before(last) || m.Time.After(from.Add(24*time.Hour+sunStep)) {
				t.Fatalf("out of order: %+v", day)
			}
			last = m.Time
			if m.Event != SunHigh {
				o, err := observed.NewObserver(site, air, m.Time, 0)
				if err != nil {
					t.Fatal(err)
				}
				alt, _ := sky.AltAzFromLocal(o.Refraction().True(o.Sun()))
				// The event is timed to a second, in which the Sun climbs 15 arcsec at most.
				if off := (alt - riseAltitude).Abs(); off > 16*sky.Arcsecond {
					t.Fatalf("%s with the Sun at %.3f degrees", m.Event, alt.Degrees())
				}
				continue
			}
			s, up, err := sunShadow(site, air, m.Time)
			if err != nil {
				t.Fatal(err)
			}
			// A second of time turns the Sun by 15 arcsec, and the shadow by up to
			// 15 arcsec / cos(altitude); within a degree of the zenith it means nothing.
			if up && s.SunAlt < 89*sky.Degree {
				if off := (s.Azimuth - m.Shadow).Signed().Abs(); off > 20*sky.Arcsecond/sky.Angle(s.SunAlt.Cos()) {
					t.Fatalf("noon shadow at %g, want %g", s.Azimuth.Degrees(), m.Shadow.Degrees())
				}
			}
		}
	})
}

// No shadow at night, and errors for what is no place or date.
func TestSunShadowRefusals(t *testing.T) {
	site := sky.Site{Latitude: 46 * sky.Degree, Longitude: 13 * sky.Degree}
	if _, up, err := sunShadow(site, sky.StandardAir(0), time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)); up || err != nil {
		t.Errorf("midnight: up %v, %v", up, err)
	}
	if _, _, err := sunShadow(sky.Site{Latitude: 100 * sky.Degree}, sky.StandardAir(0), time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)); err == nil {
		t.Error("latitude 100 taken")
	}
	if _, err := sunDay(site, sky.StandardAir(0), time.Date(1900, 1, 1, 0, 0, 0, 0, time.UTC)); err == nil {
		t.Error("year 1900 taken")
	}
	// Midwinter beyond the polar circle: nothing happens.
	day, err := sunDay(sky.Site{Latitude: 80 * sky.Degree}, sky.StandardAir(0), time.Date(2026, 12, 20, 0, 0, 0, 0, time.UTC))
	if err != nil || len(day) != 0 {
		t.Errorf("polar night: %+v, %v", day, err)
	}
}
