package match

import (
	"math"
	"math/rand/v2"
	"testing"

	"polard/mountmodel/sky"
)

// Wide lenses by their projections (Ray 2002, Applied Photographic Optics, section on fisheye lenses; the formulas from
// memory), of small sensors and of larger ones. No lens but the distorted ones of the passes need be assumed for them: a pattern
// is small, and the proof fits the radial term.
func TestWideLenses(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 32))
	const lists = 3
	for _, c := range []struct {
		name string
		lens func(theta float64) float64
	}{
		{"rectilinear", math.Tan},
		{"equidistant", func(theta float64) float64 { return theta }},
		{"equisolid", func(theta float64) float64 { return 2 * math.Sin(theta/2) }},
		{"stereographic", func(theta float64) float64 { return 2 * math.Tan(theta/2) }},
	} {
		for _, field := range []float64{28, 42, 56, 75, 90} {
			width := 400
			if field > 56 {
				width = 1200
			}
			for _, hinted := range []bool{true, false} {
				if !hinted && (testing.Short() || raceEnabled || field == 42 || field == 90) { // of 90 degrees nine in ten are solved without
					continue
				}
				solved := 0
				for range lists {
					l := drawList(rng, theCatalogue(), listSpec{
						field: sky.Angle(field) * sky.Degree, width: width, height: width * 3 / 4, most: 30 + rng.IntN(70), lens: c.lens,
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
