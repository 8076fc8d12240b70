package axis

import (
	"math"
	"slices"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// Allowance is what has to be allowed for beyond the fit itself: departures of
// the rig that the frames cannot show, each as the covariance that it adds to
// the axis against the pole (square radians, in the plane that touches the
// sphere at the axis: across, up).
//
// A departure moves the fitted axis by K u, K from the normal equations and u
// unknown with a prior. As far as the frames can show it, they bound it: u then
// has the covariance P that prior and frames leave, and the allowance is K P K^T.
type Allowance struct {
	Noise    sky.Cov2 // wind, gears and bearings, where the frames are too few to show them
	Movement sky.Cov2 // a sinking tripod, a creeping tube, a bump
	Flexure  sky.Cov2 // a tube that hangs by its weight
	Air      sky.Cov2 // refraction
}

// Total is their sum.
func (a Allowance) Total() sky.Cov2 {
	return a.Noise.Plus(1, a.Movement).Plus(1, a.Flexure).Plus(1, a.Air)
}

// ofAxis is the part of a covariance of unknowns that is the axis's: the first two.
func ofAxis(cov mat.Symmetric) sky.Cov2 {
	return sky.Cov2{{cov.At(0, 0), cov.At(0, 1)}, {cov.At(1, 0), cov.At(1, 1)}}
}

// With is the axis with the allowance in its covariance.
func (a Axis) With(allow Allowance) Axis {
	a.Cov = a.Cov.Plus(1, allow.Total())
	return a
}

const (
	// usualMovement is the standard deviation, per coordinate and frame, of what
	// tripods on soft ground sink and loose clutches slip between two frames.
	// Common practice; it matters only where the frames do not bound it.
	usualMovement = 1 * sky.Arcminute

	// usualFlexure is the standard deviation of how far a level tube with its
	// camera hangs down. Common practice: a few arcseconds for a short refractor
	// on a solid saddle to an arcminute and more for a long tube on a light one.
	usualFlexure = 20 * sky.Arcsecond
)

// Refraction is what the axis has to know of the air.
type Refraction struct {
	// Lift is how far refraction lifts what is observed at an altitude.
	Lift func(altitude sky.Angle) sky.Angle
	// Uncertain is its relative standard deviation.
	Uncertain float64
	// Pole is the pole that the axis is held against, and OfPole how far
	// refraction lifts it; 0 for the true pole.
	Pole   sky.Local
	OfPole sky.Angle
	// PoleError is what the model of the air lacks at the pole, where that is low.
	PoleError sky.Angle
}

// Allowance is what the fit has to be allowed for.
func (f *Fit) Allowance(air Refraction) Allowance {
	m, p, err := f.model()
	if err != nil {
		return Allowance{}
	}
	var a Allowance
	if !f.averaged {
		a.Noise = ofAxis(m.covariance()).Plus(-1, ofAxis(f.Cov))
		a.Movement = m.movement(p)
	}
	a.Flexure = m.influence(p, m.sag(p.n))
	if gain, _, _, ok := m.shown(p, m.sag(p.n)); ok && f.bodies > 1 {
		moves := sky.Outer([2]float64{gain.At(0, 0), gain.At(1, 0)})
		a.Flexure = sky.Cov2{}.Plus(float64(f.flexure.sigma*f.flexure.sigma), moves)
		if f.flexesMuch() { // where the axis would be if it did not hang
			a.Movement = a.Movement.Plus(float64(f.flexure.by*f.flexure.by), moves)
		}
	}
	_, up := sky.Tangents(air.Pole)
	a.Air = m.influence(p, m.lifted(p.n, air)).Plus(float64(air.PoleError*air.PoleError), sky.Outer([2]float64{r3.Dot(p.n[0], up), r3.Dot(p.n[1], up)}))
	return a
}

// doubtBy is the covariance about the axis of f when what the frames set aside say
// may be true after all: that of the average over everything that may have
// happened, and its distance.
func (f *Fit) doubtBy(all *Fit) sky.Cov2 {
	basis := sky.TangentBasis(f.n)
	return all.Axis.Cov.Plus(1, sky.Outer([2]float64{r3.Dot(basis[0], all.n), r3.Dot(basis[1], all.n)}))
}

// model is the fit's model at its solution, with at least the mechanical noise.
func (f *Fit) model() (*model, point, error) {
	m := newModel(f.straight, f.n, f.body, f.bodies)
	m.c[f.body[len(f.body)-1]] = f.c
	noise := max(f.ModelError, MechanicalNoise)
	m.extra = float64(noise * noise)
	if !f.averaged {
		if err := m.solve(noise); err != nil {
			return m, point{}, err
		}
	}
	p, err := m.normal()
	return m, p, err
}

// effect is what one unit of each unknown of a departure, a column, does to
// where each frame puts the axis, and to the pole; prior is the standard deviation
// of each unknown.
type effect struct {
	frames [][2][3]float64
	pole   [2][3]float64
	prior  []float64
}

// with is both effects together.
func (e effect) with(other effect) effect {
	out := effect{prior: slices.Concat(e.prior, other.prior)}
	for i, f := range e.frames {
		for k := range other.prior {
			f[0][len(e.prior)+k], f[1][len(e.prior)+k] = other.frames[i][0][k], other.frames[i][1][k]
		}
		out.frames = append(out.frames, f)
	}
	return out
}

// movement is the allowance for creeps and, at whatever place, a bump. Between
// several bodies a tube that hangs may look like a movement, and a movement like
// that: there it is what is to be allowed for both, less what is for the tube alone.
func (m *model) movement(p point) (sum sky.Cov2) {
	hanging := m.sag(p.n)
	var hangs sky.Cov2
	if len(m.c) > 1 {
		hangs = m.influence(p, hanging)
	}
	for _, d := range movements(len(m.frames)) {
		e := effect{prior: []float64{float64(usualMovement), float64(usualMovement)}}
		for i := range m.frames {
			s := d.share[i]
			if d.ofCamera() {
				e.frames = append(e.frames, m.cameraMoved(p, i, s))
				continue
			}
			e.frames = append(e.frames, [2][3]float64{{-s, 0}, {0, -s}})
		}
		if len(m.c) > 1 {
			e = e.with(hanging)
		}
		sum = sum.Plus(d.weight, m.influence(p, e).Plus(-1, hangs))
	}
	return sum
}

// cameraMoved is what a turn of the camera on its body does to frame i.
func (m *model) cameraMoved(p point, i int, share float64) (e [2][3]float64) {
	c, tilts := m.c[m.body[i]], m.tilts(p)
	for q := range 2 {
		turned := m.frames[i].R.Apply(r3.Cross(tilts[q], c))
		e[0][q], e[1][q] = share*r3.Dot(p.n[0], turned), share*r3.Dot(p.n[1], turned)
	}
	return e
}

// sag is the effect of a tube that hangs by one unit times the cosine of its
// altitude: what it is of one declination shifts the axis in altitude, unseen.
func (m *model) sag(basis [2]sky.Vec) effect {
	return m.lowered(basis, usualFlexure, func(sky.Angle) float64 { return 1 })
}

// lifted is the effect of one unit of relative error of refraction: cameras
// and pole are taken to stand lower than they do.
func (m *model) lifted(basis [2]sky.Vec, air Refraction) effect {
	e := m.lowered(basis, sky.Angle(air.Uncertain), func(alt sky.Angle) float64 { return float64(air.Lift(alt)) / max(alt.Cos(), 1e-3) })
	_, up := sky.Tangents(air.Pole)
	for q := range 2 {
		e.pole[q][0] = float64(air.OfPole) * r3.Dot(basis[q], up)
	}
	return e
}

// lowered is the effect of a camera that looks lower than it should by
// size(altitude) times the cosine of the altitude.
func (m *model) lowered(basis [2]sky.Vec, prior sky.Angle, size func(sky.Angle) float64) effect {
	e := effect{prior: []float64{float64(prior)}}
	for _, frame := range m.frames {
		sight := frame.R.Column(2)
		alt, _ := sky.AltAzFromLocal(sky.Local(sight))
		// The turn about sight x up, whose length is the cosine, lowers by minus it.
		d := r3.Scale(size(alt), r3.Cross(r3.Cross(sight, sky.Vec{Z: 1}), m.n))
		e.frames = append(e.frames, [2][3]float64{{-r3.Dot(basis[0], d)}, {-r3.Dot(basis[1], d)}})
	}
	return e
}

// influence is K P K^T: see [Allowance].
func (m *model) influence(p point, e effect) (out sky.Cov2) {
	gain, left, _, ok := m.shown(p, e)
	if !ok {
		return out
	}
	for i := range 2 {
		for j := range 2 {
			for q := range e.prior {
				for s := range e.prior {
					out[i][j] += (gain.At(i, q) - e.pole[i][q]) * left.At(q, s) * (gain.At(j, s) - e.pole[j][s])
				}
			}
		}
	}
	return out
}

// shown is what the frames show of an effect: K over all unknowns, P, and the
// gradient of the likelihood along the effect.
func (m *model) shown(p point, e effect) (gain *mat.Dense, left *mat.SymDense, push []float64, ok bool) {
	size, k := m.unknowns(), len(e.prior)
	if !(slices.Min(e.prior) > 0) {
		return nil, nil, nil, false
	}
	cross, own := mat.NewDense(size, k, nil), mat.NewSymDense(k, nil)
	push = make([]float64, k)
	for q := range k {
		own.SetSym(q, q, 1/(e.prior[q]*e.prior[q]))
	}
	for i := range m.frames {
		r, ok := m.row(i, p)
		if !ok {
			return nil, nil, nil, false
		}
		b := e.frames[i]
		for q := range k {
			push[q] += b[0][q]*r.wy[0] + b[1][q]*r.wy[1]
			wb := r.w.Apply([2]float64{b[0][q], b[1][q]})
			for a, at := range r.at {
				cross.Set(at, q, cross.At(at, q)+r.j[0][a]*wb[0]+r.j[1][a]*wb[1])
			}
			for s := range q + 1 {
				own.SetSym(s, q, own.At(s, q)+b[0][s]*wb[0]+b[1][s]*wb[1])
			}
		}
	}
	gain = mat.NewDense(size, k, nil)
	gain.Mul(m.covariance(), cross)
	var seen mat.Dense // what the fit takes up of the effect
	seen.Mul(cross.T(), gain)
	for q := range k {
		for s := range q + 1 {
			own.SetSym(s, q, own.At(s, q)-seen.At(s, q))
		}
	}
	left, err := invertScaled(own)
	return gain, left, push, err == nil
}

// Major is the larger half axis of the 1-sigma ellipse of a covariance.
func Major(cov sky.Cov2) sky.Angle {
	mean, diff := (cov[0][0]+cov[1][1])/2, (cov[1][1]-cov[0][0])/2
	return sky.Angle(math.Sqrt(max(0, mean+math.Hypot(diff, cov[0][1]))))
}
