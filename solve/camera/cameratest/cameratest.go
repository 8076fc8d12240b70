// Package cameratest draws directions and attitudes for the tests of what has to do with cameras. In goes
// a source of random numbers or where a camera looks, out comes how it stands.
package cameratest

import (
	"math"
	"math/rand/v2"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// Direction is a place in the sky, all of it equally likely.
func Direction(rng *rand.Rand) sky.ICRS {
	return sky.ICRSFromRADec(sky.Angle(rng.Float64())*sky.Turn, sky.Asin(2*rng.Float64()-1))
}

// AttitudeTo is the attitude of a camera that looks to z, its columns turned by an angle; its
// determinant is -1 unless mirrored.
func AttitudeTo(z sky.Vec, angle sky.Angle, mirrored bool) sky.Matrix {
	aside := sky.Vec{Z: 1}
	if math.Abs(z.Z) > 0.9 {
		aside = sky.Vec{X: 1}
	}
	x := sky.Unit(r3.Cross(aside, z))
	x = sky.Rotation(z, angle).Apply(x)
	y := r3.Cross(z, x)
	if !mirrored {
		y = r3.Scale(-1, y)
	}
	return sky.FromColumns(x, y, z)
}
