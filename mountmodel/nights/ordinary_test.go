package nights

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"polard/mountmodel/sky"
)

// What is true of an ordinary rig: a periodic error of 10" and steps of 10 to 30"
// from frame to frame (dithering: common practice), one target for two hours, and two
// for an hour each, with and without a guider.
func TestWatchOrdinaryRigs(t *testing.T) {
	for _, c := range []struct {
		name    string
		targets int
		dither  sky.Angle
		guided  bool
	}{
		{"one target, no dither", 1, 0, false},
		{"one target, dither 10 arcsec", 1, 10, false},
		{"one target, dither 30 arcsec", 1, 30, false},
		{"two targets, no dither", 2, 0, false},
		{"two targets, dither 10 arcsec", 2, 10, false},
		{"two targets, dither 30 arcsec", 2, 30, false},
		{"one target, guided, dither 10 arcsec", 1, 10, true},
		{"two targets, guided, dither 10 arcsec", 2, 10, true},
	} {
		guiding := Unguided
		if c.guided {
			guiding = Guided
		}
		w := watchMany(t, short(60), guiding, func(_ int, rng *rand.Rand) *nightMount {
			m := newNight(rng, sky.Angle(rng.Float64()*20)*sky.Arcminute)
			m.worm, m.dither, m.guided = 10*sky.Arcsecond, c.dither*sky.Arcsecond, c.guided
			if c.targets == 2 {
				m.two(2 * time.Minute)
			} else {
				m.one(2, 2*time.Minute)
			}
			return m
		})
		w.report(t, c.name)
		if n := float64(len(w.errors)); float64(w.in95) < 0.95*n-3*math.Sqrt(0.95*0.05*n) {
			t.Errorf("%s: the 95 %% ellipse holds %d of %d", c.name, w.in95, len(w.errors))
		}
	}
}
