package index

import (
	"math"

	"polard/mountmodel/sky"
)

// Vec32 is a unit vector in single precision: good to 0.01 arcsec, which
// serves the search; the camera fit goes back to the catalogue.
type Vec32 struct{ x, y, z float32 }

// Sub is a - b.
func (a Vec32) Sub(b Vec32) Vec32 { return Vec32{a.x - b.x, a.y - b.y, a.z - b.z} }

// Dot is the scalar product.
func (a Vec32) Dot(b Vec32) float32 { return a.x*b.x + a.y*b.y + a.z*b.z }

func (a Vec32) cross(b Vec32) Vec32 {
	return Vec32{a.y*b.z - a.z*b.y, a.z*b.x - a.x*b.z, a.x*b.y - a.y*b.x}
}

func (a Vec32) scale(f float32) Vec32 { return Vec32{a.x * f, a.y * f, a.z * f} }

// Vec is the direction in double precision.
func (a Vec32) Vec() sky.Vec { return sky.Vec{X: float64(a.x), Y: float64(a.y), Z: float64(a.z)} }

// VecOf is a direction in single precision.
func VecOf(d sky.ICRS) Vec32 { return Vec32{float32(d.X), float32(d.Y), float32(d.Z)} }

// Tangent gives unit vectors square to the direction at: along the side d, and
// to the left of it as seen from outside the sphere.
func Tangent(at, d Vec32) (e1, e2 Vec32) {
	e1 = d.Sub(at.scale(d.Dot(at)))
	e1 = e1.scale(1 / sqrt32(e1.Dot(e1)))
	return e1, at.cross(e1)
}

// octahedral is a direction in the octahedral map: the sphere projected from its centre onto
// an octahedron, whose lower half is folded out over the square's corners (Cigolle et al.
// 2014, A Survey of Efficient Representations for Independent Unit Vectors, JCGT 3(2), 1).
// It is two thirds of a vector's size and good to 0.06 arcsec, a tenth of the smallest pixel.
type octahedral struct{ p, q float32 }

func octahedralOf(v Vec32) octahedral {
	k := 1 / (abs32(v.x) + abs32(v.y) + abs32(v.z))
	p, q := v.x*k, v.y*k
	if v.z < 0 {
		p, q = foldOctant(p, q)
	}
	return octahedral{p, q}
}

func (o octahedral) vec() Vec32 {
	r := o.ray()
	return r.scale(1 / sqrt32(r.Dot(r)))
}

// ray is the direction as a vector of any length.
func (o octahedral) ray() Vec32 {
	x, y, z := o.p, o.q, 1-abs32(o.p)-abs32(o.q)
	if z < 0 {
		x, y = foldOctant(x, y)
	}
	return Vec32{x, y, z}
}

// foldOctant mirrors a place in a triangle of the square at the edge of the inner
// square; twice, it is nothing.
func foldOctant(p, q float32) (float32, float32) {
	return withSign(1-abs32(q), p), withSign(1-abs32(p), q)
}

func abs32(x float32) float32 { return math.Float32frombits(math.Float32bits(x) &^ (1 << 31)) }

func sqrt32(x float32) float32 { return float32(math.Sqrt(float64(x))) }

func withSign(x, sign float32) float32 {
	return math.Float32frombits(math.Float32bits(x)&^(1<<31) | math.Float32bits(sign)&(1<<31))
}
