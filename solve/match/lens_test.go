package match

import (
	"math/rand/v2"
	"testing"

	"polard/mountmodel/sky"
)

// Small sensors behind wide lenses that are not rectilinear, at 250 to 600 arcsec per pixel: where t is the tangent of
// the angle, theta = t - t^3/3 + t^5/5, 2 sin(theta/2) = t - 3/8 t^3 + 0.242 t^5, 2 tan(theta/2) = t - t^3/4 + t^5/8. No lens but
// the distorted ones of the passes need be assumed for them: a pattern is small, and the proof fits the radial term.
func TestLensesThatAreNotRectilinear(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 32))
	lists := 4
	if testing.Short() {
		lists = 2
	}
	for _, c := range []struct {
		name string
		lens [2]float64
	}{
		{"rectilinear", [2]float64{}},
		{"equidistant", [2]float64{-1.0 / 3, 1.0 / 5}},
		{"equisolid", [2]float64{-3.0 / 8, 0.242}},
		{"stereographic", [2]float64{-1.0 / 4, 1.0 / 8}},
	} {
		for _, field := range []float64{28, 42, 56} {
			for _, hinted := range []bool{true, false} {
				if !hinted && (testing.Short() || raceEnabled || field > 42) { // wider ones take seconds each
					continue
				}
				solved := 0
				for range lists {
					l := drawList(rng, theCatalogue(), listSpec{
						field: sky.Angle(field) * sky.Degree, width: 400, height: 300, most: 30 + rng.IntN(70), lens: c.lens,
						missing: 0.15, spurious: 0.15, scatter: 0.25, axis: 0.005, noise: 1,
					})
					hint := Hint{Epoch: l.epoch}
					if hinted {
						hint.Scale = l.Scale * sky.Angle(1+0.05*(2*rng.Float64()-1))
					}
					m, err := find(t.Context(), theIndex(), l.image, hint)
					if err != nil {
						continue
					}
					if off := l.off(m); off > l.Scale {
						t.Errorf("%s, %g degrees, hinted %v: %.1f pixels off with %d stars", c.name, field, hinted, float64(off/l.Scale), len(m.Pairs))
					}
					solved++
				}
				t.Logf("%s, %g degrees, hinted %v: %d of %d", c.name, field, hinted, solved, lists)
				if solved < lists-1 {
					t.Errorf("%s, %g degrees, hinted %v: only %d of %d solved", c.name, field, hinted, solved, lists)
				}
			}
		}
	}
}
