package nights

import (
	"math"
	"time"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"polard/mountmodel/axis"
	"polard/mountmodel/sky"
)

// block are the normal equations of one stretch with one jitter, before
// anything is known of flexure. The unknowns are the local ones, then the global
// ones.
type block struct {
	a      [allSize][allSize]float64 // upper triangle
	b      [allSize]float64
	yy     float64 // weighted sum of squares
	logdet float64 // sum of the logarithms of the determinants of the frames' covariances
}

// row is how the two numbers of a frame answer to the unknowns.
type row [2][allSize]float64

// design sets up the row of a frame and its two numbers, y = n moved - c moved.
func (w *finder) design(f Exposure, c sky.Vec, turn sky.Angle, hours float64) (r row, y [2]float64) {
	bn, bc := sky.TangentBasis(w.n), sky.TangentBasis(c)
	seen := f.R.Apply(c)
	shares := harmonicShares()
	up := f.R.Transpose().Apply(sky.Vec{Z: 1})
	weight := [3]float64{up.X, up.Y, up.Z}
	units := [3]sky.Vec{{X: 1}, {Y: 1}, {Z: 1}}
	// Boresight and zenith in the plane across the axis.
	plane := func(v sky.Vec) [2]float64 { return [2]float64{r3.Dot(bn[0], v), r3.Dot(bn[1], v)} }
	tube, zenith := plane(f.R.Column(2)), plane(sky.Vec{Z: 1})
	var load [2]float64
	if l := math.Hypot(tube[0], tube[1]); l > leastArm {
		tube[0], tube[1] = tube[0]/l, tube[1]/l
		load = [2]float64{tube[0]*zenith[0] + tube[1]*zenith[1], tube[0]*zenith[1] - tube[1]*zenith[0]}
	}
	for p := range 2 {
		y[p] = r3.Dot(bn[p], seen)
		for q := range 2 {
			g := -r3.Dot(bn[p], f.R.Apply(bc[q]))
			r[p][q] = g
			for m := 1; m <= harmonics; m++ {
				a := turn * sky.Angle(m)
				r[p][2+4*(m-1)+q] = g * shares[m-1] * a.Cos()
				r[p][2+4*(m-1)+2+q] = g * shares[m-1] * a.Sin()
			}
		}
		r[p][atShift+p] = 1
		r[p][atDrift+p] = hours
		for a := range 3 {
			g := r3.Dot(bn[p], f.R.Apply(r3.Cross(units[a], c)))
			for b := range 3 {
				r[p][atTube+3*a+b] = g * weight[b]
			}
		}
	}
	// The body's own bending, told in its frame: along and across the tube.
	for b := range 2 {
		r[0][atMount+b], r[0][atMount+2+b] = tube[0]*load[b], -tube[1]*load[b]
		r[1][atMount+b], r[1][atMount+2+b] = tube[1]*load[b], tube[0]*load[b]
	}
	return r, y
}

// gather sums up the normal equations of a stretch about the present point,
// for every jitter.
func (w *finder) gather(k int, turns []sky.Angle, jitters []sky.Angle, at time.Time) ([]block, error) {
	s := w.stretches[k]
	out := make([]block, len(jitters))
	bn := sky.TangentBasis(w.n)
	// The declination moves c along the great circle to the boresight.
	free := sky.Vec{Z: 1}
	free = r3.Sub(free, r3.Scale(r3.Dot(free, w.c[k]), w.c[k]))
	if r3.Norm(free) > leastArm {
		free = sky.Unit(free)
	}
	for i := s.First; i <= s.Last; i++ {
		f := w.frames[i]
		r, y := w.design(f, w.c[k], turns[i-s.First], f.Mid.Sub(at).Hours())
		still := axis.Across(f.Cov, w.n, bn, 0)
		loose := s.Dither
		if s.Guided {
			loose = guideFree
		}
		if loose > 0 {
			g := f.R.Apply(free)
			still = still.Plus(float64(loose*loose), sky.Outer([2]float64{r3.Dot(bn[0], g), r3.Dot(bn[1], g)}))
		}
		for j, jitter := range jitters {
			if !out[j].add(r, y, still.Plus(1, sky.Diagonal(float64(jitter*jitter)))) {
				return nil, axis.ErrSingular
			}
		}
	}
	return out, nil
}

// add takes one frame in.
func (b *block) add(r row, y [2]float64, cov sky.Cov2) bool {
	wt, ok := cov.Inverse()
	if !ok {
		return false
	}
	b.logdet += math.Log(cov.Det())
	wy := wt.Apply(y)
	b.yy += y[0]*wy[0] + y[1]*wy[1]
	for p := range allSize {
		b.b[p] += r[0][p]*wy[0] + r[1][p]*wy[1]
		w := wt.Apply([2]float64{r[0][p], r[1][p]})
		for q := p; q < allSize; q++ {
			b.a[p][q] += w[0]*r[0][q] + w[1]*r[1][q]
		}
	}
	return true
}

