package setup

import (
	"math"
	"strings"
	"testing"
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"pgregory.net/rapid"
)

// The parts of the set-up data agree with each other, anywhere on Earth.
func TestData(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		site, air := drawSite(t)
		when := drawTime(t)
		s, err := NewData(site, air, observed.Refracted, when)
		if err != nil {
			t.Fatal(err)
		}
		if alt, _ := sky.AltAzFromLocal(s.Place.Pole); alt != s.Place.LatitudeScale {
			t.Fatalf("scale %g, pole at %g", s.Place.LatitudeScale.Degrees(), alt.Degrees())
		}
		// drawTime stays in the model's years.
		if s.Compass == nil {
			t.Fatal("no compass")
		}
		if off := (s.Compass.Bearing + s.Compass.Declination - s.Place.Azimuth()).Signed().Abs(); off > 1e-9*sky.Degree {
			t.Fatalf("bearing %g, declination %g", s.Compass.Bearing.Degrees(), s.Compass.Declination.Degrees())
		}
		// Up now means that it was the rising or will be the setting that comes next.
		for _, m := range s.SunDay {
			if m.Event == Sunrise || m.Event == Sunset {
				if (m.Event == Sunset) != s.SunUp {
					t.Fatalf("Sun up: %v, next it %s", s.SunUp, m.Event)
				}
				break
			}
		}
		for _, shadow := range s.Shadows {
			if !shadow.Useful() || shadow.Time.Before(when) || shadow.Time.Minute()%30 != 0 {
				t.Fatalf("%+v", shadow)
			}
		}
		if (s.Shadow != nil) != (s.SunAltitude >= ShadowLowest) {
			t.Fatalf("Sun at %g, shadow %v", s.SunAltitude.Degrees(), s.Shadow)
		}
		for _, v := range []float64{s.Level.AltitudePerAzimuth, s.Level.AcrossPerAltitude, float64(s.Compass.Sigma), float64(s.Stars[0].FromRefracted.Distance)} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Fatalf("%+v", s)
			}
		}
	})
}

func TestDataRefusals(t *testing.T) {
	ok, when := sky.Site{Latitude: 46 * sky.Degree}, time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	if _, err := NewData(sky.Site{Latitude: 91 * sky.Degree}, sky.StandardAir(0), observed.Refracted, when); err == nil {
		t.Error("latitude 91 taken")
	}
	if _, err := NewData(ok, sky.Air{Humidity: 2}, observed.Refracted, when); err == nil {
		t.Error("humidity 2 taken")
	}
	if _, err := NewData(ok, sky.StandardAir(0), observed.Refracted, when.AddDate(-100, 0, 0)); err == nil {
		t.Error("year 1926 taken")
	}
	s, err := NewData(ok, sky.StandardAir(0), observed.Refracted, when.AddDate(10, 0, 0))
	if err != nil || s.Compass != nil || len(s.Stars) != 1 {
		t.Errorf("year 2036: %v, compass %v", err, s.Compass)
	}
	s, err = NewData(sky.Site{Latitude: -90 * sky.Degree}, sky.StandardAir(0), observed.Refracted, when)
	if err != nil || s.LevelProblem == nil || len(s.Stars) != 4 {
		t.Errorf("south pole: %v, %v", err, s.LevelProblem)
	}
}

// The words for the south say south, and the caution of the Sun depends on whether it is up.
func TestWords(t *testing.T) {
	for lat, want := range map[sky.Angle]string{40 * sky.Degree: "north", -40 * sky.Degree: "south"} {
		site := sky.Site{Latitude: lat}
		p, err := newPlace(site, sky.StandardAir(0), observed.Refracted)
		if err != nil {
			t.Fatal(err)
		}
		other := map[string]string{"north": "south", "south": "north"}[want]
		text := strings.Join(append(GroundSteps(site, German), startingSteps(p)...), "\n")
		if !strings.Contains(text, want) || strings.Contains(text, other) {
			t.Errorf("latitude %g:\n%s", lat.Degrees(), text)
		}
		if scale := LatitudeSteps(p, German)[0]; !strings.Contains(scale, "40.0") {
			t.Error(scale)
		}
	}
	day, night := Cautions(true, German), Cautions(false, German)
	if !strings.Contains(day[0].Text, "Sun is up") || !strings.Contains(night[0].Text, "Sun is down") {
		t.Errorf("%q, %q", day[0].Text, night[0].Text)
	}
}

func BenchmarkNewData(b *testing.B) {
	site := sky.Site{Latitude: 46 * sky.Degree, Longitude: 13 * sky.Degree}
	when := time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)
	for b.Loop() {
		if _, err := NewData(site, sky.StandardAir(0), observed.Refracted, when); err != nil {
			b.Fatal(err)
		}
	}
}
