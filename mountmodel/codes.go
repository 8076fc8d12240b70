package mountmodel

// The warnings of a session, beside those of its measurements.
const (
	WarnAxisJumped WarningCode = "axis_jumped" // more than bolts do between two frames
	WarnSlipped    WarningCode = "axis_turned" // the RA axis turned while bolts were to be turned
	WarnClock      WarningCode = "clock"       // exposure times do not fit the time at which frames arrive
	WarnFileClock  WarningCode = "file_clock"  // exposure times differ from the files' own by what time zones do
	WarnPlace      WarningCode = "place"       // by place and time given, a frame was pointed through the ground
	WarnLean       WarningCode = "lean"        // the azimuth bolt's line leans: the base, or a wrong latitude
	WarnNearZenith WarningCode = "near_zenith" // the azimuth bolt hardly moves the axis
	WarnUnsolved   WarningCode = "unsolved"    // the newest frame gave no stars
)
