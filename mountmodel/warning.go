package mountmodel

// WarningCode names a kind of warning for programs; Message is for people.
type WarningCode string

// The warnings that a session can give.
const (
	WarnTwoFrames   WarningCode = "two_frames"       // nothing tests the model
	WarnLittleTurn  WarningCode = "little_turn"      // the axis is poorly fixed
	WarnNotRigid    WarningCode = "not_rigid"        // the frames do not fit one body turning about one line
	WarnFrameStands WarningCode = "frame_stands_out" // one frame does not fit the others and was set aside
	WarnTubeMoved   WarningCode = "tube_moved"       // declination or tube moved between two frames
	WarnMountMoved  WarningCode = "mount_moved"      // tripod or bolts moved between two frames
	WarnFlexure     WarningCode = "flexure"          // the departures grow smoothly
	WarnAxisJumped  WarningCode = "axis_jumped"      // more than bolts do between two frames
	WarnSlipped     WarningCode = "axis_turned"      // the RA axis turned while bolts were to be turned
	WarnClock       WarningCode = "clock"            // exposure times do not fit the time at which frames arrive
	WarnFileClock   WarningCode = "file_clock"       // exposure times differ from the files' own by what time zones do
	WarnPlace       WarningCode = "place"            // by place and time given, a frame was pointed through the ground
	WarnLean        WarningCode = "lean"             // the azimuth bolt's line leans: the base, or a wrong latitude
	WarnNearZenith  WarningCode = "near_zenith"      // the azimuth bolt hardly moves the axis
	WarnLowFrame    WarningCode = "low_frame"        // refraction is uncertain so near the horizon
	WarnUnsolved    WarningCode = "unsolved"         // the newest frame gave no stars
)

// Warning is something the user should know beside the numbers.
type Warning struct {
	Code    WarningCode
	Message string
	Frame   string // the frame it is about; empty when it is about all
}
