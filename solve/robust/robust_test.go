package robust

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// slowClipped is Clipper.Clipped with sorted values instead of bins.
func slowClipped(values []float32) (median, spread float64) {
	v := slices.Clone(values)
	slices.Sort(v)
	for range clipRounds {
		median = float64(v[len(v)/2])
		var sum, sum2 float64
		for _, x := range v {
			sum += float64(x)
			sum2 += float64(x) * float64(x)
		}
		n := float64(len(v))
		spread = math.Sqrt(sum2/n - sum/n*sum/n)
		kept := slices.DeleteFunc(slices.Clone(v), func(x float32) bool { return math.Abs(float64(x)-median) > ClipSigma*spread })
		if len(kept) == len(v) {
			break
		}
		v = kept
	}
	return median, clippedNoise * spread
}

// TestClippedStatistics: the binned statistics agree with the slow ones to a
// part of their own error, with and without stars among the values.
func TestClippedStatistics(t *testing.T) {
	// A bin is 1/16 of the spread.
	const tol = 1.0 / 16
	rng := rand.New(rand.NewPCG(1, 1))
	for _, stars := range []float64{0, 0.05, 0.15} {
		v := make([]float32, 2000)
		for i := range v {
			v[i] = float32(1000 + 12*rng.NormFloat64())
			if rng.Float64() < stars {
				v[i] += float32(1000 * rng.ExpFloat64())
			}
		}
		var h Clipper
		m, s := h.Clipped(v)
		m0, s0 := slowClipped(v)
		if math.Abs(m-m0) > tol*12 || math.Abs(s-s0) > tol*12 {
			t.Errorf("with %.0f%% stars: median %.2f and spread %.2f, sorted %.2f and %.2f", 100*stars, m, s, m0, s0)
		}
	}
}
