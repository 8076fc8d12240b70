package mountmodel

import (
	"gonum.org/v1/gonum/spatial/r3"

	"polard/mountmodel/sky"
)

// tangents are the unit vectors across (growing azimuth) and up (growing
// altitude) at a direction.
func tangents(d sky.Local) (across, up sky.Vec) {
	_, az := sky.AltAzFromLocal(d)
	across = sky.Vec{X: az.Cos(), Y: -az.Sin()}
	return across, r3.Cross(across, sky.Vec(d))
}

// turnAbout is the angle of the turn about n that comes nearest to the
// rotation q: it maximises the trace of Rotation(n, t)^T q.
func turnAbout(q sky.Matrix, n sky.Vec) sky.Angle {
	axial := sky.Vec{X: q[2][1] - q[1][2], Y: q[0][2] - q[2][0], Z: q[1][0] - q[0][1]}
	return sky.Atan2(r3.Dot(n, axial), q[0][0]+q[1][1]+q[2][2]-r3.Dot(n, q.Apply(n)))
}

// crossBasis are two unit vectors square to d and to each other.
func crossBasis(d sky.Vec) [2]sky.Vec {
	across, up := tangents(sky.Local(d))
	return [2]sky.Vec{across, up}
}

// invert2 inverts a symmetric 2 by 2 matrix.
func invert2(s [2][2]float64) ([2][2]float64, bool) {
	d := s[0][0]*s[1][1] - s[0][1]*s[1][0]
	if !(d > 0) || !(s[0][0] > 0) {
		return s, false
	}
	return [2][2]float64{{s[1][1] / d, -s[0][1] / d}, {-s[1][0] / d, s[0][0] / d}}, true
}

// moved is the unit vector d after a step in its tangent plane.
func moved(d sky.Vec, b [2]sky.Vec, p, q float64) sky.Vec {
	return sky.Unit(r3.Add(d, r3.Add(r3.Scale(p, b[0]), r3.Scale(q, b[1]))))
}
