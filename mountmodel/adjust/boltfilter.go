package adjust

import (
	"cmp"
	"math"
	"slices"

	"polard/mountmodel/sky"
)

// Places in the state of one bolt, and of the numbers that live only while a
// movement is taken in: how far each bolt turned past its backlash, and the error
// of the turn at hand.
const (
	atAcross   = 0
	atUp       = 1
	atBacklash = 2
	atGap      = 3
	perBolt    = 4
	boltState  = boltCount * perBolt
	atBite     = boltState
	atSlipped  = atBite + boltCount
	boltJoint  = atSlipped + 1
)

type boltVector [boltJoint]float64

// component is one Gaussian. Angles are radians, turns are turns.
type component struct {
	x      boltVector
	cov    [boltJoint]boltVector
	weight float64 // probability, all components together 1
}

// expect sets what is expected of a bolt whose clockwise turn goes one way.
func (g *component) expect(bolt int, sense, onSky float64) {
	k := bolt * perBolt
	own, other := k+bolt, k+1-bolt // components are in the order of the bolts
	g.x[own] = sense * onSky * float64(perTurnMean)
	g.cov[own][own] = square(onSky * float64(perTurnSpread))
	g.cov[other][other] = square(crossSpread * onSky * float64(perTurnMean))
	g.x[k+atBacklash] = backlashMean
	g.cov[k+atBacklash][k+atBacklash] = square(backlashSpread)
	g.bound(bolt)
	g.loosen(bolt)
}

// loosen forgets where in its backlash a bolt stands: anywhere.
func (g *component) loosen(bolt int) {
	k := bolt * perBolt
	var half boltVector
	half[k+atBacklash] = 0.5
	g.set(k+atGap, half, square(g.x[k+atBacklash])/12) // the variance of a uniform distribution
}

func square(x float64) float64 { return x * x }

// set replaces component i by a linear form of the state and independent noise.
func (g *component) set(i int, form boltVector, noise float64) {
	mean, row := g.form(form)
	variance := noise
	for j := range boltJoint {
		variance += form[j] * row[j]
	}
	for j := range boltJoint {
		g.cov[i][j], g.cov[j][i] = row[j], row[j]
	}
	g.x[i], g.cov[i][i] = mean, variance
}

// form is the mean of a linear form and its covariance with the state.
func (g *component) form(f boltVector) (mean float64, row boltVector) {
	for i, a := range f {
		if a == 0 {
			continue
		}
		mean += a * g.x[i]
		for j := range boltJoint {
			row[j] += a * g.cov[i][j]
		}
	}
	return mean, row
}

// above keeps the part of the Gaussian where a linear form exceeds a bound,
// and gives the probability of it.
func (g *component) above(f boltVector, bound float64) float64 {
	mean, row := g.form(f)
	variance := 0.0
	for i, a := range f {
		variance += a * row[i]
	}
	if !(variance > 0) {
		if mean > bound {
			return 1
		}
		return 0
	}
	sigma := math.Sqrt(variance)
	z := (mean - bound) / sigma
	part := math.Erfc(-z/math.Sqrt2) / 2
	if z > 6 { // nothing is cut
		return part
	}
	ratio := mills(z)
	shift, shrink := ratio/sigma, ratio*(z+ratio)/variance
	for i := range boltJoint {
		g.x[i] += row[i] * shift
		for j := range boltJoint {
			g.cov[i][j] -= row[i] * row[j] * shrink
		}
	}
	return part
}

// mills is the density of the standard Gaussian at z over the probability
// below z; far down it is its asymptote (Abramowitz and Stegun 1964, 26.2.12).
func mills(z float64) float64 {
	if z < -10 {
		return -z - 1/z
	}
	return math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) / (math.Erfc(-z/math.Sqrt2) / 2)
}

// wander lets the answers change a little.
func (g *component) wander() {
	for bolt := range boltCount {
		k := bolt * perBolt
		noise := square(boltWander) * (square(g.x[k+atAcross]) + square(g.x[k+atUp]))
		g.cov[k+atAcross][k+atAcross] += noise
		g.cov[k+atUp][k+atUp] += noise
	}
}

