package axis

import (
	"math"
	"slices"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// Frames at another declination, or beyond a flip across the meridian, are
// taken on another body: the tube stands otherwise on the part that turns, and
// turns about the same axis all the same. Each body has a place of its own at
// which the camera sees the axis; all share the axis itself, and what one of
// them leaves open another may show: a tube that hangs by its weight.

const (
	// bodiesApart is how far apart two bodies see the axis: a turn in declination that
	// somebody meant. A declination that
	// slips, or a tube that creeps, stays below it.
	bodiesApart = 3 * sky.Degree

	// bodyGain is how many times smaller another body must make the model error. Without it 14 of 100 stray frames are taken
	// for a body of their own (TestDiagnose); from 2 to 20 all are told. With 100 creeping rigs that flip are beyond four sigmas
	// (TestClaimsOfFaultyRigs).
	bodyGain = 8

	// mostBodies bounds the work: a night's measurement has two declinations on
	// both sides of the pier.
	mostBodies = 8
)

// separate splits frames, in order of time, among bodies if that makes them fit: m
// is the model of one body, fitted, and its model error. The model and model error that it
// gives may be those.
func separate(m *model, modelError sky.Angle, towards sky.Local) (*model, sky.Angle) {
	// Where another axis than the right ascension's was turned by much, a body
	// begins; what was turned by less is looked for place by place.
	for _, least := range declinationTurns {
		m, modelError = better(m, modelError, bodiesByTurns(m.frames, towards, least), towards)
	}
	for len(m.c) < mostBodies && modelError > 0 {
		found, left := m, modelError
		for k := 1; k < len(m.frames); k++ {
			if m.body[k] != m.body[k-1] {
				continue
			}
			body := slices.Clone(m.body)
			for i := k; i < len(body); i++ {
				body[i]++
			}
			if try, l := better(m, modelError, body, towards); l < left {
				found, left = try, l
			}
		}
		if found == m {
			break
		}
		m, modelError = found, left
	}
	return m, modelError
}

// declinationTurns are turns about axes square to the pole, from which a new body begins. A
// mount that is far off the pole makes some by turning right ascension: with the last alone, of mounts 8 degrees
// off no three bodies were found.
var declinationTurns = []sky.Angle{30 * sky.Degree, 10 * sky.Degree, 3 * sky.Degree}

// bodiesByTurns begins a body wherever the camera turned by more about an axis
// square to the pole.
func bodiesByTurns(frames []sky.Attitude, pole sky.Local, least sky.Angle) []int {
	body := make([]int, len(frames))
	for i := 1; i < len(frames); i++ {
		v := sky.VectorFromRotation(frames[i].R.Mul(frames[i-1].R.Transpose()))
		across := r3.Sub(v, r3.Scale(r3.Dot(v, sky.Vec(pole)), sky.Vec(pole)))
		body[i] = body[i-1]
		if sky.Angle(r3.Norm(across)) > least {
			body[i]++
		}
	}
	return body
}

// better is the model with the frames on other bodies, if it fits so much better
// that this explains them.
func better(m *model, modelError sky.Angle, body []int, towards sky.Local) (*model, sky.Angle) {
	bodies := body[len(body)-1] + 1
	if modelError == 0 || bodies <= len(m.c) || bodies > mostBodies {
		return m, modelError
	}
	try, ok := fitBodies(m.frames, body, bodies, towards)
	if !ok {
		return m, modelError
	}
	for b := 1; b < bodies; b++ {
		if sky.Separation(sky.Local(try.c[b]), sky.Local(try.c[b-1])) < bodiesApart {
			return m, modelError
		}
	}
	for b := 1; b < bodies-1; b++ {
		// One frame between others that agree is a stray one.
		if count(body, b) == 1 && sky.Separation(sky.Local(try.c[b+1]), sky.Local(try.c[b-1])) < bodiesApart {
			return m, modelError
		}
	}
	left := sky.Angle(0)
	if doubtful(try.chi2, try.dof()) {
		left = try.findModelError()
	}
	if left*bodyGain > modelError {
		return m, modelError
	}
	return try, left
}

// count is how many frames were taken on a body.
func count(body []int, b int) (n int) {
	for _, other := range body {
		if other == b {
			n++
		}
	}
	return n
}

// fitBodies fits several bodies from the axis of the one that shows it best.
func fitBodies(frames []sky.Attitude, body []int, bodies int, towards sky.Local) (*model, bool) {
	var start sky.Vec
	widest := sky.Angle(0)
	for b := range bodies {
		var own []sky.Attitude
		for i, f := range frames {
			if body[i] == b {
				own = append(own, f)
			}
		}
		if turn, clear := LargestTurn(own); clear && turn > widest {
			if n, err := startAxis(own, towards); err == nil {
				start, widest = n, turn
			}
		}
	}
	if widest == 0 {
		return nil, false
	}
	m := newModel(frames, start, body, bodies)
	// Without anything left to test it, any split would fit.
	return m, m.dof() >= 2 && m.solve(0) == nil
}

// newest are the unknowns of the axis and of the camera on the body of the newest
// frame, as they stand in the normal matrix.
func (m *model) newest() [4]int {
	b := 2 + 2*m.body[len(m.body)-1]
	return [4]int{0, 1, b, b + 1}
}

// of takes the rows and columns named out of a covariance.
func of(cov mat.Symmetric, at [4]int) *mat.SymDense {
	out := mat.NewSymDense(4, nil)
	for i := range 4 {
		for j := i; j < 4; j++ {
			out.SetSym(i, j, cov.At(at[i], at[j]))
		}
	}
	return out
}

// Bodies is on how many bodies the frames were taken: one, unless declination was
// turned or the tube flipped to the other side.
func (f *Fit) Bodies() int { return f.bodies }

// Flexure is how far the tube hangs by its weight when it is level, and how well
// that is known, from frames that were taken on several bodies. One declination
// cannot tell it from an axis that stands elsewhere, nor can some frames on several: false.
func (f *Fit) Flexure() (hangs, sigma sky.Angle, ok bool) {
	return f.flexure.by, f.flexure.sigma, f.flexure.known
}

// muchFlexure is from where a tube seems to hang by more than is common: it may,
// or something moved while declination was turned.
const muchFlexure = 2.5 * usualFlexure

// flexesMuch tells that, of frames on several bodies.
func (f *Fit) flexesMuch() bool { return f.flexure.by.Abs() > muchFlexure }

// flexureScales are standard deviations of how far a tube hangs, and how likely each is: a short
// refractor on a solid saddle, what is usual, a long tube on a light saddle. Common practice, as
// [usualFlexure].
var flexureScales = []struct {
	sigma  sky.Angle
	weight float64
}{{10 * sky.Arcsecond, 0.4}, {30 * sky.Arcsecond, 0.4}, {90 * sky.Arcsecond, 0.2}}

const (
	// stillMount is how much less likely a mount is that stands stiller than a good one: it
	// takes frames enough to show that they do not fit by chance. Without it 2 of 150 flexures lie beyond four
	// of their deviations (TestFlexureAsStated).
	stillMount = 0.1
	// knownFlexure is the deviation up to which frames tell how far the tube hangs: two thirds
	// of what is left open without any frames, by flexureScales.
	knownFlexure = 30 * sky.Arcsecond
)

// straighten finds how far the tube hangs, from several bodies, and takes it off
// the frames. Neither what is common for this tube is known, nor how still this mount
// stands: what the frames show is the mean over both, each with the weight that the frames
// give to it, and the variance that over all of them. Three rounds, each a hundred times
// nearer. Frames that show hardly more than was known stay as they are.
func straighten(m *model, frames []sky.Attitude) (straight *model, h tubeFlexure, err error) {
	noises := []sky.Angle{0}
	for n := MechanicalNoise / 4; n < 2*max(MechanicalNoise, m.findModelError()); n *= 2 {
		noises = append(noises, n)
	}
	straight = m
	for range 3 {
		if h, err = straight.flexureFrom(h.by, noises); err != nil {
			return nil, h, err
		}
		if h.known = h.sigma < knownFlexure; !h.known {
			break
		}
		raised := make([]sky.Attitude, len(frames))
		for i, f := range frames {
			raised[i] = lift(f, h.by)
		}
		straight = newModel(raised, straight.n, straight.body, len(straight.c))
	}
	if !h.known {
		straight = newModel(frames, straight.n, straight.body, len(straight.c))
		if err := straight.solve(MechanicalNoise); err != nil {
			return nil, h, err
		}
		p, err := straight.normal()
		if err != nil {
			return nil, h, err
		}
		_, left, _, ok := straight.shown(p, straight.sag(p.n))
		if !ok {
			return nil, h, ErrSingular
		}
		h = tubeFlexure{sigma: sky.Angle(math.Sqrt(left.At(0, 0)))}
	}
	return straight, h, straight.solve(0)
}

// hang is how far a tube hangs when it is level, with its standard deviation, and whether
// the frames tell it.
type tubeFlexure struct {
	by, sigma sky.Angle
	known     bool
}

// flexureFrom is how far the tube hangs, when so much is taken off already. The likelihood is Gaussian in it: with gradient g and curvature I at what is taken off,
// and a Gaussian prior, the integral over it has a closed form.
func (m *model) flexureFrom(off sky.Angle, noises []sky.Angle) (tubeFlexure, error) {
	type part struct{ logOdds, more, variance float64 }
	var parts []part
	best := math.Inf(-1)
	for _, noise := range noises {
		if err := m.solve(noise); err != nil {
			return tubeFlexure{}, err
		}
		p, err := m.normal()
		if err != nil {
			return tubeFlexure{}, err
		}
		e := m.sag(p.n)
		_, left, push, ok := m.shown(p, e)
		_, logDet, singular := InvertLogDet(m.info)
		if !ok || singular != nil {
			return tubeFlexure{}, ErrSingular
		}
		frames := max(0, 1/left.At(0, 0)-1/(e.prior[0]*e.prior[0])) // I
		for _, scale := range flexureScales {
			prior := 1 / float64(scale.sigma*scale.sigma)
			g, all := push[0]-float64(off)*prior, frames+prior
			odds := (m.logWeight - m.chi2 - logDet + math.Log(prior/all) + g*g/all - float64(off*off)*prior) / 2
			odds += math.Log(scale.weight)
			if noise < MechanicalNoise {
				odds += math.Log(stillMount)
			}
			odds -= math.Log(1 + float64(noise/MechanicalNoise))
			best = max(best, odds)
			parts = append(parts, part{odds, g / all, 1 / all})
		}
	}
	var sum, mean, square float64
	for _, q := range parts {
		w := math.Exp(q.logOdds - best)
		sum, mean, square = sum+w, mean+w*q.more, square+w*(q.variance+q.more*q.more)
	}
	mean /= sum
	return tubeFlexure{by: off + sky.Angle(mean), sigma: sky.Angle(math.Sqrt(max(0, square/sum-mean*mean)))}, nil
}

// lift is a frame without what the tube hangs by.
func lift(f sky.Attitude, hangs sky.Angle) sky.Attitude {
	q := sky.RotationFromVector(r3.Scale(float64(hangs), r3.Cross(f.R.Column(2), sky.Vec{Z: 1})))
	return sky.Attitude{R: q.Mul(f.R), Cov: q.Mul(f.Cov).Mul(q.Transpose())}
}
