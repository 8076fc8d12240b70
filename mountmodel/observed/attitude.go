package observed

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"polard/mountmodel/sky"
)

// Pair is one star matched in a frame: where the camera saw it, where the
// catalogue has it, and how well the camera saw it.
type Pair struct {
	Camera sky.Camera // from the frame's own camera fit; an error common to the scale of all does no harm
	ICRS   sky.ICRS   // barycentric, with proper motion to the date of exposure
	Sigma  sky.Angle  // standard deviation of Camera on each of the two axes across the line of sight
}

// Attitude is how the camera stood at one frame: its attitude in the local
// frame, fitted on the observed directions of the stars.
type Attitude struct {
	sky.Attitude
	Stars       int  // used; the others were thrown out as wrong matches
	Mirrored    bool // the attitude is right-handed: see package sky
	spread      sky.Matrix
	Boresight   sky.Local
	Compression *Compression // nil when the stars are too few
}

// Displacement is the root mean square over the frame's stars of how far the
// small rotation by the vector e (radians, local axes) moves them.
func (s Attitude) Displacement(e sky.Vec) sky.Angle {
	return sky.Angle(math.Sqrt(max(0, r3.Dot(e, s.spread.Apply(e)))))
}

const (
	// minStars is the least number of stars from which an attitude with a free
	// scale is taken. Two fix it with nothing to spare and leave open whether
	// the image is mirrored.
	minStars = 3

	// noisePrior says how far the stated errors of the stars are believed
	// against their residuals: like a previous measurement of their common
	// factor with so many degrees of freedom. With 10 stars the residuals
	// decide by 6 parts in 10, with 100 by 19 in 20.
	noisePrior = 10

	// falseRejection is the probability with which a frame whose errors are
	// Gaussian loses a star to the rejection of outliers. The square of a
	// residual over its variance, with two degrees of freedom, exceeds t with
	// probability exp(-t/2), so that the limit for n stars is 2 ln(n/0.01).
	falseRejection = 0.01

	// maxRejected is the part of the stars that may be thrown out. More than
	// that and the match itself is in doubt.
	maxRejected = 0.4

	// scalePrior is the standard deviation allowed to the scale of the observed
	// field against the catalogue's, which the camera was fitted on. Aberration
	// makes 1e-4, refraction 3e-4 at altitude 45 degrees, 4e-3 at 15, 1e-2 at 8.
	scalePrior = 0.02

	// distortionPrior is the same for the third-order term of a wide field, relative
	// at the field's edge. Refraction over a 60 degree field reaching down to
	// altitude 15 makes 2e-3.
	distortionPrior = 0.01

	// wideField is the distance of the outermost star from the boresight from
	// which the third-order term is fitted: at 4 degrees and altitude 20 the
	// curvature of refraction is 0.1 arcsec.
	wideField = 4 * sky.Degree

	// minDistortionStars keeps the third-order term out of fits that it would weaken.
	minDistortionStars = 12

	// worstNoise is the factor between residuals and stated errors up to which
	// a frame is believed. It is wide: what a camera fit leaves of distortion, a
	// few tenths of a pixel, is ten to thirty times the noise of a bright star.
	worstNoise = 50

	// parityApart is how many times worse, in squared residuals, the wrong
	// parity must fit for the right one to be recognised.
	parityApart = 4
)

// ErrFewStars means that too few stars are left to tell how the camera stood.
var ErrFewStars = sky.Refuse(nil, "few_left", "too few stars to tell how the camera stood")

// ErrMatchInDoubt means that the stars of a frame do not agree with each other.
var ErrMatchInDoubt = sky.Refuse(nil, "match_in_doubt", "the stars of the frame do not agree with each other")

// Star is a pair with its direction as observed at the site.
type Star struct {
	Camera, Local sky.Vec
	Sigma         float64
}

// FitAttitude finds the attitude that takes camera directions to local ones:
// Wahba's problem for the start, then weighted least squares with the scale
// (and in wide fields a third-order radial term) free, since the camera was
// fitted on catalogue directions, without refraction and aberration. Stars far
// off are thrown out. The covariance is that of the stated errors times a
// factor from the residuals (see noisePrior).
func FitAttitude(seen []Star) (Attitude, error) {
	if len(seen) < minStars {
		return Attitude{}, fmt.Errorf("%d stars: %w", len(seen), ErrFewStars)
	}
	kept := seen
	start, err := startAttitude(kept)
	if err != nil {
		return Attitude{}, err
	}
	for {
		fit, err := refineAttitude(kept, start)
		if err != nil {
			return Attitude{}, err
		}
		good := withoutOutliers(kept, fit.square)
		if len(good) == len(kept) {
			if noise := math.Sqrt(median(fit.square) / (2 * math.Ln2)); noise > worstNoise {
				return Attitude{}, fmt.Errorf("the stars miss their places by %.0f times their errors: %w", noise, ErrMatchInDoubt)
			}
			return fit.attitude(kept), nil
		}
		if len(good) < minStars || float64(len(seen)-len(good)) > maxRejected*float64(len(seen)) {
			return Attitude{}, fmt.Errorf("%d of %d stars lie far off: %w", len(seen)-len(good), len(seen), ErrMatchInDoubt)
		}
		kept, start = good, fit.r
	}
}

