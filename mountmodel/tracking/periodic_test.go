package tracking

import (
	"math"
	"testing"
	"time"

	"polard/mountmodel/sky"
)

// A worm's period and amplitude come out of unguided frames, whatever the drive's rate;
// where there is none, none is found.
func TestPeriodicError(t *testing.T) {
	found, alarms := 0, 0
	const rigs = 60
	for seed := range uint64(rigs) {
		r := newRig(seed)
		r.uneven = sky.Angle(5+25*r.rng.Float64()) * sky.Arcsecond
		r.worm = time.Duration((240 + 400*r.rng.Float64()) * float64(time.Second))
		frames := r.track(60, 30*time.Second)
		p, ok := PeriodicOf(r.setting, frames, r.known(5*sky.Arcsecond).Dir)
		if ok && math.Abs(p.Period.Seconds()/r.worm.Seconds()-1) < 0.06 && (p.Amplitude-r.uneven).Abs() < 4*p.Sigma+0.1*r.uneven {
			found++
		} else {
			t.Logf("seed %d: %v of %.1f arcsec, found %v of %.1f (%v, chance %.1e)", seed, r.worm, r.uneven.Arcseconds(), p.Period, p.Amplitude.Arcseconds(), ok, p.Chance)
		}
		if ok {
			for _, s := range p.Curve {
				if s.Phase < 0 || s.Phase >= 1 || s.Error.Abs() > 3*r.uneven+10*sky.Arcsecond {
					t.Fatalf("seed %d: %+v", seed, s)
				}
			}
		}
		r.worm = 0
		if p, ok := PeriodicOf(r.setting, r.track(60, 30*time.Second), r.known(5*sky.Arcsecond).Dir); ok {
			alarms++
			t.Logf("seed %d: a period of %v, %.2f arcsec, where there is none (chance %.1e)", seed, p.Period, p.Amplitude.Arcseconds(), p.Chance)
		}
	}
	t.Logf("found %d of %d, %d where there is none", found, rigs, alarms)
	if found < rigs*9/10 || alarms > 1 {
		t.Errorf("found %d of %d, %d where there is none", found, rigs, alarms)
	}
	r := newRig(3)
	if _, ok := PeriodicOf(r.setting, r.track(9, 30*time.Second), r.axis); ok {
		t.Error("nine frames tell a period")
	}
	if _, ok := PeriodicOf(r.setting, nil, r.axis); ok {
		t.Error("no frames tell a period")
	}
}
