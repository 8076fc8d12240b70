package nights

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"polard/mountmodel/axis"
	"polard/mountmodel/sky"
)

// The oracle: the same model without unknowns for flexure, wandering and drift,
// as one large covariance of all the numbers, with the kernels as the
// documentation writes them.
func TestWatchAgainstDenseCovariance(t *testing.T) {
	for seed := range 4 {
		rng := rand.New(rand.NewPCG(uint64(seed), 8))
		m := newNight(rng, 5*sky.Arcminute)
		m.bend(20 * sky.Arcsecond)
		m.expose(0, 1.5, 20*sky.Degree, 10*sky.Degree, true, 15*time.Minute)
		m.expose(2, 4, -50*sky.Degree, 40*sky.Degree, false, 15*time.Minute)
		w := &finder{frames: m.frames, pole: m.pole(), guiding: Unguided}
		if err := w.split(); err != nil {
			t.Fatal(err)
		}
		at := m.frames[len(m.frames)-1].Mid
		all, err := w.answers(at)
		if err != nil {
			t.Fatal(err)
		}
		dense := func(a answer) (x [2]float64, cov [2][2]float64, evidence float64) {
			jitter, wander, flexure := float64(jitterSizes[a.jitter]), float64(wanderSizes[a.wander]), float64(flexureSizes[a.flexure])
			bn := sky.TangentBasis(w.n)
			rows := mat.NewDense(2, 3, []float64{bn[0].X, bn[0].Y, bn[0].Z, bn[1].X, bn[1].Y, bn[1].Z})
			dense3 := func(q sky.Matrix) *mat.Dense {
				return mat.NewDense(3, 3, []float64{q[0][0], q[0][1], q[0][2], q[1][0], q[1][1], q[1][2], q[2][0], q[2][1], q[2][2]})
			}
			type part struct {
				stretch int
				g       *mat.Dense // answer to a motion of c
				tube    *mat.Dense // answer to a turn of the camera
				body    sky.Angle  // direction of the tube about the axis
				weight  sky.Vec
				zenith  sky.Angle
				hours   float64
				angle   sky.Angle
			}
			var parts []part
			var y []float64
			for k, s := range w.stretches {
				bc := sky.TangentBasis(w.c[k])
				for i := s.First; i <= s.Last; i++ {
					f := w.frames[i]
					p := part{stretch: k, weight: f.R.Transpose().Apply(sky.Vec{Z: 1}), hours: f.Mid.Sub(at).Hours()}
					var er mat.Dense
					er.Mul(rows, dense3(f.R))
					p.g, p.tube = new(mat.Dense), new(mat.Dense)
					p.g.Mul(&er, mat.NewDense(3, 2, []float64{bc[0].X, bc[1].X, bc[0].Y, bc[1].Y, bc[0].Z, bc[1].Z}))
					c := w.c[k]
					p.tube.Mul(&er, mat.NewDense(3, 3, []float64{0, c.Z, -c.Y, -c.Z, 0, c.X, c.Y, -c.X, 0})) // e x c
					tube := f.R.Column(2)
					p.body = sky.Atan2(r3.Dot(tube, bn[1]), r3.Dot(tube, bn[0]))
					p.zenith = sky.Atan2(bn[1].Z, bn[0].Z) - p.body
					p.angle = sky.TurnAbout(f.R.Mul(w.frames[s.First].R.Transpose()), w.n)
					parts = append(parts, p)
					seen := f.R.Apply(c)
					y = append(y, r3.Dot(bn[0], seen), r3.Dot(bn[1], seen))
				}
			}
			n := len(parts)
			v := mat.NewSymDense(2*n, nil)
			level := math.Hypot(bn[0].Z, bn[1].Z)
			for i, p := range parts {
				for j := i; j < n; j++ {
					q := parts[j]
					var block mat.Dense
					block.Mul(p.tube, q.tube.T())
					block.Scale(flexure*flexure*r3.Dot(p.weight, q.weight), &block)
					bend := flexure * flexure * level * level * (p.zenith - q.zenith).Cos()
					turn := p.body - q.body
					block.Add(&block, mat.NewDense(2, 2, []float64{bend * turn.Cos(), -bend * turn.Sin(), bend * turn.Sin(), bend * turn.Cos()}))
					if p.stretch == q.stretch {
						var gg mat.Dense
						gg.Mul(p.g, q.g.T())
						gg.Scale(wander*wander*wandering(p.angle-q.angle), &gg)
						block.Add(&block, &gg)
					}
					if a.drift {
						d := float64(axis.DriftPrior*axis.DriftPrior) * p.hours * q.hours
						block.Add(&block, mat.NewDense(2, 2, []float64{d, 0, 0, d}))
					}
					if i == j {
						s := axis.Across(w.frames[w.stretches[p.stretch].First+i-w.offset(p.stretch)].Cov, w.n, bn, jitter*jitter)
						block.Add(&block, mat.NewDense(2, 2, []float64{s[0][0], s[0][1], s[1][0], s[1][1]}))
					}
					for r := range 2 {
						for c := range 2 {
							if 2*i+r <= 2*j+c {
								v.SetSym(2*i+r, 2*j+c, block.At(r, c))
							}
						}
					}
				}
			}
			design := mat.NewDense(2*n, 2+2*len(w.stretches), nil)
			for i, p := range parts {
				for r := range 2 {
					design.Set(2*i+r, r, 1)
					for c := range 2 {
						design.Set(2*i+r, 2+2*p.stretch+c, p.g.At(r, c))
					}
				}
			}
			var cv, ci mat.Cholesky
			if !cv.Factorize(v) {
				t.Fatal("the covariance is not positive")
			}
			var vx mat.Dense
			var vy, xy, best mat.VecDense
			yy := mat.NewVecDense(2*n, y)
			if cv.SolveTo(&vx, design) != nil || cv.SolveVecTo(&vy, yy) != nil {
				t.Fatal("singular")
			}
			var info mat.Dense
			info.Mul(design.T(), &vx)
			sym := mat.NewSymDense(2+2*len(w.stretches), nil)
			for i := range 2 + 2*len(w.stretches) {
				for j := i; j < 2+2*len(w.stretches); j++ {
					sym.SetSym(i, j, info.At(i, j))
				}
			}
			xy.MulVec(vx.T(), yy)
			if !ci.Factorize(sym) || ci.SolveVecTo(&best, &xy) != nil {
				t.Fatal("singular")
			}
			var inv mat.SymDense
			if ci.InverseTo(&inv) != nil {
				t.Fatal("singular")
			}
			evidence = -(cv.LogDet() + ci.LogDet() + mat.Dot(yy, &vy) - mat.Dot(&xy, &best)) / 2
			return [2]float64{best.AtVec(0), best.AtVec(1)}, [2][2]float64{{inv.At(0, 0), inv.At(0, 1)}, {inv.At(1, 0), inv.At(1, 1)}}, evidence
		}
		constant := math.NaN()
		chances := [3][]float64{prior(jitterSizes, rigidPrior), prior(wanderSizes, rigidPrior), prior(flexureSizes, rigidPrior)}
		for k, a := range all {
			if k%7 != 0 {
				continue
			}
			x, cov, evidence := dense(a)
			ours := a.evidence - math.Log(chances[0][a.jitter]*chances[1][a.wander]*chances[2][a.flexure])
			if a.drift {
				ours -= math.Log(driftPrior)
			} else {
				ours -= math.Log(1 - driftPrior)
			}
			if math.IsNaN(constant) {
				constant = ours - evidence
			}
			// Rounding: the determinants of numbers that differ by 1e14.
			if d := ours - evidence - constant; math.Abs(d) > 1e-4 {
				t.Errorf("seed %d, sizes %d %d %d, drift %v: logarithm of evidence differs by %g", seed, a.jitter, a.wander, a.flexure, a.drift, d)
			}
			for i := range 2 {
				sigma := math.Sqrt(cov[i][i])
				if math.Abs(a.x[i]-x[i]) > 1e-4*sigma || math.Abs(a.cov[i][i]/cov[i][i]-1) > 1e-4 {
					t.Errorf("seed %d, sizes %d %d %d, drift %v: axis %g +- %g, want %g +- %g", seed, a.jitter, a.wander, a.flexure, a.drift, a.x[i], math.Sqrt(a.cov[i][i]), x[i], sigma)
				}
			}
		}
	}
}

// offset is how many frames of stretches come before the k-th.
func (w *finder) offset(k int) int {
	sum := 0
	for _, s := range w.stretches[:k] {
		sum += s.Last - s.First + 1
	}
	return sum
}
