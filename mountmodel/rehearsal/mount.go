package rehearsal

import (
	"fmt"
	"math"
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// siderealRate is the rotation of the Earth in radians per second: 1.002 737
// 811 911 354 48 turns a day (Capitaine et al. 2000, A&A 355, 398, eq. 14).
const siderealRate = 1.00273781191135448 * 2 * math.Pi / 86400

// mount is where all parts of a mount stand. Angles of the head are kept in
// the base's own frame; its vertical is the local one only when the base is
// level.
//
// The frame of the head: X along the hinge, Y along the axis, Z square to both
// and upwards. It goes to the local frame by the hinge angle about X, the
// azimuth about the base's vertical, and the base.
type mount struct {
	base              sky.Matrix // base's east, north, up to local
	altitude, azimuth sky.Angle  // of the axis in the base's frame
	altBolt, azBolt   bolt
	south             bool

	hourAngle     sky.Angle // reading of the RA circle at since
	since         time.Time
	tracking      bool
	rate          float64 // of the drive, radians per second
	polarDistance sky.Angle

	creep        sky.Angle // of the polar distance, in an hour
	creepSince   time.Time
	sag          sky.Angle // of the line of sight towards the ground, level
	flexure      sky.Angle // of the camera under its weight
	periodic     sky.Angle // amplitude of the drive's periodic error
	worm         sky.Angle // turn of the RA axis in one turn of the worm
	sinking      sky.Vec   // rotation vector of the base, radians per second
	sinkingSince time.Time
	lockShift    [2]sky.Angle // of altitude and azimuth, when the bolts are locked
}

func newMount(c Config) mount {
	m := mount{
		base:          lean(c.Mount.Tilt, c.Mount.TiltTowards),
		altBolt:       newBolt("altitude", c.Mount.AltitudeBolt),
		azBolt:        newBolt("azimuth", c.Mount.AzimuthBolt),
		south:         c.Site.South(),
		hourAngle:     c.Mount.HourAngle,
		since:         c.Start,
		tracking:      c.Mount.Tracking,
		rate:          c.Mount.DriveRate * siderealRate,
		polarDistance: c.Mount.PolarDistance,
		flexure:       c.Mount.Flexure,
		periodic:      c.Mount.PeriodicError,
		worm:          sky.Angle(c.Mount.WormPeriod.Seconds() * siderealRate),
	}
	m.setSettling(c.Mount.Settling, c.Mount.SettlingTowards, c.Start)
	alt, az := sky.AltAzFromLocal(observed.Pole(c.Site, c.Air, observed.Refracted))
	axis := sky.LocalFromAltAz(alt+c.Mount.OffsetAlt, az+c.Mount.OffsetAz)
	m.altitude, m.azimuth = sky.AltAzFromLocal(sky.Local(m.base.Transpose().Apply(sky.Vec(axis))))
	return m
}

// lean is the turn of a base that leans by tilt towards an azimuth.
func lean(tilt, towards sky.Angle) sky.Matrix {
	return sky.Rotation(sky.Vec{X: -towards.Cos(), Y: towards.Sin()}, tilt)
}

// setSettling makes the base lean more and more towards an azimuth, by so much
// in an hour.
func (m *mount) setSettling(perHour, towards sky.Angle, at time.Time) {
	m.base = m.baseAt(at)
	m.sinkingSince = at
	m.sinking = sky.Vec{X: -towards.Cos() * float64(perHour) / 3600, Y: towards.Sin() * float64(perHour) / 3600}
}

// setCreep makes the tube creep away from the pole, by so much in an hour, from an instant on.
func (m *mount) setCreep(perHour sky.Angle, at time.Time) {
	m.polarDistance = m.polarDistanceAt(at)
	m.creep, m.creepSince = perHour, at
	if m.polarDistance < 0 {
		m.creep *= -1
	}
}

// flip turns both axes so that the tube looks where it did, from the other side of the pier.
func (m *mount) flip() {
	m.hourAngle += sky.Turn / 2
	m.polarDistance *= -1
	m.creep *= -1
}

func (m *mount) baseAt(at time.Time) sky.Matrix {
	if m.sinking == (sky.Vec{}) {
		return m.base
	}
	return sky.RotationFromVector(r3.Scale(at.Sub(m.sinkingSince).Seconds(), m.sinking)).Mul(m.base)
}

// head sends the head's frame to the local one.
func (m *mount) head(at time.Time) sky.Matrix {
	azimuth := sky.Rotation(sky.Vec{Z: 1}, -m.azimuth) // azimuth grows clockwise seen from above
	hinge := sky.Rotation(sky.Vec{X: 1}, m.altitude)
	return m.baseAt(at).Mul(azimuth).Mul(hinge)
}

// axis is the direction of the pole-seeking end of the RA axis.
func (m *mount) axis(at time.Time) sky.Local { return sky.Local(m.head(at).Column(1)) }

// hourAngleAt is the reading of the RA circle.
func (m *mount) hourAngleAt(at time.Time) sky.Angle {
	h := m.hourAngle
	if m.tracking {
		h += sky.Angle(m.rate * at.Sub(m.since).Seconds())
	}
	return h
}

// turnAt is the right-handed turn of the body about the axis's pole-seeking
// end. Facing the pole, the sky turns anticlockwise in the north and
// clockwise in the south; about a line that points away from the eye that is
// left-handed and right-handed.
func (m *mount) turnAt(at time.Time) sky.Angle {
	h := m.hourAngleAt(at)
	if m.periodic != 0 {
		h += m.periodic * sky.Angle((sky.Turn * (h / m.worm)).Sin())
	}
	if m.south {
		return h
	}
	return -h
}

// body sends the body's frame to the local one. The body's frame is the head's
// while the RA circle reads 0.
func (m *mount) body(at time.Time) sky.Matrix {
	return m.head(at).Mul(sky.Rotation(sky.Vec{Y: 1}, m.turnAt(at)))
}

// polarDistanceAt is the angle from the axis to the line of sight.
func (m *mount) polarDistanceAt(at time.Time) sky.Angle {
	if m.creep == 0 {
		return m.polarDistance
	}
	return m.polarDistance + m.creep*sky.Angle(at.Sub(m.creepSince).Hours())
}

// attitude sends directions of the camera to the local frame.
func (m *mount) attitude(k Camera, at time.Time) sky.Matrix {
	r := m.body(at).Mul(k.onBody(m.polarDistanceAt(at)))
	if m.sag != 0 {
		// Rotation vector boresight x down: its size goes with the cosine of the altitude.
		r = sky.RotationFromVector(r3.Scale(float64(m.sag), r3.Cross(r.Column(2), sky.Vec{Z: -1}))).Mul(r)
	}
	if m.flexure == 0 {
		return r
	}
	// The boresight sags towards the weight: rotation vector boresight x down,
	// in the camera's axes, the plate less stiff along its columns than its
	// rows, or it would sag as refraction lifts, and no frame would tell.
	down := r.Transpose().Apply(sky.Vec{Z: -1})
	sag := r3.Scale(float64(m.flexure), r3.Cross(sky.Vec{Z: 1}, down))
	sag.X *= stiffer
	return r.Mul(sky.RotationFromVector(sag))
}

// stiffer is the part of the sag about the camera's x axis.
const stiffer = 0.3

func (m *mount) setTracking(on bool, at time.Time) {
	m.hourAngle, m.since = m.hourAngleAt(at), at
	m.tracking = on
}

// turnBolt turns a bolt clockwise, which moves its own angle of the axis, and across it the other.
func turnBolt(b *bolt, turns float64, own, other *sky.Angle) error {
	moved, err := b.turn(turns)
	*own += moved
	*other += sky.Angle(b.Cross) * moved
	return err
}

// bolt is a bolt with its backlash and where it stands.
type bolt struct {
	Bolt
	name     string
	backlash float64 // where in its backlash it stands, 0 to BacklashTurns
	moved    float64 // turns that had effect
}

func newBolt(name string, b Bolt) bolt {
	return bolt{Bolt: b, name: name, backlash: b.BacklashTurns / 2}
}

// turn turns the bolt and gives the movement of its adjustment. A turn that
// would go past the end of the travel is refused as a whole.
func (b *bolt) turn(turns float64) (sky.Angle, error) {
	if math.IsNaN(turns) || math.IsInf(turns, 0) {
		return 0, fmt.Errorf("the %s bolt cannot be turned by %g turns", b.name, turns)
	}
	backlash := b.backlash + turns
	bite := 0.0 // what goes past the backlash
	switch {
	case backlash > b.BacklashTurns:
		bite, backlash = backlash-b.BacklashTurns, b.BacklashTurns
	case backlash < 0:
		bite, backlash = backlash, 0
	}
	// What is left of the travel on the side to which the bolt is turned.
	left := math.Abs(float64(b.Travel/b.PerTurn)) - b.moved*math.Copysign(1, bite)
	if math.Abs(bite) > left {
		return 0, fmt.Errorf("the %s bolt comes to its end: it turns %.2f turns more that way, not %.2f",
			b.name, math.Abs(turns)-math.Abs(bite)+max(0, left), math.Abs(turns))
	}
	b.moved += bite
	b.backlash = backlash
	return b.PerTurn * sky.Angle(bite), nil
}
