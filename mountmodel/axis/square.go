package axis

import (
	"cmp"
	"math"
	"slices"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// Squareness is how the parts of an equatorial mount stand to each other, from
// frames on several bodies. Signs count from the end of the declination axis about
// which the tube, as it stood in the first frame, turns right-handed towards the
// pole-seeking end of the right ascension axis.
type Squareness struct {
	// Axes is the angle between that end and the pole-seeking end less a right
	// angle: the error of orthogonality of the two axes. Two bodies cannot tell
	// it: AxesKnown is false, and Tube allows for axes that are square to usualSquare.
	Axes, AxesSigma sky.Angle
	AxesKnown       bool
	// Tube is the angle between that end and the middle of the image less a right
	// angle: the error of collimation.
	Tube, TubeSigma sky.Angle
}

const (
	// usualSquare is how square two axes are, one standard deviation, where the
	// frames do not tell: common practice.
	usualSquare = 5 * sky.Arcminute

	// knownSquare is the uncertainty up to which the error of orthogonality is given.
	knownSquare = 30 * sky.Arcminute

	// mostNonOrthogonal is an error beyond which the frames were not taken by turning a
	// declination axis, but a tube was remounted or a camera turned.
	mostNonOrthogonal = 5 * sky.Degree
)

// Squareness tells how the parts of the mount stand to each other; ok is false of frames at one declination and
// side of the pier, and where what comes out is no mount's.
//
// The camera turns about the declination axis d, which therefore stands still in
// the camera's frame whatever the declination, and so does its angle to the right
// ascension axis c_b, as the camera has it on body b: d . c_b = sin(-Axes) for
// every b, and d . z = sin(-Tube) for the middle of the image z. These are the errors of Mayer's formula
// i tan(dec) + c sec(dec) (Smart, Textbook on Spherical Astronomy, on the
// meridian circle; from memory), here without any reading of circles. Least squares
// with the covariance of the c_b, flexure included.
func (f *Fit) Squareness() (Squareness, bool) {
	if f.bodies < 2 {
		return Squareness{}, false
	}
	m := newModel(f.straight, f.n, f.body, f.bodies)
	if m.solve(max(f.ModelError, MechanicalNoise)) != nil {
		return Squareness{}, false
	}
	cov, ok := m.withFlexure(f.flexure.sigma)
	if !ok {
		return Squareness{}, false
	}
	// About this the tube of the first frame turns towards the pole; a mirrored camera
	// has it the other way round.
	towards := r3.Scale(f.Frames[0].R.Det(), r3.Cross(sky.Vec{Z: 1}, m.c[0]))
	if f.bodies > 2 {
		if s, ok := squareness(m.c, towards, cov, 0); ok && s.AxesSigma < knownSquare {
			s.AxesKnown = true
			return s, s.believable()
		}
	}
	s, ok := squareness(m.c, towards, cov, usualSquare)
	return s, ok && s.believable()
}

func (s Squareness) believable() bool {
	return s.Axes.Abs() < mostNonOrthogonal && s.Tube.Abs() < mostNonOrthogonal && s.TubeSigma < mostNonOrthogonal
}

// withFlexure is the covariance of the model with what flexure, known so well, leaves open.
func (m *model) withFlexure(sigma sky.Angle) (*mat.SymDense, bool) {
	p, err := m.normal()
	if err != nil {
		return nil, false
	}
	gain, _, _, ok := m.shown(p, m.sag(p.n))
	if !ok {
		return nil, false
	}
	cov := m.covariance()
	cov.SymRankOne(cov, float64(sigma*sigma), gain.ColView(0))
	return cov, true
}

// squareness fits the declination axis to the places c of the right ascension axis
// in the camera, at its end towards a direction; cov is of the unknowns of a model. A prior of 0 leaves the error
// of orthogonality free, which takes three places.
func squareness(c []sky.Vec, towards sky.Vec, cov *mat.SymDense, prior sky.Angle) (Squareness, bool) {
	d, ok := normalTo(c)
	if !ok {
		return Squareness{}, false
	}
	if r3.Dot(d, towards) < 0 {
		d = r3.Scale(-1, d)
	}
	skew := 0.0
	var inv *mat.SymDense
	var basis [2]sky.Vec
	for range fitRounds {
		basis = sky.TangentBasis(d)
		var err error
		var step mat.VecDense
		inv, err = squareStep(&step, c, cov, d, skew, basis, prior)
		if err != nil {
			return Squareness{}, false
		}
		d = sky.Moved(d, basis, step.AtVec(0), step.AtVec(1))
		skew += step.AtVec(2)
		if mat.Norm(&step, math.Inf(1)) < fitDone {
			break
		}
	}
	z := sky.Vec{Z: 1}
	sin := min(max(r3.Dot(d, z), -1), 1)
	g := mat.NewVecDense(3, []float64{r3.Dot(basis[0], z), r3.Dot(basis[1], z), 0})
	variance := mat.Inner(g, inv, g) / max(1-sin*sin, 1e-6)
	return Squareness{
		Axes: sky.Angle(-skew), AxesSigma: sky.Angle(math.Sqrt(inv.At(2, 2))),
		Tube: sky.Angle(-math.Asin(sin)), TubeSigma: sky.Angle(math.Sqrt(variance)),
	}, true
}

// squareStep is one step of least squares, and the covariance of declination axis
// (2) and angle (1).
func squareStep(step *mat.VecDense, c []sky.Vec, cov *mat.SymDense, d sky.Vec, skew float64, basis [2]sky.Vec, prior sky.Angle) (*mat.SymDense, error) {
	bodies := len(c)
	design, residual := mat.NewDense(bodies, 3, nil), mat.NewVecDense(bodies, nil)
	along := mat.NewDense(bodies, cov.SymmetricDim(), nil)
	for b, place := range c {
		residual.SetVec(b, math.Sin(skew)-r3.Dot(d, place))
		design.SetRow(b, []float64{r3.Dot(basis[0], place), r3.Dot(basis[1], place), -math.Cos(skew)})
		for q, t := range sky.TangentBasis(place) {
			along.Set(b, 2+2*b+q, r3.Dot(d, t))
		}
	}
	var ac, v mat.Dense
	ac.Mul(along, cov)
	v.Mul(&ac, along.T())
	noise := mat.NewSymDense(bodies, nil)
	for i := range bodies {
		for j := i; j < bodies; j++ {
			noise.SetSym(i, j, v.At(i, j))
		}
	}
	weight, err := invertScaled(noise)
	if err != nil {
		return nil, err
	}
	var gw, n mat.Dense
	gw.Mul(design.T(), weight)
	n.Mul(&gw, design)
	info := mat.NewSymDense(3, nil)
	for i := range 3 {
		for j := i; j < 3; j++ {
			info.SetSym(i, j, n.At(i, j))
		}
	}
	var gradient mat.VecDense
	gradient.MulVec(&gw, residual)
	if prior > 0 {
		w := 1 / float64(prior*prior)
		info.SetSym(2, 2, info.At(2, 2)+w)
		gradient.SetVec(2, gradient.AtVec(2)-w*skew)
	}
	inv, err := invertScaled(info)
	if err != nil {
		return nil, err
	}
	step.MulVec(inv, &gradient)
	return inv, nil
}

// normalTo is square to the first place and the farthest from it: near the declination axis, as near as it
// is to square to the right ascension axis.
func normalTo(c []sky.Vec) (sky.Vec, bool) {
	far := slices.MinFunc(c, func(a, b sky.Vec) int { return cmp.Compare(r3.Dot(a, c[0]), r3.Dot(b, c[0])) })
	d := r3.Cross(c[0], far)
	return sky.Unit(d), r3.Norm(d) > 0
}
