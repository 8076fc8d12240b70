package adjust

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"polard/mountmodel/axis"
	"polard/mountmodel/sky"
)

// change is what came between one frame and the next, while bolts may be
// turned.
type change int

const (
	boltsOnly change = iota // bolts, or nothing, and the drive
	raTurned                // the RA axis turned by more than the drive turns it, the bolts did not
	decTurned               // a turn about the declination axis
	tooFar                  // farther than bolts go
	otherwise               // none of these: a wrong frame, a bump, bolts and RA axis at once
)

const (
	// largestJump is how far bolts bring an axis between two frames; more is
	// something else. Common practice: adjusters span some ten degrees in all.
	largestJump = 5 * sky.Degree

	// slipWarned is the turn of the RA axis from which it is reported: ten times what
	// a drive departs from its course (driveWanderMost), with room for what a
	// hand on the mount does.
	slipWarned = 3 * sky.Arcminute

	// axisWarned is the movement of the axis from which a turn of the RA axis is
	// taken for something else: ten times the mechanical noise, since a turn
	// carries the error of where the camera has the axis along.
	axisWarned = 10 * axis.MechanicalNoise

	// coneError is how far a declination axis may be from square to the RA
	// axis, and the boresight of a camera from square to the declination axis,
	// 1-sigma. Common practice: guide scopes are shimmed by eye.
	coneError = 0.5 * sky.Degree
	saddle    = 1 * sky.Degree

	// decDoubt is the probability, for a turn in declination, of fitting one as
	// badly as what is no longer taken for one.
	decDoubt = 1e-3
)

// step is one frame read from where the frame before left the tracker.
type step struct {
	frame   axis.Frame
	tracker *tracker // with the frame taken in
	reading reading
	change  change
	turned  sky.Angle // of the RA axis beyond the drive

	axisMoved bool // by axisWarned and more, and beyond the noise
}

// newStep reads a frame without keeping it: the tracker before stays as it is. The
// pole is the one aimed at.
func newStep(before *tracker, f axis.Frame, pole sky.Local) step {
	next := *before // Take replaces what a tracker holds and changes none of it
	st := step{frame: f, tracker: &next}
	seconds := f.Mid.Sub(before.newest).Seconds()
	st.reading = next.read(f.Observed.Attitude, f.Mid)
	grown := (next.theta - before.theta).Signed()
	st.turned = grown
	if follow := (grown - sky.Angle(before.rate*seconds)).Signed(); follow.Abs() < grown.Abs() {
		st.turned = follow
	}
	st.axisMoved = st.reading.Jump > axisWarned && movementBetween(before.latest, st.reading.Axis, pole).moved()
	odd := st.reading.Drive == DriveTurned && st.turned.Abs() > slipWarned
	switch {
	case st.reading.Drive == DriveTurned && st.axisMoved && turnedInDeclination(before, f):
		st.change = decTurned
	case st.reading.Jump > largestJump:
		st.change = tooFar
	case odd && st.axisMoved:
		st.change = otherwise
	case odd:
		st.change = raTurned
	}
	return st
}

// turnedInDeclination tells whether a frame differs from the tracker's newest one by a turn
// about the declination axis, the drive running or not. That axis is square to
// the RA axis and, but for the saddle, to the boresight.
func turnedInDeclination(t *tracker, f axis.Frame) bool {
	n := sky.Vec(t.latest.Dir)
	seconds := f.Mid.Sub(t.newest).Seconds()
	for _, drive := range []sky.Angle{0, sky.Angle(t.rate * seconds)} {
		from := sky.Rotation(n, drive).Mul(t.seen.R)
		by := sky.VectorFromRotation(f.Observed.R.Mul(from.Transpose()))
		square := r3.Cross(n, from.Column(2)) // of the length of the sine of the distance from the axis
		sine := r3.Norm(square)
		size := r3.Norm(by)
		if sine < saddle.Sin() || size == 0 {
			continue
		}
		dec := r3.Scale(1/sine, square)
		third := r3.Cross(n, dec)
		chi2 := 0.0
		for _, c := range []struct {
			along sky.Vec
			error float64 // of the declination axis in that direction, as a part of the turn
		}{
			{n, coneError.Sin()},
			{third, min(1, saddle.Sin()/sine)},
		} {
			variance := r3.Dot(c.along, t.seen.Cov.Apply(c.along)) + r3.Dot(c.along, f.Observed.Cov.Apply(c.along)) +
				2*t.extra + float64(driveWanderMost*driveWanderMost) + c.error*c.error*size*size
			chi2 += r3.Dot(by, c.along) * r3.Dot(by, c.along) / variance
		}
		if chi2 < -2*math.Log(decDoubt) { // two degrees of freedom
			return true
		}
	}
	return false
}

// rests tells whether a frame stands as a held one did, but for the drive. When
// the tube has moved on the mount, the tracker no longer knows about which line
// the drive turns it.
func (st step) rests(f axis.Frame, rate float64) bool {
	if st.change != decTurned && st.change != tooFar {
		return false
	}
	turned := sky.Angle(r3.Norm(sky.VectorFromRotation(f.Observed.R.Mul(st.frame.Observed.R.Transpose()))))
	drive := sky.Angle(rate * f.Mid.Sub(st.frame.Mid).Seconds()).Abs()
	return turned < slipWarned || (turned-drive).Abs() < slipWarned
}

// fits tells whether what happened is what happens while bolts are turned.
func (st step) fits() bool { return st.change == boltsOnly || st.change == raTurned }
