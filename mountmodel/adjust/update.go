package adjust

import (
	"math"

	"gonum.org/v1/gonum/diff/fd"
	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"polard/mountmodel/axis"
	"polard/mountmodel/sky"
)

// point is what the model says at one value of state and frame error.
type point struct {
	n, c  sky.Vec
	ref   sky.Matrix
	tilt  [2]float64
	was   sky.Vec   // the axis at the frame before
	axis  sky.Vec   // as the frame has it
	theta sky.Angle // of the frame since the reference frame
}

// tiltSlope is how the angle about the axis, as a frame gives it, depends on the
// tilt: derivative and, for the remainder, second difference over tiltPrior,
// to the east and to the north.
//
// The derivative is taken at a level base, once per frame, and never at the
// estimate: bolts turned in a fixed ratio tell only one combination of the two
// tilts, and derivatives taken at a wandering estimate would make the filter
// believe that it had learnt the other (Huang, Mourikis and Roumeliotis 2010,
// Int. J. Robotics Research 29, 502: first-estimates Jacobian).
type tiltSlope struct {
	slope, curvature [2]float64
}

func (t *state) tiltSlopeOf(r sky.Matrix) tiltSlope {
	axis := r.Apply(t.c)
	seen := r.Mul(t.ref.Transpose())
	theta := func(i int, tilt float64) float64 {
		v := sky.Vec{Z: 1}
		if i == 0 {
			v.X = tilt
		} else {
			v.Y = tilt
		}
		return float64(sky.TurnAbout(bolts(sky.Unit(v), t.n, axis).Transpose().Mul(seen), t.n))
	}
	var l tiltSlope
	level := theta(0, 0)
	for i := range 2 {
		up := float64(sky.Angle(theta(i, float64(tiltPrior)) - level).Signed())
		down := float64(sky.Angle(theta(i, -float64(tiltPrior)) - level).Signed())
		l.slope[i] = (up - down) / (2 * float64(tiltPrior))
		l.curvature[i] = up + down
	}
	return l
}

// remainder is the variance of what the derivatives leave of the change of the
// angle from frame to frame: half the second difference times the square of a
// standard Gaussian, whose mean square is 3, for each of the two tilts, and
// as much again for their product.
func (l tiltSlope) remainder(before tiltSlope) float64 {
	sum := 0.0
	for i := range 2 {
		d := l.curvature[i] - before.curvature[i]
		sum += 2 * 3.0 / 4 * d * d
	}
	return sum
}

// at evaluates the model at the departures z from the present state and the
// frame's attitude r, whose dependence on the tilt is l.
func (t *state) at(z *[jointSize]float64, r sky.Matrix, l tiltSlope) point {
	p := point{
		n:    sky.Moved(t.n, t.bn, z[atAxis], z[atAxis+1]),
		c:    sky.Moved(t.c, t.bc, z[atBody], z[atBody+1]),
		tilt: [2]float64{t.tilt[0] + z[atTilt], t.tilt[1] + z[atTilt+1]},
		was:  sky.Moved(sky.Vec(t.latest.Dir), t.ba, z[atNow], z[atNow+1]),
	}
	p.ref = sky.RotationBetween(t.ref.Apply(p.c), p.n).Mul(t.ref)
	seen := sky.RotationFromVector(sky.Vec{X: z[atFrame], Y: z[atFrame+1], Z: z[atFrame+2]}).Mul(r)
	p.axis = seen.Apply(p.c)
	b := bolts(sky.Vec{Z: 1}, p.n, p.axis)
	p.theta = sky.TurnAbout(b.Transpose().Mul(seen).Mul(p.ref.Transpose()), p.n) +
		sky.Angle(l.slope[0]*p.tilt[0]+l.slope[1]*p.tilt[1])
	return p
}

// Places among the residuals: by how much the frame has the axis elsewhere than
// the frame before had it (2), and the angle about it another than it should be.
const (
	byAxis    = 0
	byTheta   = 2
	residuals = 3
)

