package axis

import (
	"math"

	"polard/mountmodel/sky"
)

// TurnWay is one of the two ways of turning the right ascension axis, and
// where the line of sight goes on it.
type TurnWay struct {
	// By is the turn, right-handed about the pole-seeking end of the axis: positive
	// is clockwise for who faces the pole, in both hemispheres.
	By sky.Angle
	// Lowest and Highest are the extreme altitudes of the line of sight.
	Lowest, Highest sky.Angle
	// Low, High and Far say what speaks against this way: the line of sight comes
	// near the horizon; the camera end swings down between the legs; the turn
	// leads far from where the first frame was taken.
	Low, High, Far bool
}

const (
	// sightLow is where haze, trees and roofs begin (common practice).
	sightLow = 20 * sky.Degree
	// sightHigh is where the camera end of a tube swings down towards the tripod's
	// legs (common practice).
	sightHigh = 75 * sky.Degree
	// turnFar is how far from the first frame the axis may be turned. From the usual
	// starting position, counterweight down, a quarter turn brings the shaft
	// level; beyond it the weight stands above the tube, and the tube comes down to
	// the legs.
	turnFar = 90 * sky.Degree
	// sightStep is the step in which the way is followed: within half of it an
	// altitude departs from its extreme by at most 1 - cos(1 degree) of the radius,
	// half an arcminute on the widest circle.
	sightStep = 2 * sky.Degree
)

// TurnWays follows the line of sight both ways by the amount by, about the axis,
// the better way first. turns are the angles of the RA axis of the frames of the
// measurement since the first of them, oldest first, as in [FrameReport]. Where
// both ways are as good, the one that keeps higher comes first, and where the
// altitudes hardly differ the one that goes on as before. Where the turn is to
// lead back, the way back is the one that counts and comes first. The tripod
// itself is not known: the person is to watch it.
func TurnWays(axis, sight sky.Local, by sky.Angle, back bool, turns []sky.Angle) [2]TurnWay {
	now, before := sky.Angle(0), 1.0
	if n := len(turns); n > 0 {
		now = turns[n-1]
		if n > 1 && turns[n-1] < turns[n-2] {
			before = -1
		}
	}
	way := func(sign float64) TurnWay {
		w := TurnWay{By: sky.Angle(sign) * by.Abs(), Lowest: 90 * sky.Degree, Highest: -90 * sky.Degree}
		steps := max(1, math.Ceil(float64(by.Abs()/sightStep)))
		for i := range int(steps) + 1 {
			turned := sky.Rotation(sky.Vec(axis), w.By*sky.Angle(float64(i)/steps)).Apply(sky.Vec(sight))
			alt, _ := sky.AltAzFromLocal(sky.Local(turned))
			w.Lowest, w.Highest = min(w.Lowest, alt), max(w.Highest, alt)
		}
		w.Low = w.Lowest < sightLow
		w.High = w.Highest > sightHigh
		w.Far = (now + w.By).Abs() > turnFar
		return w
	}
	onward, homeward := way(before), way(-before)
	if back || worse(onward, homeward) {
		return [2]TurnWay{homeward, onward}
	}
	return [2]TurnWay{onward, homeward}
}

// sightSame is a difference of altitudes that is none to a person.
const sightSame = 5 * sky.Degree

// worse tells whether more speaks against a than against b.
func worse(a, b TurnWay) bool {
	count := func(w TurnWay) int {
		n := 0
		for _, against := range []bool{w.Low, w.High, w.Far} {
			if against {
				n++
			}
		}
		return n
	}
	if count(a) != count(b) {
		return count(a) > count(b)
	}
	return a.Lowest < b.Lowest-sightSame
}
