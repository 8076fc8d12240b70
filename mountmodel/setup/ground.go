package setup

import (
	"errors"
	"fmt"
	"math"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// lowAxis is the latitude below which a counterweight shaft hangs along a leg that
// stands towards the pole: it hangs from straight down towards the pole by the latitude,
// and legs lean outwards by 20 to 30 degrees. Common practice.
const lowAxis = 20 * sky.Degree

// ShaftNearLeg tells whether a counterweight shaft, where a mount has one, and a leg towards
// the pole can collide.
func ShaftNearLeg(site sky.Site, mount Mount) bool {
	return mount == German && site.Latitude.Abs() < lowAxis
}

// legAzimuths are the true azimuths of the three legs of a tripod: the first towards the
// pole (common practice: the mount and what it carries lean over that side; the
// maker's manual comes first), or away from it where the shaft would meet it, the
// others a third of a turn from it.
func legAzimuths(site sky.Site, mount Mount) [3]sky.Angle {
	first := sky.Angle(0)
	if site.South() != ShaftNearLeg(site, mount) {
		first = 180 * sky.Degree
	}
	return [3]sky.Angle{first, (first + 120*sky.Degree).Positive(), (first + 240*sky.Degree).Positive()}
}

// LevelNear is how level the base should be. Beyond that turning the azimuth
// bolt by one degree takes the altitude along by more than one arcminute
// (sin 1 degree is 0.0175, so 1.05 arcminutes), which is as much as the tolerance
// that most people work to.
const LevelNear = 1 * sky.Degree

// Coupling is what a base that is not level does to the bolts. It does not
// change where the axis points once that is measured: it makes each bolt move
// the axis a little in the other's direction.
type Coupling struct {
	// AltitudePerAzimuth is the change of the axis's altitude for each unit that
	// the azimuth bolt turns the mount from north through east.
	AltitudePerAzimuth float64
	// AcrossPerAltitude is how far the axis goes sideways on the sky, east
	// positive, for each unit that the altitude bolt raises it.
	AcrossPerAltitude float64
	// ScaleError is how far the latitude scale misleads: the altitude of the axis
	// minus what the scale reads, before anything is measured.
	ScaleError sky.Angle
}

// Limits of boltCoupling. A base that leans more is not a base; within half a
// degree of the Earth's pole the two bolts mean nothing apart from each other.
const (
	mostLean    = 30 * sky.Degree
	poleTooNear = 0.5 * sky.Degree
)

// ErrNoAzimuthBolt is returned where the axis stands upright.
var ErrNoAzimuthBolt = errors.New("this near the Earth's pole the axis stands upright and turning the mount does not move it: level the base with care instead")

// boltCoupling computes the coupling for an axis that points to the true pole, on
// a base whose upright leans by lean towards the true azimuth towards.
//
// The azimuth bolt turns the axis a about the base's upright u, and the altitude
// bolt about the base's hinge, which is perpendicular to u and a. With da/d(azimuth)
// = a x u and da/d(altitude) = u - (u.a) a, scaled to one unit of altitude, the numbers are
// components of these in the frame of the site. To first order, with e the part
// of the lean towards the east: AltitudePerAzimuth = -e, AcrossPerAltitude =
// e / cos(latitude); ScaleError is minus the part of the lean towards the pole.
func boltCoupling(site sky.Site, lean, towards sky.Angle) (Coupling, error) {
	if err := site.Check(); err != nil {
		return Coupling{}, err
	}
	if !(lean >= 0 && lean <= mostLean) {
		return Coupling{}, fmt.Errorf("a lean of %.1f degrees is outside 0 to %.0f", lean.Degrees(), mostLean.Degrees())
	}
	if math.IsNaN(float64(towards)) || math.IsInf(float64(towards), 0) {
		return Coupling{}, errors.New("the direction of the lean is not a number")
	}
	if 90*sky.Degree-site.Latitude.Abs() < poleTooNear {
		return Coupling{}, ErrNoAzimuthBolt
	}
	side := 1.0
	if site.South() {
		side = -1
	}
	lat := site.Latitude.Abs()
	axis := sky.Vec{Y: side * lat.Cos(), Z: lat.Sin()}
	raise := sky.Vec{Y: -side * lat.Sin(), Z: lat.Cos()} // unit step of altitude
	across := sky.Vec{X: side}                           // unit step of growing azimuth
	upright := sky.Vec{X: lean.Sin() * towards.Sin(), Y: lean.Sin() * towards.Cos(), Z: lean.Cos()}

	turned := r3.Cross(axis, upright)
	raised := r3.Sub(upright, r3.Scale(r3.Dot(upright, axis), axis))
	perAltitude := r3.Dot(raised, raise)
	if !(perAltitude > 0) {
		return Coupling{}, ErrNoAzimuthBolt
	}
	// The scale reads the angle between the axis and the base's plane.
	onScale := sky.Asin(r3.Dot(axis, upright))
	return Coupling{
		AltitudePerAzimuth: r3.Dot(turned, raise),
		AcrossPerAltitude:  side * r3.Dot(raised, across) / perAltitude,
		ScaleError:         lat - onScale,
	}, nil
}
