package sky

import (
	"math"
	"slices"
)

// TurnProbabilities is the probability of each degree of a turn, from the logarithms of their likelihoods. It is nil where more than
// the doubt is left to the harmless ones, about zero: they are not told apart from none.
func TurnProbabilities(logs [360]float64, harmless Angle, doubt float64) []float64 {
	by := make([]float64, len(logs))
	top := slices.Max(logs[:])
	sum, within := 0.0, 0.0
	for i, l := range logs {
		by[i] = math.Exp(l - top)
		sum += by[i]
		if (Angle(i) * Degree).Signed().Abs() < harmless {
			within += by[i]
		}
	}
	if within > doubt*sum {
		return nil
	}
	for i := range by {
		by[i] /= sum
	}
	return by
}
