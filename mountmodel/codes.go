package mountmodel

import "polard/mountmodel/axis"

// The warnings of a session, beside those of its measurements.
const (
	WarnAxisJumped axis.WarningCode = "axis_jumped" // more than bolts do between two frames
	WarnSlipped    axis.WarningCode = "axis_turned" // the RA axis turned while bolts were to be turned
	WarnClock      axis.WarningCode = "clock"       // exposure times do not fit the time at which frames arrive
	WarnFileClock  axis.WarningCode = "file_clock"  // exposure times differ from the files' own by what time zones do
	WarnPlace      axis.WarningCode = "place"       // by place and time given, a frame was pointed through the ground
	WarnLean       axis.WarningCode = "lean"        // the azimuth bolt's line leans: the base, or a wrong latitude
	WarnNearZenith axis.WarningCode = "near_zenith" // the azimuth bolt hardly moves the axis
	WarnUnsolved   axis.WarningCode = "unsolved"    // the newest frame gave no stars
)
