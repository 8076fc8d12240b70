package plan

import (
	"math"
	"testing"
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"pgregory.net/rapid"
)

// Neither pole is better than the best axis by more than the search promises,
// anywhere in the sky: 3 per cent or 0.01 arcsec, a hundredth of a fine pixel.
func TestBestAxis(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawPlan(t)
		best, trail, err := p.Best()
		if err != nil {
			t.Skip("no axis can be held")
		}
		const floor = 0.01 * sky.Arcsecond
		for _, kind := range []observed.PoleKind{observed.Refracted, observed.True} {
			if m, err := p.Assess(observed.Pole(p.Site, p.Air, kind)); err == nil && m.Trail.Size*1.03+floor < trail {
				t.Fatalf("%s pole: trail %.2f arcsec, at the best %.2f", kind, m.Trail.Size.Arcseconds(), trail.Arcseconds())
			}
		}
		m, err := p.Assess(best)
		if err != nil || m.Trail.Size > trail*1.03+floor {
			t.Fatalf("the best axis trails %.3f arcsec, told %.3f (%v)", m.Trail.Size.Arcseconds(), trail.Arcseconds(), err)
		}
	})
}

// At latitude 5 degrees the refracted pole is the worse one for a sky above 30
// degrees, at 46 it is the better one, and the best is at least as good as either.
func TestBestAxisByLatitude(t *testing.T) {
	for _, c := range []struct {
		lat    sky.Angle
		better observed.PoleKind
	}{{5, observed.True}, {46, observed.Refracted}} {
		sum := map[observed.PoleKind]float64{}
		best := 0.0
		for _, dec := range []sky.Angle{-20, 0, 20, 40} {
			for _, hour := range []sky.Angle{-40, 0, 35} {
				p := planAt(c.lat*sky.Degree, hour*sky.Degree, dec*sky.Degree, 5*time.Minute, sky.StandardAir(0))
				if alt, _ := sky.AltAzFromLocal(sky.LocalFromHour(p.Site.Latitude, p.HourFrom, p.Declination)); alt < 30*sky.Degree {
					continue
				}
				for _, kind := range []observed.PoleKind{observed.Refracted, observed.True} {
					m, err := p.Assess(observed.Pole(p.Site, p.Air, kind))
					if err != nil {
						t.Fatal(err)
					}
					sum[kind] += math.Pow(m.Trail.Size.Arcseconds(), 2)
				}
				_, trail, err := p.Best()
				if err != nil {
					t.Fatal(err)
				}
				best += math.Pow(trail.Arcseconds(), 2)
			}
		}
		other := observed.True - c.better // Refracted is 0, True 1
		if sum[c.better] >= sum[other] || best > sum[c.better] {
			t.Errorf("latitude %g: refracted %.1f, true %.1f, best %.1f (squares)", float64(c.lat), sum[observed.Refracted], sum[observed.True], best)
		}
		t.Logf("latitude %g: rms trail refracted %.1f, true %.1f, best %.1f arcsec (roots of the sums of squares)", float64(c.lat), math.Sqrt(sum[0]), math.Sqrt(sum[1]), math.Sqrt(best))
	}
}

// Common practice: four minutes of time drift a star by an arcsecond for each
// arcsecond times 0.0175, so that 1' costs 15.7" an hour in declination (Hook 1989;
// Covington 1999, appendix B).
func TestGuiderDrift(t *testing.T) {
	got := sky.Angle(guiderDrift(1*sky.Arcminute) * 3600).Arcseconds()
	if math.Abs(got-15.75) > 0.05 { // 60 arcsec times 2 pi in 86164 s, for 3600 s
		t.Errorf("%.2f arcsec an hour", got)
	}
}
