package nights

import (
	"testing"
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// What ends a night is the Sun, or half a day where it does not rise.
func TestNightEndsWithTheSun(t *testing.T) {
	for _, c := range []struct {
		name     string
		lat      sky.Angle
		from     time.Time
		gap      time.Duration
		newNight bool
	}{
		// Sunset and sunrise at 0 h and 47 N in October: about 17:35 and 6:05 local time.
		{"clouds for six hours", 47 * sky.Degree, time.Date(2026, 10, 3, 20, 0, 0, 0, time.UTC), 6 * time.Hour, false},
		{"a day", 47 * sky.Degree, time.Date(2026, 10, 3, 3, 0, 0, 0, time.UTC), 17 * time.Hour, true},
		{"a short summer day's start", 47 * sky.Degree, time.Date(2026, 6, 21, 2, 0, 0, 0, time.UTC), 4 * time.Hour, true},
		{"polar night", 80 * sky.Degree, time.Date(2026, 12, 20, 6, 0, 0, 0, time.UTC), 11 * time.Hour, false},
		{"polar night, next day", 80 * sky.Degree, time.Date(2026, 12, 20, 6, 0, 0, 0, time.UTC), 20 * time.Hour, true},
	} {
		cfg := Config{Site: sky.Site{Latitude: c.lat}, Air: sky.StandardAir(0)}
		if got := nightBetween(cfg, c.from, c.from.Add(c.gap)); got != c.newNight {
			t.Errorf("%s: new night %v, want %v", c.name, got, c.newNight)
		}
	}
}

// Memory does not grow with the frames.
func TestFramesAreThinned(t *testing.T) {
	site, air := sky.Site{Latitude: 47 * sky.Degree}, sky.StandardAir(0)
	w := New(Config{Site: site, Air: air, Pole: observed.Pole(site, air, observed.Refracted)})
	dusk := time.Date(2026, 10, 3, 19, 0, 0, 0, time.UTC)
	for i := range 3000 {
		var err error
		if w, err = w.With(Exposure{Attitude: sky.Attitude{R: sky.Identity}, Mid: dusk.Add(time.Duration(i) * 6 * time.Second)}); err != nil {
			t.Fatal(err)
		}
		if n := len(w.frames); n > mostWatched {
			t.Fatalf("%d frames kept, at most %d", n, mostWatched)
		}
	}
	if w.taken != 3000 || w.frames[len(w.frames)-1].Mid.Before(w.until.Add(-time.Minute)) {
		t.Errorf("%d frames, the newest kept of %v", w.taken, w.frames[len(w.frames)-1].Mid)
	}
}
