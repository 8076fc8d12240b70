package psf

import "math"

// Normal are the normal equations of a star's pixels: flux*value + flux*ex*dx + flux*ey*dy + sky.
type Normal struct {
	A [4][4]float64 // the upper half
	B [4]float64
}

// Add takes a pixel of weight w and value d, where the star of unit flux has v with the
// derivatives gx and gy by its place.
func (n *Normal) Add(v, gx, gy, w, d float64) {
	wv, wx, wy := w*v, w*gx, w*gy
	n.A[0][0] += wv * v
	n.A[0][1] += wv * gx
	n.A[0][2] += wv * gy
	n.A[0][3] += wv
	n.A[1][1] += wx * gx
	n.A[1][2] += wx * gy
	n.A[1][3] += wx
	n.A[2][2] += wy * gy
	n.A[2][3] += wy
	n.A[3][3] += w
	n.B[0] += wv * d
	n.B[1] += wx * d
	n.B[2] += wy * d
	n.B[3] += w * d
}

// Invert inverts a symmetric positive matrix of which the upper half is
// given. ok is false when it is singular.
func Invert(a [4][4]float64) (inv [4][4]float64, ok bool) {
	// Scale to a unit diagonal: the parameters have different units.
	var d [4]float64
	for i := range 4 {
		if !(a[i][i] > 0) {
			return inv, false
		}
		d[i] = 1 / math.Sqrt(a[i][i])
	}
	var l [4][4]float64
	for i := range 4 {
		for j := range i + 1 {
			sum := a[j][i] * d[i] * d[j]
			for k := range j {
				sum -= l[i][k] * l[j][k]
			}
			if i == j {
				if sum < LeastPivot {
					return inv, false
				}
				l[i][i] = math.Sqrt(sum)
			} else {
				l[i][j] = sum / l[j][j]
			}
		}
	}
	for col := range 4 {
		var y [4]float64
		for i := range 4 {
			sum := 0.0
			if i == col {
				sum = 1
			}
			for k := range i {
				sum -= l[i][k] * y[k]
			}
			y[i] = sum / l[i][i]
		}
		for i := 3; i >= 0; i-- {
			sum := y[i]
			for k := i + 1; k < 4; k++ {
				sum -= l[k][i] * inv[k][col]
			}
			inv[i][col] = sum / l[i][i]
		}
	}
	for i := range 4 {
		for j := range 4 {
			inv[i][j] *= d[i] * d[j]
		}
	}
	return inv, true
}

// LeastPivot: below it the pixels do not tell the parameters apart.
const LeastPivot = 1e-6
