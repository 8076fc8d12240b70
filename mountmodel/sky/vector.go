package sky

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Vec is a vector without a frame, for arithmetic between conversions.
type Vec = r3.Vec

// ICRS is a direction in the International Celestial Reference System: unit
// vector, X towards right ascension 0, Z towards declination +90 degrees.
type ICRS Vec

// Local is a direction at the site: unit vector, X east, Y north, Z up.
type Local Vec

// Camera is a direction in the camera's own frame: unit vector, X along
// columns, Y along rows, Z out along the boresight.
type Camera Vec

// Pixel is a place in an image: column X, row Y, from 0 at the centre of the
// first pixel in the file.
type Pixel struct{ X, Y float64 }

type direction interface {
	~struct{ X, Y, Z float64 }
}

// Separation is the angle between two directions of one frame, accurate at
// every size: atan2(|a x b|, a.b).
func Separation[D direction](a, b D) Angle {
	u, v := Vec(a), Vec(b)
	return Atan2(r3.Norm(r3.Cross(u, v)), r3.Dot(u, v))
}

// smallestInvertible is the length below which 1/length may overflow: the
// largest double is below 2^1024. Its own inverse is exact.
const smallestInvertible = 0x1p-1000

// Unit scales a vector to length 1. The zero vector stays zero.
func Unit[D direction](d D) D {
	v := Vec(d)
	n := r3.Norm(v)
	if n == 0 {
		return d
	}
	if n < smallestInvertible {
		v = r3.Scale(1/smallestInvertible, v)
		n = r3.Norm(v)
	}
	return D(r3.Scale(1/n, v))
}

// ICRSFromRADec is the direction of right ascension ra and declination dec.
func ICRSFromRADec(ra, dec Angle) ICRS {
	return ICRS(fromSpherical(ra, dec))
}

// RADecFromICRS gives right ascension in [0, 360) degrees and declination.
func RADecFromICRS(d ICRS) (ra, dec Angle) {
	lon, lat := spherical(Vec(d))
	return lon.Positive(), lat
}

// LocalFromAltAz is the direction of altitude alt and azimuth az (from north
// through east).
func LocalFromAltAz(alt, az Angle) Local {
	return Local{X: alt.Cos() * az.Sin(), Y: alt.Cos() * az.Cos(), Z: alt.Sin()}
}

// AltAzFromLocal gives altitude and azimuth in [0, 360) degrees.
func AltAzFromLocal(d Local) (alt, az Angle) {
	return Atan2(d.Z, math.Hypot(d.X, d.Y)), Atan2(d.X, d.Y).Positive()
}

func fromSpherical(lon, lat Angle) Vec {
	return Vec{X: lat.Cos() * lon.Cos(), Y: lat.Cos() * lon.Sin(), Z: lat.Sin()}
}

func spherical(v Vec) (lon, lat Angle) {
	return Atan2(v.Y, v.X), Atan2(v.Z, math.Hypot(v.X, v.Y))
}
