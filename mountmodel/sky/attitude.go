package sky

import (
	"errors"

	"gonum.org/v1/gonum/mat"
)

// Attitude is how a camera stands in another frame (ICRS or local): R sends
// camera directions to that frame. Cov is the covariance, in square radians,
// of the small rotation vector e that separates the true attitude from R:
// true = RotationFromVector(e) R, with e in the other frame's axes.
type Attitude struct {
	R   Matrix
	Cov Matrix
}

// ErrRank means that the directions do not fix an attitude: fewer than two,
// or all of them along one line.
var ErrRank = errors.New("directions do not fix an attitude")

// minSecondSingular is the smallest second singular value, relative to the
// first, at which the directions still fix the turn about their mean: stars
// within about 2 arcseconds of each other give 1e-10, a field of 0.1 degree
// gives 1e-6.
const minSecondSingular = 1e-11

// Wahba finds the orthogonal matrix R of the given determinant (+1 or -1)
// that minimises sum w |b - R a|^2, by singular value decomposition (Markley
// 1988, J. Astronautical Sciences 36, 245, eqs. 5 to 18). The three slices
// have one length.
func Wahba(a, b []Vec, w []float64, det float64) (Matrix, error) {
	if len(a) < 2 || len(b) != len(a) || len(w) != len(a) {
		return Matrix{}, ErrRank
	}
	var p Matrix
	for i := range a {
		u, v := a[i], b[i]
		for r, vr := range [3]float64{v.X, v.Y, v.Z} {
			p[r][0] += w[i] * vr * u.X
			p[r][1] += w[i] * vr * u.Y
			p[r][2] += w[i] * vr * u.Z
		}
	}
	var svd mat.SVD
	if !svd.Factorize(mat.NewDense(3, 3, []float64{
		p[0][0], p[0][1], p[0][2],
		p[1][0], p[1][1], p[1][2],
		p[2][0], p[2][1], p[2][2],
	}), mat.SVDFull) {
		return Matrix{}, ErrRank
	}
	s := svd.Values(nil)
	if !(s[1] > minSecondSingular*s[0]) {
		return Matrix{}, ErrRank
	}
	var ud, vd mat.Dense
	svd.UTo(&ud)
	svd.VTo(&vd)
	u, v := fromDense(&ud), fromDense(&vd)
	d := det * u.Det() * v.Det()
	if d > 0 {
		d = 1
	} else {
		d = -1
	}
	return u.Mul(Matrix{{1, 0, 0}, {0, 1, 0}, {0, 0, d}}).Mul(v.Transpose()), nil
}

func fromDense(d *mat.Dense) Matrix {
	var m Matrix
	for i := range 3 {
		for j := range 3 {
			m[i][j] = d.At(i, j)
		}
	}
	return m
}
