package camera

import (
	"math"

	"polard/mountmodel/sky"
	"polard/solve/robust"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// terms of the camera fit beyond attitude and scale.
type terms struct {
	radial1, radial2, axis, shear bool
}

// Fit is a camera with the two numbers of sky shear that only the fit
// to ICRS needs: differential refraction and aberration stretch the field
// along one direction by up to some parts in ten thousand. They belong to
// the sky and not to the camera, so directions through the camera leave them out.
type Fit struct {
	Camera
	Shear [2]float64
	terms terms
	drawn bool          // terms beyond attitude and scale are drawn to what cameras and skies are like
	cov   *mat.SymDense // of the parameters, in their order
}

// Pair is a detection and the catalogue star it shows.
type Pair struct {
	Detection int // its index
	Star      int // index of the catalogue star in the caller's list
	At        sky.Pixel
	ICRS      sky.ICRS
	Sigma     float64 // pixels, one axis
	DX, DY    float64 // residual, pixels: observed minus predicted
}

// predict gives the place of a direction and, if wanted, the derivatives of the place
// by the parameters of the given terms: rotation vector (3), log scale, then as
// the terms say k1, k2, axis (2), shear (2).
func (f *Fit) predict(d sky.ICRS, jx, jy []float64) (p sky.Pixel, ok bool) {
	rt := f.Attitude.R.Transpose()
	v := rt.Apply(sky.Vec(d))
	if v.Z <= LeastCosine {
		return p, false
	}
	s := f.Scale.Radians()
	x, y := v.X/v.Z, v.Y/v.Z
	r2 := x*x + y*y
	g := 1 + r2*(f.K1+f.K2*r2)
	xd, yd := x*g, y*g
	xs, ys := xd*(1+f.Shear[0])+yd*f.Shear[1], yd*(1-f.Shear[0])+xd*f.Shear[1]
	p = sky.Pixel{X: f.Axis.X + xs/s, Y: f.Axis.Y + ys/s}
	if jx == nil {
		return p, true
	}
	// d(xd)/dx etc.
	slope := 2 * (f.K1 + 2*f.K2*r2)
	xx, xy, yy := g+x*x*slope, x*y*slope, g+y*y*slope
	put := func(k int, dxd, dyd float64) {
		jx[k] = (dxd*(1+f.Shear[0]) + dyd*f.Shear[1]) / s
		jy[k] = (dyd*(1-f.Shear[0]) + dxd*f.Shear[1]) / s
	}
	hand := -1.0 // of the camera's frame: the sky is seen from inside, unless a mirror turns it round
	if f.Mirrored {
		hand = 1
	}
	for k := range 3 {
		// true = (1 + e x) R, so camera coordinates change by R^T (d x e) = +-v x R^T e.
		dv := r3.Scale(hand, r3.Cross(v, rt.Column(k)))
		dx, dy := (dv.X-x*dv.Z)/v.Z, (dv.Y-y*dv.Z)/v.Z
		put(k, xx*dx+xy*dy, xy*dx+yy*dy)
	}
	jx[3], jy[3] = -xs/s, -ys/s
	k := 4
	if f.terms.radial1 {
		put(k, x*r2, y*r2)
		k++
	}
	if f.terms.radial2 {
		put(k, x*r2*r2, y*r2*r2)
		k++
	}
	if f.terms.axis {
		jx[k], jy[k] = 1, 0
		jx[k+1], jy[k+1] = 0, 1
		k += 2
	}
	if f.terms.shear {
		jx[k], jy[k] = xd/s, -yd/s
		jx[k+1], jy[k+1] = yd/s, xd/s
	}
	return p, true
}

// Project gives the place of a direction in the image; not ok behind the camera.
func (f *Fit) Project(d sky.ICRS) (sky.Pixel, bool) { return f.predict(d, nil, nil) }

func (t terms) with(o terms) terms {
	return terms{t.radial1 || o.radial1, t.radial2 || o.radial2, t.axis || o.axis, t.shear || o.shear}
}

func (t terms) count() int {
	n := 4
	for _, on := range []struct {
		is bool
		n  int
	}{{t.radial1, 1}, {t.radial2, 1}, {t.axis, 2}, {t.shear, 2}} {
		if on.is {
			n += on.n
		}
	}
	return n
}

// What is expected of the terms beyond attitude and scale, one sigma about nothing. A term that the
// stars do not demand is not known to be nothing: what it may be is part of the errors.
const (
	// expectedRadial, of first and second order, as parts of the corner's distance: lenses
	// reach 5 percent (common practice).
	expectedRadial1 = 0.03
	expectedRadial2 = 0.01
	// expectedAxis is the optical axis' distance from the middle, as a part of the longer side:
	// some tenths of a millimetre (common practice).
	expectedAxis = 0.01
	// expectedShear is half of what air stretches heights by, the refraction's 58.3 arcsec sec^2 z
	// (Smart 1977, Spherical Astronomy, section 36): 1.4e-4 in the zenith, 2.8e-4 at z = 45 degrees.
	expectedShear = 2.5e-4
)

// expectation is the value of a term and the sigma about 0 that is expected of it.
type expectation struct{ value, sigma float64 }

// expectations are those of the terms beyond attitude and scale, in their order.
func (f *Fit) expectations() (list []expectation) {
	corner2 := sq(f.Scale.Radians()) * (sq(float64(f.Width)) + sq(float64(f.Height))) / 4
	if f.terms.radial1 {
		list = append(list, expectation{f.K1, expectedRadial1 / corner2})
	}
	if f.terms.radial2 {
		list = append(list, expectation{f.K2, expectedRadial2 / sq(corner2)})
	}
	if f.terms.axis {
		side := expectedAxis * float64(max(f.Width, f.Height))
		list = append(list, expectation{f.Axis.X - f.Centre().X, side}, expectation{f.Axis.Y - f.Centre().Y, side})
	}
	if f.terms.shear {
		list = append(list, expectation{f.Shear[0], expectedShear}, expectation{f.Shear[1], expectedShear})
	}
	return list
}

// Whole fits all terms that a field of this size may show, drawn to what is expected of them, so
// that the covariance holds what is not known of those which the pairs do not demand. Where
// there are too few pairs, it fits the terms that are set.
func (f *Fit) Whole(pairs []Pair) bool {
	whole := *f
	whole.drawn = true
	whole.terms = terms{shear: true}
	if sky.Angle(max(f.Width, f.Height))*f.Scale >= lensField {
		whole.terms = terms{true, true, true, true}
	}
	if !whole.Solve(pairs, stillStep) {
		return f.Solve(pairs, stillStep)
	}
	*f = whole
	return true
}

func (f *Fit) apply(step []float64) {
	f.Attitude.R = sky.RotationFromVector(sky.Vec{X: step[0], Y: step[1], Z: step[2]}).Mul(f.Attitude.R)
	f.Scale *= sky.Angle(math.Exp(step[3]))
	k := 4
	if f.terms.radial1 {
		f.K1 += step[k]
		k++
	}
	if f.terms.radial2 {
		f.K2 += step[k]
		k++
	}
	if f.terms.axis {
		f.Axis.X += step[k]
		f.Axis.Y += step[k+1]
		k += 2
	}
	if f.terms.shear {
		f.Shear[0] += step[k]
		f.Shear[1] += step[k+1]
	}
}

// Detector is how the detector stands, through the middle of its image (DetectorFrame),
// with the covariance of that: of where the middle looks and how the image is turned. It
// comes from the covariance of all terms, since attitude, axis and distortion vary together and
// what the middle shows is known far better than any of them. Errors are grow times, in
// variance, what the fit's covariance says.
func (f *Fit) Detector(grow float64) sky.Attitude {
	stands := func(c *Camera) sky.Matrix { return c.Attitude.R.Mul(c.DetectorFrame().Transpose()) }
	out := sky.Attitude{R: stands(&f.Camera)}
	n := f.terms.count()
	columns := make([][3]float64, n)
	for k := range n {
		// Steps of one sigma: small against all that is not linear.
		step := make([]float64, n)
		step[k] = math.Sqrt(f.cov.At(k, k))
		plus, minus := *f, *f
		plus.apply(step)
		step[k] = -step[k]
		minus.apply(step)
		turn := sky.VectorFromRotation(stands(&plus.Camera).Mul(stands(&minus.Camera).Transpose()))
		unit := 1 / (2 * math.Sqrt(f.cov.At(k, k)))
		columns[k] = [3]float64{turn.X * unit, turn.Y * unit, turn.Z * unit}
	}
	for r := range 3 {
		for c := range 3 {
			for j := range n {
				for k := range n {
					out.Cov[r][c] += grow * columns[j][r] * f.cov.At(j, k) * columns[k][c]
				}
			}
		}
	}
	return out
}

// huberLimit is where a residual stops counting in full, in sigmas: 95 %
// efficient for normal errors (Huber 1981, Robust Statistics, section 1.3).
const huberLimit = 1.345

// fitSteps bounds the Gauss-Newton steps: from a proved candidate, within a
// pixel or so, three reach rounding; distortion may take a few more.
const fitSteps = 12

// Steps, in sigmas of the parameters, below which a fit stands: the last one of a camera, and
// those that choose pairs and terms.
const (
	stillStep  = 1e-4
	CoarseStep = 0.03
)

// Solve solves for the camera by iteratively reweighted Gauss-Newton over the pairs, with the terms set in f. It fills the
// pairs' residuals and the covariance (scaled by the residuals where they are larger than stated). It ends when no parameter
// moves by more than still sigmas, and is not ok when the pairs do not fix the terms.
func (f *Fit) Solve(pairs []Pair, still float64) bool {
	n := f.terms.count()
	if 2*len(pairs) < n+2 {
		return false
	}
	spread := f.Residuals(pairs)
	for range fitSteps {
		normal, right := f.normalEquations(pairs, spread)
		step, cov, largest, ok := solveNormal(normal, right)
		if !ok {
			return false
		}
		f.apply(step)
		f.cov = cov
		spread = f.Residuals(pairs)
		if largest < still {
			break
		}
	}
	grow := sq(Excess(spread, len(pairs)))
	for r := range 3 {
		for c := range 3 {
			f.Attitude.Cov[r][c] = f.cov.At(r, c) * grow
		}
	}
	f.ScaleSigma = f.Scale * sky.Angle(math.Sqrt(f.cov.At(3, 3)*grow))
	return true
}

// normalEquations are those of the pairs, of which residuals beyond huberLimit count less, spread being
// their robust size in stated sigmas; and of what is expected of the terms.
func (f *Fit) normalEquations(pairs []Pair, spread float64) (normal, right []float64) {
	n := f.terms.count()
	jx, jy := make([]float64, n), make([]float64, n)
	normal, right = make([]float64, n*n), make([]float64, n)
	for i := range pairs {
		p := &pairs[i]
		f.predict(p.ICRS, jx, jy)
		t := math.Hypot(p.DX, p.DY) / (p.Sigma * spread)
		weight := 1 / (p.Sigma * p.Sigma)
		if t > huberLimit {
			weight *= huberLimit / t
		}
		for r := range n {
			wx, wy := weight*jx[r], weight*jy[r]
			row := normal[r*n : (r+1)*n]
			for c := r; c < n; c++ {
				row[c] += wx*jx[c] + wy*jy[c]
			}
			right[r] += wx*p.DX + wy*p.DY
		}
	}
	if f.drawn {
		for r, e := range f.expectations() {
			normal[(4+r)*(n+1)] += 1 / sq(e.sigma)
			right[4+r] -= e.value / sq(e.sigma)
		}
	}
	return normal, right
}

// solveNormal gives the step of the parameters, their covariance, and the largest step in sigmas; not ok when
// the equations do not fix them.
func solveNormal(normal, right []float64) (step []float64, cov *mat.SymDense, largest float64, ok bool) {
	n := len(right)
	a, b := mat.NewSymDense(n, normal), mat.NewVecDense(n, right)
	// The parameters' units differ by many orders of ten: scale to a unit
	// diagonal before the inversion.
	scale := make([]float64, n)
	for r := range n {
		if !(a.At(r, r) > 0) {
			return nil, nil, 0, false
		}
		scale[r] = 1 / math.Sqrt(a.At(r, r))
	}
	for r := range n {
		b.SetVec(r, b.AtVec(r)*scale[r])
		for c := r; c < n; c++ {
			a.SetSym(r, c, a.At(r, c)*scale[r]*scale[c])
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(a) || chol.Cond() > worstCondition {
		return nil, nil, 0, false
	}
	var scaled mat.VecDense
	if chol.SolveVecTo(&scaled, b) != nil {
		return nil, nil, 0, false
	}
	var inv mat.SymDense
	if chol.InverseTo(&inv) != nil {
		return nil, nil, 0, false
	}
	step = make([]float64, n)
	for r := range n {
		step[r] = scaled.AtVec(r) * scale[r]
		// in sigmas of the parameter
		largest = max(largest, math.Abs(scaled.AtVec(r))/math.Sqrt(inv.At(r, r)))
		for c := r; c < n; c++ {
			inv.SetSym(r, c, inv.At(r, c)*scale[r]*scale[c])
		}
	}
	return step, &inv, largest, true
}

// Excess is how many times larger than stated the errors of n pairs are, given the
// robust size of their residuals: 1 unless it is more than chance. The median
// radius of n pairs, squared, scatters by 1.44/sqrt(n) (the median's variance is
// 1/(4 n f^2), with f = 0.589 the density of the radius there); two of these
// are taken for chance.
func Excess(spread float64, n int) float64 {
	if spread*spread < 1+2*1.44/math.Sqrt(float64(n)) {
		return 1
	}
	return spread
}

// worstCondition is the condition number, after scaling, at which the terms can no
// longer be told apart in double precision.
const worstCondition = 1e11

// Residuals refreshes the pairs' residuals and gives their robust size in
// stated sigmas, at least a tenth.
func (f *Fit) Residuals(pairs []Pair) float64 {
	t := make([]float64, len(pairs))
	for i := range pairs {
		p := &pairs[i]
		z, ok := f.predict(p.ICRS, nil, nil)
		if !ok {
			z = sky.Pixel{X: math.Inf(1)}
		}
		p.DX, p.DY = p.At.X-z.X, p.At.Y-z.Y
		t[i] = math.Hypot(p.DX, p.DY) / p.Sigma
	}
	if len(t) == 0 {
		return math.NaN()
	}
	return max(robust.Median(t)/medianRadius, 0.1)
}

// medianRadius is the median of the radius of a two-dimensional standard
// normal: sqrt(2 ln 2).
const medianRadius = 1.1774100225154747

func sq(x float64) float64 { return x * x }
