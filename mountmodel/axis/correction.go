package axis

import (
	"fmt"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// Offset is axis minus pole.
type Offset struct {
	Alt   sky.Angle // difference of altitudes
	Az    sky.Angle // difference of azimuths, in [-180, 180) degrees; not multiplied by cos altitude
	Total sky.Angle // angle on the sky, never negative
}

// OffsetBetween is how the axis stands against the pole.
func OffsetBetween(axis, pole sky.Local) Offset {
	altA, azA := sky.AltAzFromLocal(axis)
	altP, azP := sky.AltAzFromLocal(pole)
	return Offset{Alt: altA - altP, Az: (azA - azP).Signed(), Total: sky.Separation(axis, pole)}
}

// Move is the correction: what the two bolts must do to bring the axis onto
// the pole, as numbers (opposite in sign to the offset) and in words.
type Move struct {
	Alt sky.Angle // by how much the altitude of the axis must grow
	Az  sky.Angle // by how much the azimuth of the axis must grow: the turn about the vertical

	Altitude string // "raise 7.0'"
	Azimuth  string // "turn the mount 27.2' west"
	// Rotation says the same turn as seen from above ("clockwise seen from
	// above"), for whoever does not know the compass side; empty when no turn
	// is needed or when the turn cannot help.
	Rotation string
}

// NearZenith is the altitude of the pole from which on the azimuth bolt no
// longer serves: it turns the mount about a line within 5 degrees of the
// axis, so moving the axis by an arcminute takes 11 arcminutes of turn or
// more, and none at all at the zenith. The user is then told to tip the base.
const NearZenith = 85 * sky.Degree

// leastMove is the smallest move put in words; below half of it the bolt is
// left alone. It is the last digit the words show.
const leastMove = 1 * sky.Arcsecond

// Correction says how to bring the axis onto the pole. "West" and "east" name
// the compass side towards which the upper, pole-seeking end of the axis must
// move; on the southern hemisphere that end points south, so that moving it
// east is a turn of the opposite sense than in the north. Rotation tells the
// sense.
func Correction(axis, pole sky.Local) Move {
	off := OffsetBetween(axis, pole)
	m := Move{Alt: -off.Alt, Az: -off.Az}
	if altP, _ := sky.AltAzFromLocal(pole); altP >= NearZenith {
		// Components in the plane that touches the sky at the pole: along its
		// meridian, where the altitude bolt moves the axis, and to the east.
		_, up := sky.Tangents(pole)
		d := r3.Sub(sky.Vec(pole), sky.Vec(axis))
		m.Altitude = altitudeWords(sky.Angle(r3.Dot(d, up)))
		m.Azimuth = tipWords(sky.Angle(d.X))
		return m
	}
	m.Altitude = altitudeWords(m.Alt)
	m.Azimuth, m.Rotation = azimuthWords(m.Az, pole.Y < 0)
	return m
}

func altitudeWords(move sky.Angle) string {
	switch {
	case move.Abs() < leastMove/2:
		return "leave the altitude as it is"
	case move > 0:
		return "raise " + sky.AngleWords(move)
	default:
		return "lower " + sky.AngleWords(move)
	}
}

func azimuthWords(move sky.Angle, south bool) (words, rotation string) {
	if move.Abs() < leastMove/2 {
		return "leave the azimuth as it is", ""
	}
	rotation = "clockwise seen from above"
	if move < 0 {
		rotation = "anticlockwise seen from above"
	}
	side := "east"
	if (move < 0) != south {
		side = "west"
	}
	return fmt.Sprintf("turn the mount %s %s", sky.AngleWords(move), side), rotation
}

func tipWords(east sky.Angle) string {
	switch {
	case east.Abs() < leastMove/2:
		return "leave the azimuth as it is"
	case east > 0:
		return fmt.Sprintf("tip the mount %s to the east", sky.AngleWords(east))
	default:
		return fmt.Sprintf("tip the mount %s to the west", sky.AngleWords(east))
	}
}
