package tracking

import (
	"time"

	"polard/mountmodel/axis"
	"polard/mountmodel/sky"
)

// Bend is how the line of sight drifts in declination at one place in the sky beyond what
// the axis makes it drift: the tube, its saddle or the camera bend as the mount turns.
type Bend struct {
	At          sky.Local // the middle of the stretch
	From, To    time.Time
	Frames      int
	Rate, Sigma sky.Angle // in an hour, towards the pole positive; Sigma without bending of its own
}

// leastBend is how long a stretch must be to tell of bending.
const leastBend = 4 * time.Minute

// BendingOf is the bending over the sky, one value for each stretch of unguided frames of
// one target.
func BendingOf(s Setting, stretches [][]Frame, a axis.Axis) (out []Bend) {
	for _, frames := range stretches {
		if len(frames) < leastFrames || frames[len(frames)-1].Mid.Sub(frames[0].Mid) < leastBend {
			continue
		}
		d, ok := driftOf(s, frames, a)
		if !ok {
			continue
		}
		d.Bending = 0
		out = append(out, Bend{
			At: sky.Local(frames[len(frames)/2].R.Column(2)), From: d.From, To: d.To, Frames: d.Frames,
			Rate: 60 * (d.Seen - d.Predicted), Sigma: 60 * d.Sigma(),
		})
	}
	return out
}
