package proof

import (
	"math"
)

// The proof. A candidate says where every catalogue star of the field must be
// in the image. Against it stands chance: detections lie anywhere, with the
// local density that this image has, and a catalogue star finds one within the
// tolerance with probability p. Of n stars with expected chance hits mu = sum
// p, at least k hit by chance with a probability of at most
//
//	exp(-mu) mu^k / k! / (1 - mu/(k+1))      for k >= mu + 1
//
// The hits are a sum of independent yes-or-no trials, which need not be equally
// likely. Above its mean such a sum is spread no wider than were they (Hoeffding 1956, Annals
// of Mathematical Statistics 27, 713, theorem 4), and that no wider than Poisson's
// distribution of the same mean (Anderson and Samuels 1967, Proc. 5th Berkeley Symposium 1, 1; both from
// memory, and held against exact sums in TestTailBoundsTheExactProbability), whose tail is at most its
// first term times a geometric series. The candidate was not the only one tried: by the union
// bound the odds are multiplied by
//
//   - the number of candidates in this frame so far: catalogue patterns that
//     fitted an image pattern, whether or not any other star was asked for;
//   - the number of depths (how many of the brightest stars count, and among how many of the
//     brightest detections), of tolerances and of starts among which the best was chosen;
//   - the volume of the fit: from the tolerance t of its start to the final one
//     r, the fit's 4 parameters may have picked the best of about (t/r)^4
//     distinguishable places, and of (t/r)^6 where a lens's radial term, a complex
//     number as well, was free. A lens assumed beforehand is counted by its candidates.
//
// The four stars of the pattern brought the candidate about and do not count.
// What stays is a bound on the expected number of wrong solutions for the whole
// frame at this strength of evidence; its negative logarithm is what is
// reported as log10_odds.

// Threshold is the strength of evidence below which a frame is unsolved: one
// expected wrong answer in ten million frames, if the bound's assumptions
// hold. They nearly do; the margin is for images whose detections are not
// scattered at random inside the neighbourhood in which density is measured.
const Threshold = 7

// Prediction is a catalogue star inside the image: whether a detection lies
// within the tolerance, and the odds that one does by chance.
type Prediction struct {
	Hit    bool
	Chance float64
}

// Evidence gives the strength of predictions, ordered from the brightest, for
// the only candidate tried: the logarithm of the odds against chance, given
// how many tolerances the best was chosen among and the search volume of the fit.
func Evidence(predictions []Prediction, choices, volume float64) float64 {
	best := math.Inf(-1)
	var mu float64
	k, depths, next := 0, 0, 1
	for i, p := range predictions {
		mu += p.Chance
		if p.Hit {
			k++
		}
		if n := i + 1; n == next || n == len(predictions) {
			best = max(best, -Log10Tail(k, mu))
			depths++
			next = n + 1 + n/3
		}
	}
	return best - math.Log10(float64(max(depths, 1))*choices*volume)
}

// Log10Tail is the logarithm of the bound on k or more chance hits where mu are expected; below
// mu + 1 hits that of Markov: no more than mu/k.
func Log10Tail(k int, mu float64) float64 {
	n := float64(k)
	if n <= mu || mu <= 0 {
		return 0
	}
	bound := math.Log(mu / n)
	if n >= mu+1 {
		factorial, _ := math.Lgamma(n + 1)
		bound = min(bound, n*math.Log(mu)-mu-factorial-math.Log1p(-mu/(n+1)))
	}
	return bound / math.Ln10
}

// LeastHits is, for each number of places asked for, how many must be occupied for
// the odds against chance, each being occupied with probability fill.
func LeastHits(fill, odds float64, most int) []int {
	least := make([]int, most+1)
	for n := range least {
		k := 0
		for k <= n && Log10Tail(k, fill*float64(n)) > math.Log10(odds) {
			k++
		}
		least[n] = k
	}
	return least
}
