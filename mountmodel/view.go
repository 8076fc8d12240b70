package mountmodel

import (
	"time"

	"polard/mountmodel/sky"
)

// Phase is where the session stands.
type Phase string

// The phases, in the order in which a night goes through them.
const (
	Waiting    Phase = "waiting"    // no frame that can be used yet
	Measuring  Phase = "measuring"  // frames come in while the user turns the RA axis
	Adjusting  Phase = "adjusting"  // the axis is known and the bolts are being turned
	Confirming Phase = "confirming" // the bolts are locked; a second measurement runs
	Done       Phase = "done"       // confirmed; further frames keep watch
)

// FrameStatus is what became of one frame.
type FrameStatus string

// What becomes of a frame.
const (
	FrameMeasures  FrameStatus = "measures"   // part of the measurement
	FrameSameAngle FrameStatus = "same angle" // part of the measurement, but no new angle of the RA axis
	FrameAdjusts   FrameStatus = "adjusts"    // read as taken while the bolts were being turned
	FrameUnsolved  FrameStatus = "unsolved"   // gave no stars; Message says why
	FrameUnusable  FrameStatus = "unusable"   // gave stars but cannot be used; Message says why
)

// FrameView is one frame as the page shows it.
type FrameView struct {
	Name     string
	Mid      time.Time
	Status   FrameStatus
	Message  string    // empty, or what the user should know of this frame
	Stars    int       // matched stars used
	Turn     sky.Angle // of the RA axis since the first frame of the measurement, right-handed about the pole-seeking end; in [-180, 180) degrees
	Residual sky.Angle // root mean square over the stars' field of what the rigid model leaves of this frame
}

// Standing is how the axis stands: with its uncertainty, against the pole,
// and what to do about it.
type Standing struct {
	Axis   Axis
	Offset Offset
	Move   Move
}

// Drive says what the RA drive did since the frame before.
type Drive string

// What the likelihoods can tell of the drive.
const (
	DriveTracks  Drive = "tracks"  // followed the sky
	DriveStands  Drive = "stands"  // stood still
	DriveTurned  Drive = "turned"  // neither: the user turned the axis
	DriveUnknown Drive = "unknown" // the frames do not tell tracking from standing
)

// AdjustView is one frame taken after the measurement: the axis as it then
// stood.
type AdjustView struct {
	Name     string
	Mid      time.Time
	Standing Standing
	Turn     sky.Angle // of the RA axis, as in FrameView
	Drive    Drive
	// TrackingOdds is the probability, between 0 and 1, that the drive was
	// following the sky.
	TrackingOdds float64
}

// TurnAdvice says what turning the RA axis further would bring.
type TurnAdvice struct {
	Least    sky.Angle // the least further turn that reaches the wanted uncertainty; 0 when no turn up to the limit does
	Expected []TurnForecast
}

// TurnForecast is the predicted uncertainty after one more frame.
type TurnForecast struct {
	Turn        sky.Angle // further turn
	Uncertainty sky.Angle // semi-major axis of the 1-sigma ellipse of the axis, on the sky
}

// LockShift is what locking the bolts did to the axis: confirmed minus last
// reading before the lock.
type LockShift struct {
	Alt, Az     sky.Angle // Az is a difference of azimuths
	Total       sky.Angle // on the sky
	Uncertainty sky.Angle // 1-sigma, semi-major, on the sky
}

// View is everything a page shows, at one moment. It shares nothing with the
// session and never changes.
type View struct {
	Sequence    int    // grows with every change of the session
	Phase       Phase  // where the session stands
	Instruction string // what to do now: one plain sentence
	Details     []string

	Site      sky.Site
	Air       sky.Air
	PoleKind  PoleKind
	Pole      sky.Local // the pole aimed at
	Refracted sky.Local // both poles, for the page to show
	True      sky.Local
	Tolerance sky.Angle

	Measured *Standing // result of the measurement; nil until two usable frames
	Now      *Standing // as the axis stands by the newest frame; equals Measured until the bolts move
	Within   bool      // Now is within the tolerance
	Turn     sky.Angle // span of RA angles of the measurement
	Chi2     float64   // of the rigid model over the measurement
	Dof      int       // its degrees of freedom; 0 means that nothing tests the model
	Frames   []FrameView
	Adjust   []AdjustView
	Lock     *LockShift  // nil until a lock is confirmed
	Advice   *TurnAdvice // nil when no further turn is wanted
	Warnings []Warning

	LastMid   time.Time // middle of the newest exposure taken in; zero before the first
	LastHeard time.Time // when the newest frame, solved or not, reached the session
}