// join is the beginning of an update: the state joined with the frame's attitude error, and what the
// model says before any constraint.
func (t *state) join(frame sky.Attitude) (*update, point) {
	prior := mat.NewSymDense(jointSize, nil)
	for i := range stateSize {
		for j := i; j < stateSize; j++ {
			prior.SetSym(i, j, t.cov.At(i, j))
		}
	}
	for i := range 3 {
		for j := i; j < 3; j++ {
			prior.SetSym(atFrame+i, atFrame+j, frame.Cov[i][j])
		}
		prior.SetSym(atFrame+i, atFrame+i, frame.Cov[i][i]+t.extra)
	}
	l := t.tiltSlopeOf(frame.R)
	var still [jointSize]float64
	bare := t.at(&still, frame.R, l)
	u := &update{state: t, r: frame.R, slope: l, prior: prior, base: sky.TangentBasis(bare.axis)}
	u.linearise(&still, bare)
	return u, bare
}

// update is one frame under way: the prior of state and attitude error, and the
// model about it.
type update struct {
	state *state
	r     sky.Matrix
	slope tiltSlope
	prior *mat.SymDense
	base  [2]sky.Vec // at the axis as the frame has it
	// At no departure:
	miss [residuals]float64 // without the step of the angle
	rows *mat.Dense         // derivatives: residuals x jointSize
}

// linearise sets the residuals and their derivatives at no departure, where the model says bare.
func (u *update) linearise(still *[jointSize]float64, bare point) {
	miss := func(q point) [residuals]float64 {
		d := r3.Sub(q.axis, q.was)
		return [residuals]float64{r3.Dot(u.base[0], d), r3.Dot(u.base[1], d), float64((q.theta - bare.theta).Signed())}
	}
	u.miss, u.rows = miss(bare), u.derivatives(still, miss)
	u.miss[byTheta] = float64((bare.theta - u.state.theta).Signed())
	u.rows.Set(byTheta, atTheta, u.rows.At(byTheta, atTheta)-1)
}

// derivatives are those of three numbers of the model about z, residuals x
// jointSize.
func (u *update) derivatives(z *[jointSize]float64, of func(point) [residuals]float64) *mat.Dense {
	rows := mat.NewDense(residuals, jointSize, nil)
	fd.Jacobian(rows, func(dst, x []float64) {
		values := of(u.state.at((*[jointSize]float64)(x), u.r, u.slope))
		copy(dst, values[:])
	}, z[:], &fd.JacobianSettings{Formula: fd.Central, Step: diffStep})
	return rows
}

// outcomes are what follows from each hypothesis, with weights that sum to 1.
func (u *update) outcomes(all []hypothesis) []outcome {
	const negligible = 1e-6 // weight against the likeliest; such a guess moves no digit that is shown
	guesses, logs := make([]outcome, len(all)), make([]float64, len(all))
	top := math.Inf(-1)
	for i, h := range all {
		z, cov, likelihood := u.condition(h.constraint)
		guesses[i] = outcome{drive: h.drive, size: h.size, z: z, cov: cov}
		logs[i] = math.Log(h.weight) + likelihood
		top = max(top, logs[i])
	}
	var out []outcome
	sum := 0.0
	for i, g := range guesses {
		if g.weight = math.Exp(logs[i] - top); g.weight < negligible {
			continue
		}
		out = append(out, g)
		sum += g.weight
	}
	for i := range out {
		out[i].weight /= sum
	}
	return out
}

// condition takes a constraint for true: mean and covariance of what is then known,
// and the logarithm of the constraint's likelihood.
func (u *update) condition(c constraint) (z [jointSize]float64, cov *mat.SymDense, likelihood float64) {
	k := len(c.rows)
	if k == 0 {
		return z, u.prior, 0
	}
	rows := mat.NewDense(k, jointSize, nil)
	miss := mat.NewVecDense(k, nil) // at the prior mean
	for i, r := range c.rows {
		rows.SetRow(i, u.rows.RawRowView(r))
		m := u.miss[r]
		if r == byTheta {
			m = float64(sky.Angle(m - float64(c.step)).Signed())
		}
		miss.SetVec(i, m)
	}
	var with, gain mat.Dense
	with.Mul(rows, u.prior)
	total := mat.NewSymDense(k, nil)
	for i := range k {
		for j := i; j < k; j++ {
			total.SetSym(i, j, floats.Dot(with.RawRowView(i), rows.RawRowView(j)))
		}
		total.SetSym(i, i, total.At(i, i)+c.variance[i])
	}
	var factor mat.Cholesky
	if !factor.Factorize(total) || factor.SolveTo(&gain, &with) != nil {
		return z, u.prior, math.Inf(-1)
	}
	var scaled mat.VecDense
	if factor.SolveVecTo(&scaled, miss) != nil {
		return z, u.prior, math.Inf(-1)
	}
	likelihood = -(mat.Dot(miss, &scaled) + factor.LogDet() + float64(k)*math.Log(2*math.Pi)) / 2
	cov = mat.NewSymDense(jointSize, nil)
	for i := range jointSize {
		for m := range k {
			z[i] -= gain.At(m, i) * miss.AtVec(m)
		}
		for j := i; j < jointSize; j++ {
			v := u.prior.At(i, j)
			for m := range k {
				v -= gain.At(m, i) * with.At(m, j)
			}
			cov.SetSym(i, j, v)
		}
	}
	return z, cov, likelihood
}

