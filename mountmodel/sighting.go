package mountmodel

import (
	"time"

	"polard/mountmodel/sky"
)

// Pair is one star matched in a frame: where the camera saw it, where the
// catalogue has it, and how well the camera saw it.
type Pair struct {
	Camera sky.Camera // from the frame's own camera fit; a common scale error does no harm
	ICRS   sky.ICRS   // barycentric, with proper motion to the date of exposure
	Sigma  sky.Angle  // standard deviation of Camera on each of the two axes across the line of sight
}

// Sighting is what the mount model learns from one frame: matched stars and
// the moment. A frame that gave no stars is a sighting too, with the reason
// in Refused, so that the session can tell the user.
type Sighting struct {
	Name    string    // the file's name, for the user
	Mid     time.Time // middle of the exposure, UTC
	Pairs   []Pair
	Refused string // why the frame gives no stars to use, in plain words; empty when it does
}
