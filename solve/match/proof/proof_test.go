package proof

import (
	"math"
	"math/rand/v2"
	"testing"
)

// poissonBinomialTail is the exact probability of k or more hits, by convolution.
func poissonBinomialTail(p []float64, k int) float64 {
	at := make([]float64, len(p)+1)
	at[0] = 1
	for i, q := range p {
		for n := i + 1; n > 0; n-- {
			at[n] = at[n]*(1-q) + at[n-1]*q
		}
		at[0] *= 1 - q
	}
	var sum float64
	for n := len(p); n >= k; n-- {
		sum += at[n]
	}
	return sum
}

// TestTailBoundsTheExactProbability compares the bound with the exact
// distribution of a sum of unequal trials: never below it, and near it for small probabilities.
func TestTailBoundsTheExactProbability(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 9))
	for range 300 {
		p := make([]float64, 5+rng.IntN(100))
		var mu float64
		for i := range p {
			p[i] = 0.1 * rng.Float64()
			mu += p[i]
		}
		for k := 1; k <= len(p); k++ {
			exact := math.Log10(poissonBinomialTail(p, k))
			bound := Log10Tail(k, mu)
			if bound < exact-1e-9 {
				t.Fatalf("%d of %d with %g expected: bound 1e%g is below the exact 1e%g", k, len(p), mu, bound, exact)
			}
			// Beyond smallK the trials' finite number shows in the exact value; up to there by k^2 over
			// twice that number, 0.6 decades.
			const smallK = 12
			if float64(k) > 3*mu && k <= smallK && len(p) > 50 && bound > exact+0.75 {
				t.Fatalf("%d of %d with %g expected: bound 1e%g is far above the exact 1e%g", k, len(p), mu, bound, exact)
			}
		}
	}
}

func TestTailKnowsNoEvidence(t *testing.T) {
	for _, c := range []struct {
		k  int
		mu float64
	}{{0, 0}, {0, 3}, {3, 3}, {2, 5}} {
		if got := Log10Tail(c.k, c.mu); got != 0 {
			t.Errorf("%d hits with %g expected: 1e%g, want no evidence", c.k, c.mu, got)
		}
	}
}

// TestEvidenceBoundsChance draws predictions that hit by chance and counts how often
// evidence of x and more appears: at most 10^-x of the time.
func TestEvidenceBoundsChance(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 9))
	const draws = 200000
	var above [4]int
	for range draws {
		ps := make([]Prediction, 10+rng.IntN(60))
		for i := range ps {
			ps[i].Chance = 0.02 + 0.1*rng.Float64()
			ps[i].Hit = rng.Float64() < ps[i].Chance
		}
		e := Evidence(ps, 1, 1)
		for x := range above {
			if e >= float64(x) {
				above[x]++
			}
		}
	}
	for x, n := range above {
		expected := draws * math.Pow(10, -float64(x))
		if float64(n) > expected+3*math.Sqrt(expected) {
			t.Errorf("evidence of %d or more in %d of %d draws, at most %.0f may have it", x, n, draws, expected)
		}
	}
}

func TestLeastHits(t *testing.T) {
	least := LeastHits(0.1, 1e-3, 24)
	for n, k := range least {
		// It is the least number whose bound passes; n+1 where none does.
		if k <= n && Log10Tail(k, 0.1*float64(n)) > -3 {
			t.Errorf("%d of %d pass at odds 1e%g", k, n, Log10Tail(k, 0.1*float64(n)))
		}
		if k > 0 && Log10Tail(k-1, 0.1*float64(n)) <= -3 {
			t.Errorf("%d of %d would have passed too, not only %d", k-1, n, k)
		}
	}
}
