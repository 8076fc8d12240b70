package mountmodel

import "polard/mountmodel/axis"

// The warnings of a session, beside those of its measurements.
const (
	WarnClock       axis.WarningCode = "clock"        // exposure times do not fit the time at which frames arrive
	WarnFileClock   axis.WarningCode = "file_clock"   // exposure times differ from the files' own by what time zones do
	WarnDaylight    axis.WarningCode = "daylight"     // by place and time given, the Sun was up, or too little below the horizon for so dark a sky
	WarnStated      axis.WarningCode = "stated"       // the newest frame's header states a local time, sidereal time or altitude that place and time deny
	WarnZenith      axis.WarningCode = "zenith"       // by the air in the frames, the zenith stood elsewhere than place and time say
	WarnClockStands axis.WarningCode = "clock_stands" // exposures overlap: the clock that wrote their times stands still
	WarnPlace       axis.WarningCode = "place"        // by place and time given, a frame was pointed through the ground
	WarnNearZenith  axis.WarningCode = "near_zenith"  // the azimuth bolt hardly moves the axis
	WarnPoleAir     axis.WarningCode = "pole_air"     // so low that air leaves the refracted pole uncertain by more than the tolerance
	WarnUnsolved    axis.WarningCode = "unsolved"     // the newest frame gave no stars
)
