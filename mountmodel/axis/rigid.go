package axis

import (
	"errors"
	"math"
	"slices"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// rigid is the model R_i c = n with, in general, several grounds (directions
// n of the axis) and several bodies (places c of the axis in the camera): one
// of each is the rigid mount; two bodies are a tube that moved once, two
// grounds a tripod that did. See [AxisFit].
type rigid struct {
	frames       []sky.Attitude
	ground, body []int // of each frame: which n, which c
	n, c         []sky.Vec
	chi2         float64
	info         *mat.SymDense // normal matrix at the solution; order: n (2 each), c (2 each)
	extra        float64       // model variance added per coordinate
}

// newRigid starts the plain model from an approximate axis.
func newRigid(frames []sky.Attitude, n sky.Vec) *rigid {
	same := make([]int, len(frames))
	return newApart(frames, []sky.Vec{n}, same, same, 1)
}

// newApart starts a model with groups, each ground from an axis of its own.
func newApart(frames []sky.Attitude, n []sky.Vec, ground, body []int, bodies int) *rigid {
	m := &rigid{frames: frames, ground: ground, body: body, n: slices.Clone(n), c: make([]sky.Vec, bodies)}
	for i, f := range frames {
		m.c[body[i]] = r3.Add(m.c[body[i]], f.R.Transpose().Apply(n[ground[i]]))
	}
	for b := range m.c {
		m.c[b] = sky.Unit(m.c[b])
	}
	return m
}

// Bodies is the axis that several bodies share: see [FitBodies].
type Bodies struct {
	N    sky.Vec
	C    []sky.Vec     // the axis as the camera of each body has it
	Cov  *mat.SymDense // of N (2), then of each C (2), in their tangent planes
	Chi2 float64
	Dof  int
}

// FitBodies fits one axis, sought from n, to the frames of several bodies; body
// tells to which each frame belongs. The model error is per coordinate.
func FitBodies(frames []sky.Attitude, n sky.Vec, body []int, bodies int, modelError sky.Angle) (Bodies, error) {
	m := newApart(frames, []sky.Vec{n}, make([]int, len(frames)), body, bodies)
	if err := m.solve(modelError); err != nil {
		return Bodies{}, err
	}
	return Bodies{N: m.n[0], C: m.c, Cov: m.covariance(), Chi2: m.chi2, Dof: m.dof()}, nil
}

// dof is two numbers per frame less two unknowns for each n and c.
func (m *rigid) dof() int { return 2*len(m.frames) - 2*len(m.n) - 2*len(m.c) }

var ErrSingular = errors.New("the frames do not fix the axis")

// Across is the covariance of where a frame puts the axis, in the plane that
// touches the sphere at n. The small rotation e moves it by e x n, whose
// components along the basis b are e . (n x b). The extra variance is added
// to each component.
func Across(cov sky.Matrix, n sky.Vec, b [2]sky.Vec, extra float64) (s [2][2]float64) {
	k := [2]sky.Vec{r3.Cross(n, b[0]), r3.Cross(n, b[1])}
	for p := range 2 {
		ck := cov.Apply(k[p])
		for q := range 2 {
			s[p][q] = r3.Dot(k[q], ck)
		}
		s[p][p] += extra
	}
	return s
}

// MinPivot is the smallest eigenvalue of the normal matrix, scaled to unit
// diagonal, that is told from zero in double precision. A turn of t makes it
// about t^2/8, so that turns down to 0.1 arcsec count as turns.
const MinPivot = 1e-13

// solve finds the least chi-square with a model error (per coordinate):
// Gauss-Newton, damped where a full step would make it worse (Marquardt 1963,
// J. SIAM 11, 431), which happens when the model does not hold.
func (m *rigid) solve(modelError sky.Angle) error {
	m.extra = float64(modelError) * float64(modelError)
	bn, bc, g, err := m.normal()
	if err != nil {
		return err
	}
	damping := 0.0
	for range fitRounds {
		inv, err := invertScaled(damped(m.info, damping))
		if err != nil {
			return err
		}
		var step mat.VecDense
		step.MulVec(inv, g)
		largest := mat.Norm(&step, math.Inf(1))
		trial := *m
		trial.n, trial.c = make([]sky.Vec, len(m.n)), make([]sky.Vec, len(m.c))
		for i, n := range m.n {
			trial.n[i] = sky.Moved(n, bn[i], step.AtVec(2*i), step.AtVec(2*i+1))
		}
		at := 2 * len(m.n)
		for i, c := range m.c {
			trial.c[i] = sky.Moved(c, bc[i], step.AtVec(at+2*i), step.AtVec(at+2*i+1))
		}
		tn, tc, tg, err := trial.normal()
		if err != nil {
			return err
		}
		if !(trial.chi2 <= m.chi2*(1+chi2Rounding)+chi2Rounding) {
			damping = max(10*damping, 1e-3)
			continue
		}
		*m, bn, bc, g = trial, tn, tc, tg
		damping /= 10
		if largest < fitDone {
			return nil
		}
	}
	return nil
}

// chi2Rounding is the size of the rounding errors of chi-square, relative and
// absolute: with residuals of 1e-16 against errors of 1e-7 it is far below.
const chi2Rounding = 1e-9

// damped is the matrix with its diagonal grown by a factor.
func damped(a *mat.SymDense, damping float64) *mat.SymDense {
	if damping == 0 {
		return a
	}
	d := mat.NewSymDense(a.SymmetricDim(), nil)
	d.CopySym(a)
	for i := range a.SymmetricDim() {
		d.SetSym(i, i, a.At(i, i)*(1+damping))
	}
	return d
}

// normal sets the normal matrix and chi-square at the present point and gives
// the bases of its unknowns and the gradient.
func (m *rigid) normal() (bn, bc [][2]sky.Vec, g *mat.VecDense, err error) {
	for _, n := range m.n {
		bn = append(bn, sky.TangentBasis(n))
	}
	for _, c := range m.c {
		bc = append(bc, sky.TangentBasis(c))
	}
	size := 2*len(m.n) + 2*len(m.c)
	m.info, m.chi2 = mat.NewSymDense(size, nil), 0
	g = mat.NewVecDense(size, nil)
	for i, f := range m.frames {
		gi, bi := m.ground[i], m.body[i]
		e := bn[gi]
		seen := f.R.Apply(m.c[bi])
		y := [2]float64{r3.Dot(e[0], seen), r3.Dot(e[1], seen)}
		w, ok := sky.Invert2(Across(f.Cov, m.n[gi], e, m.extra))
		if !ok {
			return nil, nil, nil, ErrSingular
		}
		// Moving n by d changes y by -d; moving c by k changes it by E^T R F k.
		turned := [2]sky.Vec{f.R.Apply(bc[bi][0]), f.R.Apply(bc[bi][1])}
		j := [2][4]float64{
			{-1, 0, r3.Dot(e[0], turned[0]), r3.Dot(e[0], turned[1])},
			{0, -1, r3.Dot(e[1], turned[0]), r3.Dot(e[1], turned[1])},
		}
		at := [4]int{2 * gi, 2*gi + 1, 2*len(m.n) + 2*bi, 2*len(m.n) + 2*bi + 1}
		wy := [2]float64{w[0][0]*y[0] + w[0][1]*y[1], w[1][0]*y[0] + w[1][1]*y[1]}
		m.chi2 += y[0]*wy[0] + y[1]*wy[1]
		for p := range 4 {
			g.SetVec(at[p], g.AtVec(at[p])-j[0][p]*wy[0]-j[1][p]*wy[1])
			wj := [2]float64{w[0][0]*j[0][p] + w[0][1]*j[1][p], w[1][0]*j[0][p] + w[1][1]*j[1][p]}
			for q := p; q < 4; q++ {
				m.info.SetSym(at[p], at[q], m.info.At(at[p], at[q])+j[0][q]*wj[0]+j[1][q]*wj[1])
			}
		}
	}
	return bn, bc, g, nil
}

// invertScaled inverts a positive definite matrix after scaling its diagonal
// to 1, and refuses a singular one (see minPivot).
func invertScaled(a *mat.SymDense) (*mat.SymDense, error) {
	k := a.SymmetricDim()
	scale := make([]float64, k)
	for i := range k {
		d := a.At(i, i)
		if !(d > 0) || math.IsInf(d, 0) {
			return nil, ErrSingular
		}
		scale[i] = 1 / math.Sqrt(d)
	}
	scaled := mat.NewSymDense(k, nil)
	for i := range k {
		for j := i; j < k; j++ {
			scaled.SetSym(i, j, a.At(i, j)*scale[i]*scale[j])
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(scaled) || !(chol.Cond() < 1/MinPivot) {
		return nil, ErrSingular
	}
	inv := mat.NewSymDense(k, nil)
	if err := chol.InverseTo(inv); err != nil {
		return nil, ErrSingular
	}
	for i := range k {
		for j := i; j < k; j++ {
			inv.SetSym(i, j, inv.At(i, j)*scale[i]*scale[j])
		}
	}
	return inv, nil
}

// covariance is the inverse of the normal matrix at the solution.
func (m *rigid) covariance() *mat.SymDense {
	inv, err := invertScaled(m.info)
	if err != nil { // solve has inverted the same matrix
		return mat.NewSymDense(m.info.SymmetricDim(), nil)
	}
	return inv
}

// residuals are, for each frame, the small rotation that most likely
// separates it from the model: exp(e) R c = n. Across the axis it is what the
// model demands; about the axis, where the model is free, what goes with it by
// the frame's covariance.
func (m *rigid) residuals() []sky.Vec {
	out := make([]sky.Vec, len(m.frames))
	for i, f := range m.frames {
		n := m.n[m.ground[i]]
		out[i] = likelyTurn(f, n, m.c[m.body[i]], m.extra)
	}
	return out
}

// likelyTurn is the most likely small rotation e with exp(e) R c = n.
func likelyTurn(f sky.Attitude, n, c sky.Vec, extra float64) sky.Vec {
	e := r3.Cross(n, r3.Sub(n, f.R.Apply(c)))
	b := sky.TangentBasis(n)
	k := [2]sky.Vec{r3.Cross(n, b[0]), r3.Cross(n, b[1])}
	w, ok := sky.Invert2(Across(f.Cov, n, b, extra))
	if !ok {
		return e
	}
	y := [2]float64{r3.Dot(e, k[0]), r3.Dot(e, k[1])}
	cn := f.Cov.Apply(n)
	along := 0.0
	for p := range 2 {
		along += r3.Dot(cn, k[p]) * (w[p][0]*y[0] + w[p][1]*y[1])
	}
	return r3.Add(e, r3.Scale(along, n))
}

// findModelError is the error per coordinate that, added to each frame,
// brings chi-square down to its degrees of freedom.
func (m *rigid) findModelError() sky.Angle {
	n, c := append([]sky.Vec(nil), m.n...), append([]sky.Vec(nil), m.c...)
	low, high := 1e-9, 1.0 // radians: 0.0002 arcsec to a radian
	for range 60 {         // 1e9 halved 60 times on a logarithmic scale: to the last digit
		middle := math.Sqrt(low * high)
		copy(m.n, n)
		copy(m.c, c)
		if err := m.solve(sky.Angle(middle)); err != nil || m.chi2 < float64(m.dof()) {
			high = middle
		} else {
			low = middle
		}
	}
	copy(m.n, n)
	copy(m.c, c)
	return sky.Angle(high)
}
