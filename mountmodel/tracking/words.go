package tracking

import (
	"math"

	"polard/mountmodel/sky"
)

// say is the proof in one sentence.
func (p Proof) say() sky.Saying {
	switch {
	case p.Verdict == Moved:
		return sky.Say("proof_moved", "The telescope was turned or guided while the proof ran: leave it alone, unguided, and begin again.")
	case p.Drift == nil:
		return sky.Say("proof_begins", "Leave the telescope tracking on one field, unguided, and take frames: %d so far.", p.Frames)
	}
	d := p.Drift
	off, sigma := d.Off()
	part := sayPart(*d)
	switch p.Verdict {
	case Holds:
		return sky.Say("proof_holds", "Proved by the sky: in %d minutes the declination drifted by %s″ a minute, and the axis predicts %s″. So the axis is where it was measured, to %s, %s.",
			int(math.Round(p.Minutes)), rate(d.Seen), rate(d.Predicted), sky.Known(sky.Angle(math.Hypot(float64(off), float64(sigma)))), part)
	case Fails:
		return sky.Say("proof_fails", "The sky disagrees: in %d minutes the declination drifted by %s″ a minute, and the axis predicts %s″. The axis is off by %s, %s: measure again, and if it stays, look for what bends or slips.",
			int(math.Round(p.Minutes)), rate(d.Seen), rate(d.Predicted), sky.Amount(off), part)
	}
	return sky.Say("proof_runs", "The proof runs: %d minutes so far, which tell the axis to %s, %s. Leave the telescope alone, unguided.",
		int(math.Round(p.Minutes)), sky.Known(sigma), part)
}

// rate is a drift in a minute, in arcseconds: towards the pole is positive.
func rate(a sky.Angle) sky.Decimal { return sky.Decimal{Value: a.Arcseconds(), Digits: 2} }

// mostly is the part of a direction from which it counts as the direction itself.
const mostly = 0.8

// sayPart says which part of the axis's error the stretch tells.
func sayPart(d Drift) sky.Saying {
	switch {
	case math.Abs(d.Across) > mostly:
		return sky.Say("in_azimuth", "mostly in azimuth")
	case math.Abs(d.Up) > mostly:
		return sky.Say("in_altitude", "mostly in altitude")
	}
	return sky.Say("in_both", "in altitude and azimuth alike")
}
