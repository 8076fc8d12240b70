package adjust

// Drive says what the RA drive did since the frame before.
type Drive string

// What the likelihoods can tell of the drive.
const (
	DriveTracks  Drive = "tracks"  // followed the sky
	DriveStands  Drive = "stands"  // stood still
	DriveTurned  Drive = "turned"  // neither: the user turned the axis
	DriveUnknown Drive = "unknown" // the frames do not tell tracking from standing
)
