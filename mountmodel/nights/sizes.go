package nights

import (
	"math"
	"slices"
	"time"

	"polard/mountmodel/sky"
)

// The sizes averaged over: of the flexure to 8.5 arcminutes, of the wandering
// and the jitter to 4.
var (
	flexureSizes = sizes(10, 2)
	wanderSizes  = sizes(5, 4)
	jitterSizes  = wanderSizes
)

// sizes are 0 and count sizes from an arcsecond up.
func sizes(count int, ratio float64) []sky.Angle {
	out := []sky.Angle{0}
	for k := range count {
		out = append(out, sky.Angle(math.Pow(ratio, float64(k)))*sky.Arcsecond)
	}
	return out
}

// prior is the probability of each size before any frame is seen: of none
// at all, and of the others the same up to common, then falling as 1/size.
func prior(sizes []sky.Angle, none float64) []float64 {
	out, sum := make([]float64, len(sizes)), 0.0
	for k, s := range sizes[1:] {
		out[1+k] = min(1, float64(commonFlexure/s))
		sum += out[1+k]
	}
	for k := range out {
		out[k] *= (1 - none) / sum
	}
	out[0] = none
	return out
}

// answers are those of all sizes, with and without drift.
func (w *finder) answers(at time.Time) ([]answer, error) {
	blocks := make([][]block, len(w.stretches))
	for k, s := range w.stretches {
		var err error
		if blocks[k], err = w.gather(k, w.turns(s), jitterSizes, at); err != nil {
			return nil, err
		}
	}
	flexurePrior, wanderPrior, jitterPrior := prior(flexureSizes, rigidPrior), prior(wanderSizes, rigidPrior), prior(jitterSizes, rigidPrior)
	var out []answer
	for j := range jitterSizes {
		for v, wander := range wanderSizes {
			parts := make([]reduced, len(blocks))
			for k := range blocks {
				var err error
				if parts[k], err = blocks[k][j].reduce(wander); err != nil {
					return nil, err
				}
			}
			total := sum(parts)
			for f, flexure := range flexureSizes {
				for _, drift := range [2]bool{false, true} {
					a, err := total.solve(drift, flexure)
					if err != nil {
						return nil, err
					}
					a.jitter, a.wander, a.flexure, a.parts = j, v, f, parts
					a.evidence += math.Log(jitterPrior[j] * wanderPrior[v] * flexurePrior[f])
					if drift {
						a.evidence += math.Log(driftPrior)
					} else {
						a.evidence += math.Log(1 - driftPrior)
					}
					out = append(out, a)
				}
			}
		}
	}
	return out, nil
}

// mixture is mean and covariance over the sizes.
func mixture(all []answer, best float64, drift bool) (mean [axisSize]float64, cov [axisSize][axisSize]float64) {
	total := 0.0
	for _, a := range all {
		if a.drift == drift {
			p := math.Exp(a.evidence - best)
			total += p
			for i := range axisSize {
				mean[i] += p * a.x[i]
			}
		}
	}
	for i := range mean {
		mean[i] /= total
	}
	for _, a := range all {
		if a.drift == drift {
			p := math.Exp(a.evidence-best) / total
			for i := range axisSize {
				for j := range axisSize {
					cov[i][j] += p * (a.cov[i][j] + (a.x[i]-mean[i])*(a.x[j]-mean[j]))
				}
			}
		}
	}
	return mean, cov
}

const (
	// reachLeast is the share of the probability from which a choice of sizes
	// counts in the ellipses.
	reachLeast = 2e-3

	// Each is taken at so many directions and, along each, at so many equally
	// probable distances: an eighth of the mass of a choice apart, and many are
	// summed.
	reachDirections = 8
	reachDistances  = 8
)

// reaches are the 68 and the 95 % ellipses of the mixture, as multiples of what
// they would be if it were a Gaussian with the covariance given.
func reaches(all []answer, best float64, drift bool, mean [axisSize]float64, cov sky.Cov2) (near, far float64) {
	w, ok := cov.Inverse()
	if !ok {
		return 1, 1
	}
	type point struct{ q, p float64 }
	var points []point
	total := 0.0
	for _, a := range all {
		if a.drift == drift {
			total += math.Exp(a.evidence - best)
		}
	}
	covered := 0.0
	for _, a := range all {
		p := math.Exp(a.evidence-best) / total
		if a.drift != drift || p < reachLeast {
			continue
		}
		covered += p
		// Cholesky of its covariance.
		l00 := math.Sqrt(a.cov[0][0])
		l10 := a.cov[1][0] / l00
		l11 := math.Sqrt(max(0, a.cov[1][1]-l10*l10))
		m := [2]float64{a.x[0] - mean[0], a.x[1] - mean[1]}
		for k := range reachDistances {
			r := math.Sqrt(-2 * math.Log(1-(float64(k)+0.5)/reachDistances))
			for d := range reachDirections {
				// Turned from ring to ring, or the points would lie on rays.
				angle := (sky.Turn * (sky.Angle(d) + sky.Angle(k%2)/2) / reachDirections)
				x := m[0] + l00*r*angle.Cos()
				y := m[1] + l10*r*angle.Cos() + l11*r*angle.Sin()
				points = append(points, point{w.Form([2]float64{x, y}), p / (reachDirections * reachDistances)})
			}
		}
	}
	slices.SortFunc(points, func(a, b point) int {
		switch { // none is NaN, and there are many
		case a.q < b.q:
			return -1
		case a.q > b.q:
			return 1
		}
		return 0
	})
	quantile := func(share float64) float64 {
		sum := 0.0
		for _, x := range points {
			if sum += x.p / covered; sum >= share {
				return x.q
			}
		}
		return points[len(points)-1].q
	}
	const one, two = 0.6827, 0.95
	return math.Sqrt(quantile(one) / (-2 * math.Log(1-one))), math.Sqrt(quantile(two) / (-2 * math.Log(1-two)))
}

// middle is the size at which half of the probability is reached.
func middle(sizes []sky.Angle, p []float64) sky.Angle {
	sum := 0.0
	for k, size := range sizes {
		if sum += p[k]; sum >= 0.5 {
			return size
		}
	}
	return sizes[len(sizes)-1]
}
