package rehearsal

import (
	"math"
	"time"

	"polard/mountmodel/sky"
)

// Field is the angle across the frame along columns and along rows, without
// distortion.
func (k Camera) Field() (width, height sky.Angle) {
	half := func(n int) sky.Angle {
		return sky.Angle(2 * math.Atan(float64(n)/2*k.PixelUm/1000/k.FocalMm))
	}
	return half(k.Width), half(k.Height)
}

// Stars gives the stars that a frame begun at an instant shows, down to those
// lost in its noise.
func (r *Rig) Stars(at time.Time) ([]ImagedStar, error) {
	s := r.shot(at, 0)
	return s.imaged(s.cut(), 0)
}
