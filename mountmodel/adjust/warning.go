package adjust

import "polard/mountmodel/axis"

// The warnings of a live axis, beside those of the measurement.
const (
	WarnAxisJumped axis.WarningCode = "axis_jumped" // more than bolts do between two frames
	WarnSlipped    axis.WarningCode = "axis_turned" // the RA axis turned while bolts were to be turned
	WarnLean       axis.WarningCode = "lean"        // the azimuth bolt's line leans: the base, or a wrong latitude
)
