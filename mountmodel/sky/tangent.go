package sky

import (
	"gonum.org/v1/gonum/spatial/r3"
)

// Tangents are the unit vectors across (growing azimuth) and up (growing
// altitude) at a direction.
func Tangents(d Local) (across, up Vec) {
	_, az := AltAzFromLocal(d)
	across = Vec{X: az.Cos(), Y: -az.Sin()}
	return across, r3.Cross(across, Vec(d))
}

// TurnAbout is the angle of the turn about n that comes nearest to the
// rotation q: it maximises the trace of Rotation(n, t)^T q.
func TurnAbout(q Matrix, n Vec) Angle {
	axial := Vec{X: q[2][1] - q[1][2], Y: q[0][2] - q[2][0], Z: q[1][0] - q[0][1]}
	return Atan2(r3.Dot(n, axial), q[0][0]+q[1][1]+q[2][2]-r3.Dot(n, q.Apply(n)))
}

// TangentBasis are two unit vectors square to d and to each other.
func TangentBasis(d Vec) [2]Vec {
	across, up := Tangents(Local(d))
	return [2]Vec{across, up}
}

// Moved is the unit vector d after a step in its tangent plane.
func Moved(d Vec, b [2]Vec, p, q float64) Vec {
	return Unit(r3.Add(d, r3.Add(r3.Scale(p, b[0]), r3.Scale(q, b[1]))))
}