// slopes are the derivatives of where the frame has the axis (2 rows, in the
// plane that touches the sky there) and of the angle about it.
func (u *update) slopes(z *[jointSize]float64) *mat.Dense {
	p := u.state.at(z, u.r, u.slope)
	return u.derivatives(z, func(q point) [residuals]float64 {
		d := r3.Sub(q.axis, p.axis)
		return [residuals]float64{r3.Dot(u.base[0], d), r3.Dot(u.base[1], d), float64((q.theta - p.theta).Signed())}
	})
}

// merge replaces the state by the mixture of the guesses, mean and covariance
// matched.
func (t *state) merge(guesses []outcome, u *update, bare point) {
	outcomes := make([][stateSize]float64, len(guesses))
	var mean [stateSize]float64
	state := mat.NewSymDense(stateSize, nil)
	for k, g := range guesses {
		p := t.at(&g.z, u.r, u.slope)
		o := &outcomes[k]
		copy(o[:], g.z[:stateSize])
		o[atTheta] = float64((p.theta - bare.theta).Signed())
		d := r3.Sub(p.axis, bare.axis)
		o[atNow], o[atNow+1] = r3.Dot(u.base[0], d), r3.Dot(u.base[1], d)

		// How the new state depends on the joint vector: angle and axis are those
		// of the new frame, all else stays.
		slopes := u.slopes(&g.z)
		var rows [stateSize]*mat.VecDense
		for i := range stateSize {
			rows[i] = mat.NewVecDense(jointSize, nil)
			rows[i].SetVec(i, 1)
		}
		for i, at := range [residuals]int{byAxis: atNow, byAxis + 1: atNow + 1, byTheta: atTheta} {
			rows[at] = mat.NewVecDense(jointSize, slopes.RawRowView(i))
		}
		for i := range stateSize {
			for j := i; j < stateSize; j++ {
				state.SetSym(i, j, state.At(i, j)+g.weight*mat.Inner(rows[i], g.cov, rows[j]))
			}
			mean[i] += g.weight * o[i]
		}
	}
	for k, g := range guesses {
		for i := range stateSize {
			for j := i; j < stateSize; j++ {
				state.SetSym(i, j, state.At(i, j)+g.weight*(outcomes[k][i]-mean[i])*(outcomes[k][j]-mean[j]))
			}
		}
	}
	now := sky.Moved(bare.axis, u.base, mean[atNow], mean[atNow+1])
	var z [jointSize]float64
	copy(z[:], mean[:])
	z[atNow], z[atNow+1] = 0, 0 // there they count from the frame before
	p := t.at(&z, u.r, u.slope)
	t.theta = (bare.theta + sky.Angle(mean[atTheta])).Signed()
	t.n, t.c, t.ref, t.tilt = p.n, p.c, p.ref, p.tilt
	t.bn, t.bc, t.ba = transported(t.bn, t.n), transported(t.bc, t.c), transported(u.base, now)
	t.cov = state
	t.latest = axis.Axis{Dir: sky.Local(now)}
	for i := range 2 {
		for j := range 2 {
			t.latest.Cov[i][j] = state.At(atNow+i, atNow+j)
		}
	}
}

// transported is the basis moved along to a nearby direction.
func transported(b [2]sky.Vec, d sky.Vec) [2]sky.Vec {
	first := sky.Unit(r3.Sub(b[0], r3.Scale(r3.Dot(b[0], d), d)))
	return [2]sky.Vec{first, r3.Cross(first, d)}
}
