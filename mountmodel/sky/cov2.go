package sky

// Cov2 is a symmetric 2 by 2 matrix, such as the covariance of two numbers or its inverse.
type Cov2 [2][2]float64

// Diagonal is the matrix with a value twice on its diagonal.
func Diagonal(v float64) Cov2 { return Cov2{{v, 0}, {0, v}} }

// Outer is the matrix d d^T.
func Outer(d [2]float64) Cov2 {
	return Cov2{{d[0] * d[0], d[0] * d[1]}, {d[1] * d[0], d[1] * d[1]}}
}

// Plus is c and so many times another matrix.
func (c Cov2) Plus(times float64, other Cov2) Cov2 {
	for i := range 2 {
		for j := range 2 {
			c[i][j] += times * other[i][j]
		}
	}
	return c
}

// Apply is c d.
func (c Cov2) Apply(d [2]float64) [2]float64 {
	return [2]float64{c[0][0]*d[0] + c[0][1]*d[1], c[1][0]*d[0] + c[1][1]*d[1]}
}

// Form is d^T c d: of a covariance the variance along a unit vector d, of its inverse the squared length of d in
// standard deviations.
func (c Cov2) Form(d [2]float64) float64 {
	a := c.Apply(d)
	return d[0]*a[0] + d[1]*a[1]
}

// Det is the determinant.
func (c Cov2) Det() float64 { return c[0][0]*c[1][1] - c[0][1]*c[1][0] }

// Inverse is not ok where c is not positive definite.
func (c Cov2) Inverse() (inverse Cov2, ok bool) {
	d := c.Det()
	if !(d > 0) || !(c[0][0] > 0) {
		return c, false
	}
	return Cov2{{c[1][1] / d, -c[0][1] / d}, {-c[1][0] / d, c[0][0] / d}}, true
}
