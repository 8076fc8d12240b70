package adjust

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"polard/mountmodel/sky"
)

// bolts is the rotation by which the two bolts take the axis from one place
// to another: about the hinge, which is level with the azimuth bolt's line up
// and square to the axis, then about that line. Of the two ways the one with
// the smaller turn about up is taken, so that an axis that passes over the top
// does so by its hinge.
func bolts(up, from, to sky.Vec) sky.Matrix {
	level := r3.Cross(from, up)
	if r3.Norm(level) == 0 {
		return sky.RotationBetween(from, to)
	}
	hinge := sky.Unit(level) // a right-handed turn about it raises the axis
	toward := r3.Cross(up, hinge)
	height := func(v sky.Vec) (alt, az sky.Angle) {
		x, y := r3.Dot(v, toward), r3.Dot(v, hinge)
		return sky.Atan2(r3.Dot(v, up), math.Hypot(x, y)), sky.Atan2(-y, x)
	}
	alt0, _ := height(from)
	alt, az := height(to)
	if az.Abs() > sky.Turn/4 {
		az, alt = (az + sky.Turn/2).Signed(), sky.Turn/2-alt
	}
	return sky.Rotation(up, az).Mul(sky.Rotation(hinge, alt-alt0))
}
