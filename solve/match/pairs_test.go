package match

import (
	"flag"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"polard/mountmodel/sky"
	"polard/solve/camera/cameratest"
)

var plates = flag.Int("plates", 0, "plates of each kind, by which the pass by pairs is measured")

// drawPlate is a plate around a bright galaxy, as a real one was: at most 18 catalogue stars among the brightest
// detections, of which others are as many times as many, hundreds of fainter specks, places good to half a
// pixel; the header tells the scale to some percent and the place to half a degree.
func drawPlate(rng *rand.Rand, spurious float64) (starList, Hint) {
	for {
		l := drawList(rng, theCatalogue(), listSpec{
			field: sky.Angle(0.4+rng.Float64()) * sky.Degree, width: 440, height: 300, mirrored: rng.IntN(2) == 0,
			most: 18, missing: 0.25, spurious: spurious, scatter: 0.3, shear: 2e-4, noise: 1, blur: 0.5, specks: 700,
		})
		if l.real >= 10 {
			near := within(rng, l.ICRS(l.Centre()), 0.5*sky.Degree)
			return l, Hint{Scale: l.Scale * sky.Angle(1+0.02*rng.NormFloat64()), Near: &near, Epoch: l.epoch}
		}
	}
}

// Plates with half as many false detections among the brightest as true ones, and more. make passes measures how many
// are solved by pairs and how many by the other cheap passes, and what the pass costs in vain.
func TestPairs(t *testing.T) {
	if raceEnabled {
		t.Skip("takes a minute under the race detector")
	}
	n := max(*plates, 4)
	pairs := passNamed(t, "near, pairs")
	for _, spurious := range []float64{0.5, 2, 5, 10} {
		rng := rand.New(rand.NewPCG(19, math.Float64bits(spurious)))
		solved, others, trials := 0, 0, 0
		for range n {
			l, hint := drawPlate(rng, spurious)
			s := New(theIndex(), l.image, hint)
			m, err := s.make(t.Context(), pairs)
			if err != nil {
				t.Fatal(err)
			}
			if m != nil {
				solved++
				trials = max(trials, s.trials)
				if off := l.off(m); off > 3*l.Scale {
					t.Errorf("%g: %.1f pixels off, log10 odds %.1f", spurious, float64(off/l.Scale), m.Log10Odds)
				}
			}
			if *plates > 0 {
				s := New(theIndex(), l.image, hint)
				s.without = pairs.name
				if m, _ := s.Cheap(t.Context()); m != nil {
					others++
				}
			}
		}
		t.Logf("%g false for a true one: %d of %d plates solved, after %d candidates at most; %d by the other cheap passes", spurious, solved, n, trials, others)
		if spurious < 1 && 4*solved < 3*n { // of forty, 37 are
			t.Errorf("only %d of %d solved", solved, n)
		}
	}
}

// Lists without sky, of fields down to a third of a degree, are not solved by pairs.
func TestPairsWithoutSky(t *testing.T) {
	lists := max(*plates, 2)
	pairs := passNamed(t, "near, pairs")
	rng := rand.New(rand.NewPCG(19, 5))
	for _, degrees := range []float64{0.3, 1, 4} {
		var took []time.Duration
		for range lists {
			for kind := range withoutSky {
				in, _ := listWithoutSky(rng, kind)
				near := cameratest.Direction(rng)
				start := time.Now()
				m, err := New(theIndex(), in, Hint{Scale: sky.Angle(degrees/float64(in.Width)) * sky.Degree, Near: &near, Epoch: 2026}).make(t.Context(), pairs)
				took = append(took, time.Since(start))
				if m != nil || err != nil {
					t.Errorf("%g degrees, %s: %+v, %v", degrees, withoutSky[kind].name, m, err)
				}
			}
		}
		slices.Sort(took)
		t.Logf("%g degrees: given up after %v, at most %v", degrees, took[len(took)/2], took[len(took)-1])
	}
}

func passNamed(t *testing.T, name string) *pass {
	t.Helper()
	for i := range passes {
		if passes[i].name == name {
			return &passes[i]
		}
	}
	t.Fatalf("no pass %q", name)
	return nil
}