// startAttitude solves Wahba's problem for either parity and takes the better.
func startAttitude(seen []Star) (sky.Matrix, error) {
	a, b, w := make([]sky.Vec, len(seen)), make([]sky.Vec, len(seen)), make([]float64, len(seen))
	for i, s := range seen {
		a[i], b[i], w[i] = s.Camera, s.Local, 1/(s.Sigma*s.Sigma)
	}
	var r [2]sky.Matrix
	var loss [2]float64
	for parity, det := range [2]float64{1, -1} {
		m, err := sky.Wahba(a, b, w, det)
		if err != nil {
			return sky.Matrix{}, err
		}
		r[parity] = m
		// The median is deaf to the wrong matches that a sum would follow.
		squares := make([]float64, len(a))
		for i := range a {
			squares[i] = w[i] * r3.Norm2(r3.Sub(b[i], m.Apply(a[i])))
		}
		loss[parity] = median(squares)
	}
	best := 0
	if loss[1] < loss[0] {
		best = 1
	}
	if !(loss[1-best] > parityApart*loss[best]) {
		return sky.Matrix{}, fmt.Errorf("the stars lie along one line: %w", sky.ErrRank)
	}
	return r[best], nil
}

func median(x []float64) float64 {
	s := slices.Sorted(slices.Values(x))
	n := len(s)
	return (s[(n-1)/2] + s[n/2]) / 2
}

// attitudeFit is one least-squares solution.
type attitudeFit struct {
	r      sky.Matrix
	cov    sky.Matrix // of the stated errors
	square []float64  // of each star: squared residual over variance, two degrees of freedom
	dof    int
}

// refinement is Gauss-Newton under way: rotation (3), scale and, in wide fields,
// the third-order term.
type refinement struct {
	edge       float64 // tangent of the outermost star's distance
	unknowns   int
	r          sky.Matrix
	scale      float64
	distortion float64
	h          *mat.SymDense // normal matrix
	g          *mat.VecDense // gradient
}

// refineAttitude runs Gauss-Newton on rotation, scale and third-order term.
func refineAttitude(seen []Star, r sky.Matrix) (attitudeFit, error) {
	m := refinement{unknowns: 4, r: r}
	for _, s := range seen {
		m.edge = max(m.edge, math.Hypot(s.Camera.X, s.Camera.Y)/max(s.Camera.Z, 0.1))
	}
	if m.edge > wideField.Tan() && len(seen) >= minDistortionStars {
		m.unknowns = 5
	}
	m.h, m.g = mat.NewSymDense(m.unknowns, nil), mat.NewVecDense(m.unknowns, nil)
	fit := attitudeFit{square: make([]float64, len(seen)), dof: 2*len(seen) - m.unknowns}
	var step mat.VecDense
	var chol mat.Cholesky

	// Quadratic convergence: a start off by the largest refraction across the
	// widest field, 1e-2, is exact after three rounds.
	const rounds = 6
	for range rounds {
		m.begin()
		for i, s := range seen {
			fit.square[i] = m.add(s)
		}
		if !chol.Factorize(m.h) {
			return attitudeFit{}, sky.ErrRank
		}
		if err := chol.SolveVecTo(&step, m.g); err != nil {
			return attitudeFit{}, fmt.Errorf("%w: %w", sky.ErrRank, err)
		}
		m.move(&step)
	}
	var inverse mat.SymDense
	if err := chol.InverseTo(&inverse); err != nil {
		return attitudeFit{}, fmt.Errorf("%w: %w", sky.ErrRank, err)
	}
	for a := range 3 {
		for b := range 3 {
			fit.cov[a][b] = inverse.At(a, b)
		}
	}
	fit.r = m.r
	return fit, nil
}

// begin sets the equations to what is known beforehand.
func (m *refinement) begin() {
	m.h.Zero()
	m.g.Zero()
	m.h.SetSym(3, 3, 1/(scalePrior*scalePrior))
	m.g.SetVec(3, -m.scale/(scalePrior*scalePrior))
	if m.unknowns == 5 {
		m.h.SetSym(4, 4, 1/(distortionPrior*distortionPrior))
		m.g.SetVec(4, -m.distortion/(distortionPrior*distortionPrior))
	}
}