// afterStroke gives the components that follow from a stroke: that it bit, and that it
// stayed within the backlash.
func (g component) afterStroke(bolt int, turns float64) []component {
	k := bolt * perBolt
	g.set(atSlipped, boltVector{}, square(turnError*turns))
	g.x[atSlipped] = turns // as done: what was reported and the error

	// past is how far the turn goes beyond the backlash, along its own direction.
	var past boltVector
	past[atSlipped], past[k+atGap] = 1, -1
	if turns < 0 {
		past[k+atBacklash] = 1
	}
	sense := math.Copysign(1, turns)
	var forward boltVector
	for i := range past {
		forward[i] = sense * past[i]
	}

	bit := g
	bit.weight *= bit.above(forward, 0)
	grown := past
	grown[atBite+bolt] = 1
	bit.set(atBite+bolt, grown, 0)
	bit.contact(bolt, turns)
	bit.set(atSlipped, boltVector{}, 0)

	idle := g
	for i := range forward {
		forward[i] = -forward[i]
	}
	idle.weight *= idle.above(forward, 0)
	var less boltVector
	less[k+atGap], less[atSlipped] = 1, -1
	idle.set(k+atGap, less, 0)
	idle.set(atSlipped, boltVector{}, 0)
	return []component{bit, idle}
}

// contact sets the gap after a turn that bit.
func (g *component) contact(bolt int, turns float64) {
	k := bolt * perBolt
	var gap boltVector
	if turns < 0 {
		gap[k+atBacklash] = 1
	}
	g.set(k+atGap, gap, 0)
}

// observe updates by the movement seen and gives its likelihood. What then
// follows from how far the bolts turned is done by then (nil: nothing), before that is
// forgotten. The state is as in an iterated extended Kalman filter; the
// likelihood is that of the linear model at the solution.
func (g *component) observe(m movement, then func(bite [boltCount]float64)) float64 {
	noise := m.settled()
	prior := *g
	var gain, rows [2]boltVector
	var miss [2]float64
	var total sky.Cov2
	x := prior.x
	for range boltRounds {
		rows = [2]boltVector{}
		for i := range 2 {
			h := 0.0
			for bolt := range boltCount {
				response, bite := bolt*perBolt+i, atBite+bolt
				rows[i][response] = x[bite]
				rows[i][bite] = x[response]
				h += x[response] * x[bite]
			}
			// The miss of the linear model at the prior mean.
			miss[i] = m.By[i] - h
			for j := range boltJoint {
				miss[i] -= rows[i][j] * (prior.x[j] - x[j])
			}
		}
		total = noise
		var cross [2]boltVector
		for i := range 2 {
			_, cross[i] = prior.form(rows[i])
		}
		for i := range 2 {
			for j := range 2 {
				for k := range boltJoint {
					total[i][j] += rows[j][k] * cross[i][k]
				}
			}
		}
		w, ok := total.Inverse()
		if !ok {
			return 0
		}
		for j := range boltJoint {
			gain[0][j] = cross[0][j]*w[0][0] + cross[1][j]*w[1][0]
			gain[1][j] = cross[0][j]*w[0][1] + cross[1][j]*w[1][1]
			x[j] = prior.x[j] + gain[0][j]*miss[0] + gain[1][j]*miss[1]
		}
		for i := range boltJoint {
			for j := range boltJoint {
				g.cov[i][j] = prior.cov[i][j] - gain[0][i]*cross[0][j] - gain[1][i]*cross[1][j]
			}
		}
	}
	g.x = x
	if then != nil {
		then([boltCount]float64{x[atBite+azimuthAt], x[atBite+altitudeAt]})
	}
	for bolt := range boltCount {
		g.set(atBite+bolt, boltVector{}, 0)
		g.bound(bolt)
	}
	return density2(miss, total)
}

// bound keeps the backlash possible: it is not negative.
func (g *component) bound(bolt int) {
	k := bolt * perBolt
	var backlash boltVector
	backlash[k+atBacklash] = 1
	g.above(backlash, 0)
}

// density2 is the density of a Gaussian of two components.
func density2(y [2]float64, cov sky.Cov2) float64 {
	w, ok := cov.Inverse()
	if !ok {
		return 0
	}
	return math.Exp(-w.Form(y)/2) / (2 * math.Pi) * math.Sqrt(w.Det())
}

// likeliest are the components of highest weight, at most so many, their weights
// brought to a sum of 1.
func likeliest(all []component, most int) []component {
	slices.SortStableFunc(all, func(p, q component) int { return cmp.Compare(q.weight, p.weight) })
	all = all[:min(most, len(all))]
	sum := 0.0
	for _, g := range all {
		sum += g.weight
	}
	if !(sum > 0) || math.IsInf(sum, 0) {
		return nil
	}
	for i := range all {
		all[i].weight /= sum
	}
	return all
}
