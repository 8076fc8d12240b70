package axis

import "polard/mountmodel/sky"

// WarningCode names a kind of warning for programs; Message is for people.
type WarningCode string

// The warnings that a measurement can give.
const (
	WarnTwoFrames   WarningCode = "two_frames"       // nothing tests the model
	WarnLittleTurn  WarningCode = "little_turn"      // the axis is poorly fixed
	WarnNotRigid    WarningCode = "not_rigid"        // the frames do not fit one body turning about one line
	WarnFrameStands WarningCode = "frame_stands_out" // one frame does not fit the others and was set aside
	WarnTubeMoved   WarningCode = "tube_moved"       // declination or tube moved between two frames
	WarnMountMoved  WarningCode = "mount_moved"      // tripod or bolts moved between two frames
	WarnTubeCreeps  WarningCode = "tube_creeps"      // declination or tube moves from frame to frame
	WarnMountCreeps WarningCode = "mount_creeps"     // tripod or pier moves from frame to frame
	WarnFlexure     WarningCode = "flexure"          // the departures grow smoothly
	WarnFramesStray WarningCode = "frames_stray"     // by more than the stars explain, and no more than mounts do
	WarnLowFrame    WarningCode = "low_frame"        // refraction is uncertain so near the horizon
)

// Warning is something the user should know beside the numbers.
type Warning struct {
	Code    WarningCode
	Message string
	Frame   string // the frame it is about; empty when it is about all
	// Said are the sentences of Message by their codes; none where a code of its own
	// says all, and Frame is what stands in it.
	Said []sky.Saying
}

// Saying is the warning as one sentence among others.
func (w *Warning) Saying() sky.Saying {
	if len(w.Said) == 1 {
		return w.Said[0]
	}
	args := make([]any, len(w.Said))
	for i, s := range w.Said {
		args[i] = s
	}
	return sky.Saying{Code: "warning", Args: append([]any{string(w.Code)}, args...), Text: w.Message}
}
