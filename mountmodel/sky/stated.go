package sky

import "time"

// Stated is what a frame's header states of its moment beside UTC: what the program that wrote it
// took from its own clock and place. What it does not state is nil.
type Stated struct {
	Zones    []time.Duration // local time minus UTC is one of these
	Sidereal *Angle          // local sidereal time
	Altitude *Angle          // of At
	At       *ICRS           // nil: about where the frame looks
}