// harmonicShares are the standard deviations of the harmonics of a process
// with covariance exp(cos t - 1) = (I_0(1) + 2 sum I_n(1) cos n t)/e: Abramowitz
// and Stegun 1964, eq. 9.6.34, with I_n from its series, eq. 9.6.10.
func harmonicShares() [harmonics]float64 {
	var out [harmonics]float64
	for n := 1; n <= harmonics; n++ {
		term := 1.0
		for k := 1; k <= n; k++ {
			term *= 0.5 / float64(k)
		}
		bessel := 0.0
		for k := range 12 { // terms fall by 1/(4k(k+n)): far below rounding
			bessel += term
			term *= 0.25 / float64((k+1)*(k+1+n))
		}
		out[n-1] = math.Sqrt(2 * bessel / math.E)
	}
	return out
}

// reduced are a stretch's equations with its own unknowns taken out.
type reduced struct {
	gg     *mat.SymDense
	bg     *mat.VecDense
	yy     float64
	logdet float64      // of frames, local unknowns and their prior
	local  mat.VecDense // solution with the global unknowns at 0
	pull   mat.Dense    // by how much the global ones lower it
}

// reduce takes the local unknowns out, for one size of wandering.
func (b *block) reduce(wander sky.Angle) (reduced, error) {
	size := localSize
	if wander == 0 {
		size = 2
	}
	ll, lg, bl := mat.NewSymDense(size, nil), mat.NewDense(size, globalSize, nil), mat.NewVecDense(size, b.b[:size])
	for i := range size {
		for j := i; j < size; j++ {
			ll.SetSym(i, j, b.a[i][j])
		}
		if i >= 2 {
			ll.SetSym(i, i, ll.At(i, i)+1/float64(wander*wander))
		}
		for j := range globalSize {
			lg.Set(i, j, b.a[i][localSize+j])
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(ll) {
		return reduced{}, axis.ErrSingular
	}
	out := reduced{gg: mat.NewSymDense(globalSize, nil), bg: mat.NewVecDense(globalSize, nil), yy: b.yy}
	out.logdet = b.logdet + chol.LogDet()
	if wander > 0 {
		out.logdet += 2 * float64(size-2) * math.Log(float64(wander))
	}
	if chol.SolveTo(&out.pull, lg) != nil || chol.SolveVecTo(&out.local, bl) != nil {
		return reduced{}, axis.ErrSingular
	}
	out.yy -= mat.Dot(bl, &out.local)
	var gg mat.Dense
	gg.Mul(lg.T(), &out.pull)
	var bg mat.VecDense
	bg.MulVec(lg.T(), &out.local)
	for i := range globalSize {
		out.bg.SetVec(i, b.b[localSize+i]-bg.AtVec(i))
		for j := i; j < globalSize; j++ {
			out.gg.SetSym(i, j, b.a[localSize+i][localSize+j]-gg.At(i, j))
		}
	}
	return out, nil
}

// answer is the axis (and drift) under one choice of sizes.
type answer struct {
	jitter, wander, flexure int // which sizes
	drift                   bool
	x                       [axisSize]float64           // shift and drift
	cov                     [axisSize][axisSize]float64 // of them
	evidence                float64                     // logarithm, prior included
	globals                 *mat.VecDense               // all global unknowns; those left out are 0
	parts                   []reduced                   // that it solves
}

// sum joins the equations of all stretches.
func sum(parts []reduced) reduced {
	out := reduced{gg: mat.NewSymDense(globalSize, nil), bg: mat.NewVecDense(globalSize, nil)}
	for _, p := range parts {
		out.gg.AddSym(out.gg, p.gg)
		out.bg.AddVec(out.bg, p.bg)
		out.yy += p.yy
		out.logdet += p.logdet
	}
	return out
}

// solve finds the global unknowns, with or without drift, under a size of flexure.
func (r reduced) solve(drift bool, flexure sky.Angle) (answer, error) {
	out := answer{drift: drift, evidence: -r.logdet / 2, globals: mat.NewVecDense(globalSize, nil)}
	wanted := []int{0, 1} // the shift, which has no prior
	prior := func(from, to int, sigma sky.Angle) {
		for i := from; i < to; i++ {
			wanted = append(wanted, i)
		}
		out.evidence -= float64(to-from) * math.Log(float64(sigma))
	}
	if drift {
		prior(2, axisSize, axis.DriftPrior)
	}
	if flexure > 0 {
		prior(axisSize, globalSize, flexure)
	}
	a, b := mat.NewSymDense(len(wanted), nil), mat.NewVecDense(len(wanted), nil)
	for i, at := range wanted {
		b.SetVec(i, r.bg.AtVec(at))
		for j := i; j < len(wanted); j++ {
			a.SetSym(i, j, r.gg.At(at, wanted[j]))
		}
		switch {
		case at >= axisSize:
			a.SetSym(i, i, a.At(i, i)+1/float64(flexure*flexure))
		case at >= 2:
			a.SetSym(i, i, a.At(i, i)+1/float64(axis.DriftPrior*axis.DriftPrior))
		}
	}
	inv, logDet, err := axis.InvertLogDet(a)
	if err != nil {
		return out, err
	}
	var x mat.VecDense
	x.MulVec(inv, b)
	for i, at := range wanted {
		out.globals.SetVec(at, x.AtVec(i))
		if at < axisSize {
			out.x[at] = x.AtVec(i)
			for j, other := range wanted {
				if other < axisSize {
					out.cov[at][other] = inv.At(i, j)
				}
			}
		}
	}
	out.evidence -= (logDet + r.yy - mat.Dot(b, &x)) / 2
	return out, nil
}
