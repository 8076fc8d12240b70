package axis

import (
	"errors"
	"math"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/lapack/lapack64"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// model is R_i c = n: the axis n in the local frame, and the same line c as
// the camera has it on each of its bodies. A body is a way in which the camera
// stands on the turning part: another declination or side of the pier is
// another body on the same axis. A departure, if any, lets n or one of the c
// move with the frames. See [Fit].
type model struct {
	frames    []sky.Attitude
	body      []int // of each frame
	n         sky.Vec
	c         []sky.Vec
	departure *departure
	shift     sky.Vec       // of the departure: of n, or the camera's turn as a rotation vector
	chi2      float64       // with the departure's prior
	info      *mat.SymDense // normal matrix at the solution; order: n (2), each c (2), shift (2)
	extra     float64       // model variance added per coordinate
	logWeight float64       // logarithm of the determinant of all weights
}

// newModel starts from an approximate axis n.
func newModel(frames []sky.Attitude, n sky.Vec, body []int, bodies int) *model {
	m := &model{frames: frames, body: body, n: n, c: make([]sky.Vec, bodies)}
	for i, f := range frames {
		m.c[body[i]] = r3.Add(m.c[body[i]], f.R.Transpose().Apply(n))
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
	m := newModel(frames, n, body, bodies)
	if err := m.solve(modelError); err != nil {
		return Bodies{}, err
	}
	return Bodies{N: m.n, C: m.c, Cov: m.covariance(), Chi2: m.chi2, Dof: m.dof()}, nil
}

// rigid starts the plain model, of one body and without a departure.
func rigid(frames []sky.Attitude, n sky.Vec) *model {
	return newModel(frames, n, make([]int, len(frames)), 1)
}

// unknowns are two for the axis, two for each body and two for a shift.
func (m *model) unknowns() int {
	k := 2 + 2*len(m.c)
	if m.departure != nil {
		k += 2
	}
	return k
}

// dof is two numbers per frame less the unknowns.
func (m *model) dof() int { return 2*len(m.frames) - m.unknowns() }

// ErrSingular means that the frames leave the axis open.
var ErrSingular = errors.New("the frames do not fix the axis")

// Across is the covariance of where a frame puts the axis, in the plane that
// touches the sphere at n. The small rotation e moves it by e x n, whose
// components along the basis b are e . (n x b). The extra variance is added
// to each component.
func Across(cov sky.Matrix, n sky.Vec, b [2]sky.Vec, extra float64) (s sky.Cov2) {
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

// minPivot is the smallest eigenvalue of the normal matrix, scaled to unit
// diagonal, that is told from zero in double precision. A turn of t makes it
// about t^2/8, so that turns down to 0.1 arcsec count as turns.
const minPivot = 1e-13

// solve finds the least chi-square with a model error (per coordinate):
// Gauss-Newton, damped where a full step would make it worse (Marquardt 1963,
// J. SIAM 11, 431), which happens when the model does not hold. How the damping
// grows and falls is Nielsen's (1999, IMM-REP-1999-05, eq. 2.5): by steps of ten
// every other trial would be in vain.
func (m *model) solve(modelError sky.Angle) error {
	m.extra = float64(modelError) * float64(modelError)
	at, err := m.normal()
	if err != nil {
		return err
	}
	damping, growth := 0.0, 2.0
	for range fitRounds {
		inv, err := invertScaled(damped(m.info, damping))
		if err != nil {
			return err
		}
		var step mat.VecDense
		step.MulVec(inv, at.gradient)
		trial := m.stepped(at, &step)
		next, err := trial.normal()
		if err != nil {
			return err
		}
		gain, rounding := m.chi2-trial.chi2, chi2Rounding*(1+m.chi2)
		if !(gain >= -rounding) {
			damping = max(damping*growth, leastDamping)
			growth *= 2
			continue
		}
		expected := m.expected(at, &step, damping)
		*m, at = *trial, next
		if mat.Norm(&step, math.Inf(1)) < fitDone || damping > 0 && gain < rounding {
			return nil
		}
		damping *= max(1.0/3, 1-math.Pow(2*gain/expected-1, 3))
		growth = 2
	}
	return nil
}

// leastDamping is what a trial in vain begins with.
const leastDamping = 1e-3

// expected is by how much chi-square would fall with a damped step if the model were linear: with the normal
// matrix A, its diagonal D, the gradient g and the step h, h (g + damping D h).
func (m *model) expected(at point, step *mat.VecDense, damping float64) float64 {
	sum := 0.0
	for k := range step.Len() {
		h := step.AtVec(k)
		sum += h * (at.gradient.AtVec(k) + damping*m.info.At(k, k)*h)
	}
	return sum
}

// point is where the normal equations were taken: the bases of the unknowns
// and the gradient.
type point struct {
	n, shift [2]sky.Vec
	c        [][2]sky.Vec
	gradient *mat.VecDense
}

// stepped is the model after a step of its unknowns.
func (m *model) stepped(at point, step *mat.VecDense) *model {
	trial := *m
	trial.n = sky.Moved(m.n, at.n, step.AtVec(0), step.AtVec(1))
	trial.c = make([]sky.Vec, len(m.c))
	for b, c := range m.c {
		trial.c[b] = sky.Moved(c, at.c[b], step.AtVec(2+2*b), step.AtVec(3+2*b))
	}
	if m.departure != nil {
		k := m.unknowns() - 2
		trial.shift = r3.Add(m.shift, r3.Add(r3.Scale(step.AtVec(k), at.shift[0]), r3.Scale(step.AtVec(k+1), at.shift[1])))
	}
	return &trial
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

// row is what one frame gives to the normal equations: where it puts the axis
// against where the model has it, in the basis of n, the weight of that, and
// how the unknowns that it touches, at of them in growing order, change it.
type row struct {
	y, wy   [2]float64
	w       sky.Cov2
	touched int
	at      [6]int
	j       [2][6]float64
}

// row of frame i.
func (m *model) row(i int, p point) (row, bool) {
	f, b := m.frames[i], m.body[i]
	n, c, share := m.n, m.c[b], 0.0
	if d := m.departure; d != nil {
		share = d.share[i]
		if d.ofCamera() {
			c = sky.Unit(r3.Add(c, r3.Scale(share, r3.Cross(m.shift, c))))
		} else {
			n = sky.Unit(r3.Add(n, r3.Scale(share, m.shift)))
		}
	}
	off := r3.Sub(f.R.Apply(c), n)
	r := row{y: [2]float64{r3.Dot(p.n[0], off), r3.Dot(p.n[1], off)}, touched: 4, at: [6]int{0, 1, 2 + 2*b, 3 + 2*b}}
	var ok bool
	if r.w, ok = Across(f.Cov, m.n, p.n, m.extra).Inverse(); !ok {
		return r, false
	}
	r.wy = r.w.Apply(r.y)
	// Moving n by d changes y by -d; moving c by k changes it by E^T R F k.
	turned := [2]sky.Vec{f.R.Apply(p.c[b][0]), f.R.Apply(p.c[b][1])}
	for q := range 2 {
		r.j[q][q] = -1
		r.j[q][2], r.j[q][3] = r3.Dot(p.n[q], turned[0]), r3.Dot(p.n[q], turned[1])
	}
	if m.departure != nil {
		k := m.unknowns() - 2
		r.touched, r.at[4], r.at[5] = 6, k, k+1
		for s := range 2 {
			moved := r3.Scale(-1, p.shift[s])
			if m.departure.ofCamera() {
				moved = f.R.Apply(r3.Cross(p.shift[s], m.c[b]))
			}
			for q := range 2 {
				r.j[q][4+s] = share * r3.Dot(p.n[q], moved)
			}
		}
	}
	return r, true
}

// normal sets the normal matrix and chi-square at the present point.
func (m *model) normal() (point, error) {
	p := point{n: sky.TangentBasis(m.n), gradient: mat.NewVecDense(m.unknowns(), nil)}
	for _, c := range m.c {
		p.c = append(p.c, sky.TangentBasis(c))
	}
	if m.departure != nil {
		p.shift = p.n
		if m.departure.ofCamera() {
			p.shift = m.tilts(p)
		}
	}
	m.info, m.chi2, m.logWeight = mat.NewSymDense(m.unknowns(), nil), 0, 0
	g, info := p.gradient.RawVector().Data, m.info.RawSymmetric()
	for i := range m.frames {
		r, ok := m.row(i, p)
		if !ok {
			return p, ErrSingular
		}
		m.logWeight += math.Log(r.w.Det())
		m.chi2 += r.y[0]*r.wy[0] + r.y[1]*r.wy[1]
		for a, at := range r.at[:r.touched] {
			g[at] -= r.j[0][a]*r.wy[0] + r.j[1][a]*r.wy[1]
			wj := r.w.Apply([2]float64{r.j[0][a], r.j[1][a]})
			for b := a; b < r.touched; b++ {
				info.Data[at*info.Stride+r.at[b]] += r.j[0][b]*wj[0] + r.j[1][b]*wj[1]
			}
		}
	}
	if d := m.departure; d != nil {
		w := 1 / float64(d.prior*d.prior)
		m.chi2 += w * r3.Norm2(m.shift)
		for q := range 2 {
			k := m.unknowns() - 2 + q
			info.Data[k*info.Stride+k] += w
			g[k] -= w * r3.Dot(p.shift[q], m.shift)
		}
	}
	return p, nil
}

// tilts are the turns of the camera that a departure of it is made of. On one body
// they are the two that show; what moves on several is the tube, which tilts.
func (m *model) tilts(p point) [2]sky.Vec {
	if len(m.c) > 1 {
		return [2]sky.Vec{{X: 1}, {Y: 1}}
	}
	return [2]sky.Vec{r3.Cross(m.c[0], p.c[0][0]), r3.Cross(m.c[0], p.c[0][1])}
}

// invertScaled inverts a positive definite matrix after scaling its diagonal
// to 1, and refuses a singular one (see minPivot).
func invertScaled(a *mat.SymDense) (*mat.SymDense, error) {
	inv, _, err := InvertLogDet(a)
	return inv, err
}

// InvertLogDet is invertScaled with the logarithm of the determinant.
func InvertLogDet(a *mat.SymDense) (*mat.SymDense, float64, error) {
	k := a.SymmetricDim()
	scale := make([]float64, k)
	logDet := 0.0
	for i := range k {
		d := a.At(i, i)
		if !(d > 0) || math.IsInf(d, 0) {
			return nil, 0, ErrSingular
		}
		scale[i] = 1 / math.Sqrt(d)
		logDet += math.Log(d)
	}
	scaled := mat.NewSymDense(k, nil)
	for i := range k {
		for j := i; j < k; j++ {
			scaled.SetSym(i, j, a.At(i, j)*scale[i]*scale[j])
		}
	}
	// By its parts: mat.Cholesky estimates the condition, which takes longer than all else, though the inverse tells it.
	norm := mat.Norm(scaled, 1)
	root, ok := lapack64.Potrf(scaled.RawSymmetric())
	if !ok {
		return nil, 0, ErrSingular
	}
	for i := range k {
		logDet += 2 * math.Log(root.Data[i*root.Stride+i])
	}
	if _, ok := lapack64.Potri(root); !ok { // in place: scaled is its inverse now
		return nil, 0, ErrSingular
	}
	inv := scaled
	if !(norm*mat.Norm(inv, 1) < 1/minPivot) {
		return nil, 0, ErrSingular
	}
	for i := range k {
		for j := i; j < k; j++ {
			inv.SetSym(i, j, inv.At(i, j)*scale[i]*scale[j])
		}
	}
	return inv, logDet, nil
}

// covariance is the inverse of the normal matrix at the solution.
func (m *model) covariance() *mat.SymDense {
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
func (m *model) residuals() []sky.Vec {
	out := make([]sky.Vec, len(m.frames))
	for i, f := range m.frames {
		out[i] = likelyTurn(f, m.n, m.c[m.body[i]], m.extra)
	}
	return out
}

// likelyTurn is the most likely small rotation e with exp(e) R c = n.
func likelyTurn(f sky.Attitude, n, c sky.Vec, extra float64) sky.Vec {
	e := r3.Cross(n, r3.Sub(n, f.R.Apply(c)))
	b := sky.TangentBasis(n)
	k := [2]sky.Vec{r3.Cross(n, b[0]), r3.Cross(n, b[1])}
	w, ok := Across(f.Cov, n, b, extra).Inverse()
	if !ok {
		return e
	}
	y := w.Apply([2]float64{r3.Dot(e, k[0]), r3.Dot(e, k[1])})
	cn := f.Cov.Apply(n)
	return r3.Add(e, r3.Scale(r3.Dot(cn, k[0])*y[0]+r3.Dot(cn, k[1])*y[1], n))
}

// findModelError is the error per coordinate that, added to each frame,
// brings chi-square down to its degrees of freedom.
func (m *model) findModelError() sky.Angle {
	start := *m
	// By their logarithms, which lie nearly on a line: of large errors chi-square falls with their square.
	excess := func(logError float64) float64 {
		*m = start
		if m.solve(sky.Angle(math.Exp(logError))) != nil {
			return math.Inf(-1)
		}
		return math.Log(m.chi2 / float64(m.dof()))
	}
	low, high := math.Log(1e-9), 0.0 // radians: 0.0002 arcsec to a radian
	above, below := excess(low), excess(high)
	if !(above > 0) {
		high = low
	}
	// Regula falsi with the step of Illinois (Dowell and Jarratt 1971, BIT 11, 168), which keeps the root between two ends.
	for side := 0.0; high-low > modelErrorDone; {
		at := low + (high-low)*above/(above-below)
		if !(at > low && at < high) {
			at = (low + high) / 2
		}
		x := excess(at)
		if math.Abs(x) < modelErrorDone {
			high = at
			break
		}
		if x > 0 {
			low, above = at, x
			if side > 0 {
				below /= 2
			}
		} else {
			high, below = at, x
			if side < 0 {
				above /= 2
			}
		}
		side = x
	}
	*m = start
	return sky.Angle(math.Exp(high))
}

// modelErrorDone is how well the logarithm of the model error is found, or that of chi-square over its degrees of freedom.
const modelErrorDone = 1e-9
