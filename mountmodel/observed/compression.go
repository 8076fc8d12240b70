package observed

import (
	"math"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/mat"
)

// Compression is by how much the image of a frame is wider along one direction than across it,
// beyond what refraction makes of it at the place given: a displacement of
// Q[0] (x, -y) + Q[1] (y, x) at the camera's tangents x, y.
type Compression struct {
	Q   [2]float64
	Cov sky.Cov2
}

const (
	// compressionStars is how many stars it takes.
	compressionStars = 12
	// compressionOutlier is a residual, in parts of the median one, of a star that is left out.
	compressionOutlier = 5
	// compressionFloor is the compression that lenses and detectors make from frame to frame: common
	// practice, a hundredth of a pixel in a thousand.
	compressionFloor = 1e-5
)

// compression is that of a frame with an attitude; false when its stars are too few. Weighted
// least squares with shift, turn, scale and a third-order radial term free; the covariance is
// scaled by the residuals.
func compression(seen []Star, r sky.Matrix) (Compression, bool) {
	type sample struct{ x, y, ex, ey, w float64 }
	var samples []sample
	var sizes []float64
	back := r.Transpose()
	for _, p := range seen {
		m := back.Apply(p.Local)
		if m.Z < 0.5 || p.Camera.Z < 0.5 {
			continue
		}
		x, y := m.X/m.Z, m.Y/m.Z
		s := sample{x, y, p.Camera.X/p.Camera.Z - x, p.Camera.Y/p.Camera.Z - y, 1 / (p.Sigma * p.Sigma)}
		samples = append(samples, s)
		sizes = append(sizes, (s.ex*s.ex+s.ey*s.ey)*s.w)
	}
	if len(samples) < compressionStars {
		return Compression{}, false
	}
	most := compressionOutlier * compressionOutlier * median(sizes)
	const unknowns = 7
	n, g := mat.NewSymDense(unknowns, nil), mat.NewVecDense(unknowns, nil)
	rows, sum := 0, 0.0
	for i, s := range samples {
		if sizes[i] > most {
			continue
		}
		rr := s.x*s.x + s.y*s.y
		for _, row := range [2]struct {
			a [unknowns]float64
			e float64
		}{
			{[unknowns]float64{s.x, s.y, 1, 0, -s.y, s.x, s.x * rr}, s.ex},
			{[unknowns]float64{-s.y, s.x, 0, 1, s.x, s.y, s.y * rr}, s.ey},
		} {
			n.SymRankOne(n, s.w, mat.NewVecDense(unknowns, row.a[:]))
			for k, a := range row.a {
				g.SetVec(k, g.AtVec(k)+s.w*a*row.e)
			}
			rows, sum = rows+1, sum+s.w*row.e*row.e
		}
	}
	var chol mat.Cholesky
	if rows <= 2*unknowns || !chol.Factorize(n) {
		return Compression{}, false
	}
	var u mat.VecDense
	var inv mat.SymDense
	if chol.SolveVecTo(&u, g) != nil || chol.InverseTo(&inv) != nil {
		return Compression{}, false
	}
	noise := math.Max(1, (sum-mat.Dot(&u, g))/float64(rows-unknowns))
	out := Compression{Q: [2]float64{u.AtVec(0), u.AtVec(1)}}
	for i := range 2 {
		for j := range 2 {
			out.Cov[i][j] = noise * inv.At(i, j)
		}
		out.Cov[i][i] += compressionFloor * compressionFloor
	}
	return out, true
}

// CompressionAt is what refraction makes at a camera's attitude, the zenith standing in a
// direction of the local frame; false below the horizon.
//
// Refraction lifts by R(z) at zenith distance z. It shrinks what is upright by 1 - R'(z) and what
// is level by 1 - R cot z (Smart, Textbook on Spherical Astronomy, on refraction; from memory).
func (r Refraction) CompressionAt(camera sky.Matrix, zenith sky.Vec) (q [2]float64, up bool) {
	z := camera.Transpose().Apply(zenith)
	alt := sky.Asin(math.Max(-1, math.Min(1, z.Z)))
	if alt < 0 {
		return q, false
	}
	const step = 0.05 * sky.Degree
	alt = max(alt, 2*sky.Degree)
	slope := float64((r.Lift(alt-step) - r.Lift(alt+step)) / (2 * step))
	a := (slope - float64(r.Lift(alt))*alt.Tan()) / 2
	if h := z.X*z.X + z.Y*z.Y; h > 0 {
		q = [2]float64{-a * (z.X*z.X - z.Y*z.Y) / h, -a * 2 * z.X * z.Y / h}
	}
	return q, true
}
