package mountmodel

import (
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// Sighting is what the mount model learns from one frame: matched stars and
// the moment. A frame that gave no stars is a sighting too, with the reason
// in Refused, so that the session can tell the user.
type Sighting struct {
	Name  string    // the file's name, for the user
	Mid   time.Time // middle of the exposure, UTC
	Pairs []observed.Pair
	// Lens is a number for the model of the camera through which the directions of Pairs were taken: those through one
	// model are of one rigid body and can be compared. 0 when that is not known.
	Lens int
	// Exposure and Written, the file's own time, help to find a wrong clock;
	// zero when unknown.
	Exposure time.Duration
	Written  time.Time
	// Header is the place in the frame's header; nil when it names none.
	Header *sky.Site
	// Stated is what else the header states of its moment; nil when nothing.
	Stated *sky.Stated
	// SkyLimit is a limit that the sky's brightness keeps below, V magnitudes per square arcsecond; nil when not known.
	SkyLimit *float64
	Refused  string // why the frame gives no stars to use, in plain words; empty when it does
	// RefusedBy is the code of that, and Detected how many stars were detected, for catalogues.
	RefusedBy string
	Detected  int

	reduction *reduction // nil until its stance was worked out
}
