package rehearsal

import (
	"time"
)

// Stars gives the stars that a frame begun at an instant shows, down to those
// lost in its noise.
func (r *Rig) Stars(at time.Time) ([]ImagedStar, error) {
	s := r.shot(at, 0)
	return s.imaged(s.cut(), 0)
}