// add takes a star into the equations and gives its squared residual over its
// variance.
func (m *refinement) add(s Star) (square float64) {
	x, y, z := s.Camera.X, s.Camera.Y, s.Camera.Z
	cubic := 0.0
	if m.unknowns == 5 {
		cubic = (x*x + y*y) / (m.edge * m.edge * max(z*z, 0.01))
	}
	f := 1 + m.scale + m.distortion*cubic
	u := sky.Vec{X: f * x, Y: f * y, Z: z}
	length := r3.Norm(u)
	u = r3.Scale(1/length, u)
	radial := sky.Vec{X: x / length, Y: y / length}
	radial = m.r.Apply(r3.Sub(radial, r3.Scale(r3.Dot(radial, u), u)))
	v := m.r.Apply(u)
	d := r3.Sub(s.Local, v)
	d = r3.Sub(d, r3.Scale(r3.Dot(d, v), v))
	w := 1 / (s.Sigma * s.Sigma)

	turn, cross := r3.Cross(v, d), r3.Cross(v, radial)
	vv := [3]float64{v.X, v.Y, v.Z}
	tt := [3]float64{turn.X, turn.Y, turn.Z}
	cc := [3]float64{cross.X, cross.Y, cross.Z}
	h, g := m.h, m.g
	for a := range 3 {
		for b := a; b < 3; b++ {
			p := -vv[a] * vv[b]
			if a == b {
				p++
			}
			h.SetSym(a, b, h.At(a, b)+w*p)
		}
		g.SetVec(a, g.AtVec(a)+w*tt[a])
		h.SetSym(a, 3, h.At(a, 3)+w*cc[a])
		if m.unknowns == 5 {
			h.SetSym(a, 4, h.At(a, 4)+w*cc[a]*cubic)
		}
	}
	rr, rd := w*r3.Norm2(radial), w*r3.Dot(radial, d)
	h.SetSym(3, 3, h.At(3, 3)+rr)
	g.SetVec(3, g.AtVec(3)+rd)
	if m.unknowns == 5 {
		h.SetSym(3, 4, h.At(3, 4)+rr*cubic)
		h.SetSym(4, 4, h.At(4, 4)+rr*cubic*cubic)
		g.SetVec(4, g.AtVec(4)+rd*cubic)
	}
	return w * r3.Norm2(d)
}

// move takes a step.
func (m *refinement) move(step *mat.VecDense) {
	e := sky.Vec{X: step.AtVec(0), Y: step.AtVec(1), Z: step.AtVec(2)}
	m.r = sky.RotationFromVector(e).Mul(m.r)
	m.scale += step.AtVec(3)
	if m.unknowns == 5 {
		m.distortion += step.AtVec(4)
	}
}

// withoutOutliers keeps the stars whose squared residual stays under the limit
// that Gaussian errors of the sample's own size (from the median, which for
// two degrees of freedom is 2 ln 2) pass once in 1/falseRejection frames.
func withoutOutliers(seen []Star, square []float64) []Star {
	size := max(1, median(square)/(2*math.Ln2))
	limit := size * 2 * math.Log(float64(len(seen))/falseRejection)
	var good []Star
	for i, s := range seen {
		if square[i] <= limit {
			good = append(good, s)
		}
	}
	return good
}

func (f attitudeFit) attitude(kept []Star) Attitude {
	chi2 := 0.0
	for _, q := range f.square {
		chi2 += q
	}
	factor := (noisePrior + chi2) / (noisePrior + float64(f.dof))
	st := Attitude{
		Attitude:  sky.Attitude{R: f.r},
		Stars:     len(kept),
		Mirrored:  f.r.Det() > 0,
		Boresight: sky.Local(f.r.Column(2)),
	}
	for a := range 3 {
		for b := range 3 {
			st.Cov[a][b] = factor * f.cov[a][b]
		}
	}
	for _, s := range kept {
		v := [3]float64{s.Local.X, s.Local.Y, s.Local.Z}
		for a := range 3 {
			for b := range 3 {
				st.spread[a][b] -= v[a] * v[b] / float64(len(kept))
			}
			st.spread[a][a] += 1 / float64(len(kept))
		}
	}
	return st
}

// Attitude fits how the camera stood from the stars matched in one frame, taken
// at the observer's moment.
func (o *Observer) Attitude(pairs []Pair) (Attitude, error) {
	seen := make([]Star, 0, len(pairs))
	for _, p := range pairs {
		t := Star{Camera: sky.Unit(sky.Vec(p.Camera)), Local: sky.Vec(o.Observed(sky.Unit(p.ICRS))), Sigma: float64(p.Sigma)}
		if !(t.Sigma > 0) || math.IsInf(t.Sigma, 0) || !(r3.Norm(t.Camera) > 0.5) || !(r3.Norm(t.Local) > 0.5) {
			return Attitude{}, fmt.Errorf("a matched star carries no direction or no error: %w", ErrMatchInDoubt)
		}
		seen = append(seen, t)
	}
	fit, err := FitAttitude(seen)
	if s, ok := compression(seen, fit.R); err == nil && ok {
		fit.Compression = &s
	}
	return fit, err
}
