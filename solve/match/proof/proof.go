package proof

import (
	"math"
)

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
