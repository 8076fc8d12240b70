package sky

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Matrix is a 3 by 3 matrix by value, row first. As a rotation it acts on
// column vectors: w = M v.
type Matrix [3][3]float64

// Identity leaves vectors as they are.
var Identity = Matrix{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}

// Mul is the matrix product m n: first n acts, then m.
func (m Matrix) Mul(n Matrix) Matrix {
	var p Matrix
	for i := range 3 {
		for j := range 3 {
			p[i][j] = m[i][0]*n[0][j] + m[i][1]*n[1][j] + m[i][2]*n[2][j]
		}
	}
	return p
}

// Transpose is the inverse of an orthogonal matrix.
func (m Matrix) Transpose() Matrix {
	return Matrix{
		{m[0][0], m[1][0], m[2][0]},
		{m[0][1], m[1][1], m[2][1]},
		{m[0][2], m[1][2], m[2][2]},
	}
}

// Apply is M v.
func (m Matrix) Apply(v Vec) Vec {
	return Vec{
		X: m[0][0]*v.X + m[0][1]*v.Y + m[0][2]*v.Z,
		Y: m[1][0]*v.X + m[1][1]*v.Y + m[1][2]*v.Z,
		Z: m[2][0]*v.X + m[2][1]*v.Y + m[2][2]*v.Z,
	}
}

// Det is the determinant.
func (m Matrix) Det() float64 {
	return m[0][0]*(m[1][1]*m[2][2]-m[1][2]*m[2][1]) -
		m[0][1]*(m[1][0]*m[2][2]-m[1][2]*m[2][0]) +
		m[0][2]*(m[1][0]*m[2][1]-m[1][1]*m[2][0])
}

// Column is column j as a vector: where the j-th unit vector goes.
func (m Matrix) Column(j int) Vec { return Vec{X: m[0][j], Y: m[1][j], Z: m[2][j]} }

// FromColumns is the matrix that sends the unit vectors to a, b and c.
func FromColumns(a, b, c Vec) Matrix {
	return Matrix{{a.X, b.X, c.X}, {a.Y, b.Y, c.Y}, {a.Z, b.Z, c.Z}}
}

// Rotation turns vectors by angle about axis (any length but zero), right
// hand: Rodrigues' formula.
func Rotation(axis Vec, angle Angle) Matrix {
	k := Unit(axis)
	s, c := angle.Sin(), angle.Cos()
	// 1-cos from the half angle keeps small turns exact.
	h := math.Sin(float64(angle) / 2)
	t := 2 * h * h
	return Matrix{
		{c + t*k.X*k.X, t*k.X*k.Y - s*k.Z, t*k.X*k.Z + s*k.Y},
		{t*k.X*k.Y + s*k.Z, c + t*k.Y*k.Y, t*k.Y*k.Z - s*k.X},
		{t*k.X*k.Z - s*k.Y, t*k.Y*k.Z + s*k.X, c + t*k.Z*k.Z},
	}
}

// RotationFromVector turns about v by |v| radians.
func RotationFromVector(v Vec) Matrix {
	n := r3.Norm(v)
	if n == 0 {
		return Identity
	}
	return Rotation(v, Angle(n))
}

// RotationBetween is the smallest rotation that takes the direction a to b; none where they are opposite, for no
// one way is the smallest.
func RotationBetween(a, b Vec) Matrix {
	k := r3.Cross(a, b)
	s := r3.Norm(k)
	if s == 0 {
		return Identity
	}
	return RotationFromVector(r3.Scale(math.Atan2(s, r3.Dot(a, b))/s, k))
}

// VectorFromRotation is the inverse of [RotationFromVector] for a proper
// rotation: the axis times the angle in radians, angle in [0, pi]. It goes by
// way of the unit quaternion, whose largest component is found first
// (Shepperd 1978, J. Guidance and Control 1, 223), so it holds near 0 and
// near 180 degrees alike.
func VectorFromRotation(m Matrix) Vec {
	tr := m[0][0] + m[1][1] + m[2][2]
	var w, x, y, z float64
	switch {
	case tr >= m[0][0] && tr >= m[1][1] && tr >= m[2][2]:
		w = 1 + tr
		x, y, z = m[2][1]-m[1][2], m[0][2]-m[2][0], m[1][0]-m[0][1]
	case m[0][0] >= m[1][1] && m[0][0] >= m[2][2]:
		w = m[2][1] - m[1][2]
		x, y, z = 1+2*m[0][0]-tr, m[0][1]+m[1][0], m[0][2]+m[2][0]
	case m[1][1] >= m[2][2]:
		w = m[0][2] - m[2][0]
		x, y, z = m[0][1]+m[1][0], 1+2*m[1][1]-tr, m[1][2]+m[2][1]
	default:
		w = m[1][0] - m[0][1]
		x, y, z = m[0][2]+m[2][0], m[1][2]+m[2][1], 1+2*m[2][2]-tr
	}
	if w < 0 {
		w, x, y, z = -w, -x, -y, -z
	}
	s := math.Sqrt(x*x + y*y + z*z)
	if s == 0 {
		return Vec{}
	}
	f := 2 * math.Atan2(s, w) / s
	return Vec{X: f * x, Y: f * y, Z: f * z}
}
