package axis

import (
	"math"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// explanation is one way in which the frames may have come about, fitted.
type explanation struct {
	logOdds float64
	n, c    sky.Vec
	cov     *mat.SymDense // of n and c, their first four unknowns
}

// Of a rig that is not rigid nobody knows beforehand how it departs and by how
// much. Each kind of departure is as likely as another, at any place; its size
// and the noise of the mount may have any of these scales.
var (
	departureScales = []sky.Angle{20 * sky.Arcsecond, 3 * sky.Arcminute, 30 * sky.Arcminute}
	noiseScales     = []sky.Angle{0, 2 * sky.Arcsecond, 6 * sky.Arcsecond, 20 * sky.Arcsecond, 1 * sky.Arcminute, 3 * sky.Arcminute, 10 * sky.Arcminute, 30 * sky.Arcminute}
)

// average takes, for axis and camera, the mean and the covariance over all
// explanations of frames that no rigid mount makes, each with the weight that
// the frames give to it: the likelihood integrated over its unknowns (Laplace's
// method; Kass and Raftery 1995, J. Am. Stat. Assoc. 90, 773). Where the
// frames leave open which of them is true, the covariance says so.
func (f *Fit) average() {
	var all []explanation
	weigh := func(d *departure, prior sky.Angle, weight float64) {
		for _, noise := range noiseScales {
			if noise > 2*f.ModelError {
				break
			}
			m := newModel(f.straight, f.n, f.body, f.bodies)
			if d != nil {
				with := *d
				with.prior = prior
				m.departure = &with
			}
			if m.solve(noise) != nil {
				continue
			}
			if e, ok := m.explain(); ok {
				e.logOdds += math.Log(weight / (1 + float64(noise/MechanicalNoise)))
				all = append(all, e)
			}
		}
	}
	weigh(nil, 0, 1)
	for _, d := range f.departures() {
		for _, prior := range departureScales {
			weigh(&d.departure, prior, d.weight/float64(len(departureScales)))
		}
	}
	f.mean(all)
}

// weighted is a departure with its part of the prior odds.
type weighted struct {
	departure
	weight float64
}

// movements are those of mount and tube that a rig may make over so many frames: each kind with the same
// odds, steps spread over the places at which they may have happened.
func movements(count int) (out []weighted) {
	stride := (count + mostTried - 1) / mostTried
	places := float64((count - 2 + stride) / stride)
	for _, kind := range []struct{ creep, step Fault }{{MountCreep, MountStep}, {TubeCreep, TubeStep}} {
		out = append(out, weighted{creep(kind.creep, count), 1})
		for k := 1; k < count; k += stride {
			out = append(out, weighted{step(kind.step, k, count), 1 / places})
		}
	}
	return out
}

// departures are all that a rig may do: these, and a frame that is wrong.
func (f *Fit) departures() []weighted {
	count := len(f.Frames)
	out := movements(count)
	largest := f.largestResiduals(mostTried)
	for _, k := range largest {
		out = append(out, weighted{alone(k, count), 1 / float64(len(largest))})
	}
	return out
}

// explain integrates the likelihood over the unknowns of a fitted model.
func (m *model) explain() (explanation, bool) {
	inv, logDet, err := InvertLogDet(m.info)
	if err != nil {
		return explanation{}, false
	}
	e := explanation{logOdds: (m.logWeight - m.chi2 - logDet) / 2, n: m.n, c: m.c[m.body[len(m.body)-1]], cov: of(inv, m.newest())}
	if m.departure != nil {
		e.logOdds -= 2 * math.Log(float64(m.departure.prior))
	}
	return e, true
}

// mean sets axis, camera and covariance from weighed explanations.
func (f *Fit) mean(all []explanation) {
	best := math.Inf(-1)
	for _, e := range all {
		best = max(best, e.logOdds)
	}
	var n, c sky.Vec
	sum := 0.0
	for i, e := range all {
		w := math.Exp(e.logOdds - best)
		all[i].logOdds = w
		sum += w
		n, c = r3.Add(n, r3.Scale(w, e.n)), r3.Add(c, r3.Scale(w, e.c))
	}
	if !(sum > 0) {
		return
	}
	f.n, f.c = sky.Unit(n), sky.Unit(c)
	bn, bc := sky.TangentBasis(f.n), sky.TangentBasis(f.c)
	f.Cov = mat.NewSymDense(4, nil)
	for _, e := range all {
		w := e.logOdds / sum
		off := [4]float64{r3.Dot(bn[0], e.n), r3.Dot(bn[1], e.n), r3.Dot(bc[0], e.c), r3.Dot(bc[1], e.c)}
		for i := range 4 {
			for j := i; j < 4; j++ {
				f.Cov.SetSym(i, j, f.Cov.At(i, j)+w*(e.cov.At(i, j)+off[i]*off[j]))
			}
		}
	}
}
