package axis

import (
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// Frame is one frame of a measurement.
type Frame struct {
	FrameReport
	Observed observed.Attitude
	Lens     int // a number for the model of the camera that Observed came through; 0 when not known
}

// FrameStatus is what became of one frame.
type FrameStatus string

// What becomes of a frame.
const (
	FrameMeasures  FrameStatus = "measures"   // part of the measurement
	FrameSameAngle FrameStatus = "same angle" // part of the measurement, but no new angle of the RA axis
	FrameSetAside  FrameStatus = "set aside"  // left out of the measurement because it does not fit the others
	FrameLeftOut   FrameStatus = "left out"   // left out of the measurement by the person
	FrameAdjusts   FrameStatus = "adjusts"    // read as taken while the bolts were being turned
	FrameWatches   FrameStatus = "watches"    // an ordinary exposure
	FrameUnsolved  FrameStatus = "unsolved"   // gave no stars; Message says why
	FrameUnusable  FrameStatus = "unusable"   // gave stars but cannot be used; Message says why
)

// FrameReport is one frame as the page shows it.
type FrameReport struct {
	Name     string
	Mid      time.Time
	Status   FrameStatus
	Message  string     // empty, or what the user should know of this frame
	Said     sky.Saying // the same, where a catalogue can say it
	Stars    int        // matched stars used
	Turn     sky.Angle  // of the RA axis since the first frame of the measurement, right-handed about the pole-seeking end; in [-180, 180) degrees
	Residual sky.Angle  // root mean square over the stars' field of what the rigid model leaves of this frame
}

// Placed tells whether the frame is one of a measurement, so that Turn and
// Residual have a meaning.
func (f FrameReport) Placed() bool {
	return f.Status == FrameMeasures || f.Status == FrameSameAngle || f.Status == FrameSetAside
}
