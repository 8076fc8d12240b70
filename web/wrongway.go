package web

import (
	"math"

	"polard/mountmodel"
	"polard/mountmodel/adjust"
	"polard/mountmodel/axis"
	"polard/mountmodel/sky"
)

const (
	// surelyMoved is by how many standard deviations a bolt's error must have grown with the newest reading for a turn
	// to be called wrong: one in a thousand frames would do so by chance.
	surelyMoved = 3
	// surelyStayed is the same for the readings before it: many are looked at, and what one of them says by chance
	// would stand there until a bolt is turned.
	surelyStayed = 5
)

// wrongWay tells of a turn of the wrong sense, until a bolt moves again: of the bolt that moved most with
// the last reading that shows a move, the error is larger than it was before, on the same side. An error that changed
// sides was turned the right way, and too far.
func wrongWay(v mountmodel.View) *WrongWay {
	if v.Phase != mountmodel.Adjusting || v.Doubt || v.Now == nil || len(v.Adjust) == 0 {
		return nil
	}
	var read []axis.Status
	if v.Measured != nil {
		read = append(read, *v.Measured)
	}
	for _, r := range v.Adjust {
		read = append(read, r.Status)
	}
	last := len(read) - 1
	for i, sure := last, float64(surelyMoved); i > 0; i, sure = i-1, surelyStayed {
		bolt, moved, sigma := movedMost(read[i-1], read[i], v.Pole)
		if moved < sure*sigma {
			continue // nothing was turned between these two
		}
		was, is := offsetAt(read[i-1], bolt), offsetAt(read[last], bolt)
		worse := is.Abs() - was.Abs()
		if was*is < 0 || float64(worse) < sure*sigma {
			return nil
		}
		return &WrongWay{Bolt: string(bolt), WorseArcmin: Number(worse.Arcminutes())}
	}
	return nil
}

// movedMost is the bolt whose error changed most on the sky between two readings: by how much, and the standard deviation of that,
// both as the bolt counts, in radians.
func movedMost(before, after axis.Status, pole sky.Local) (bolt adjust.Bolt, moved, sigma float64) {
	alt := float64((after.Offset.Alt - before.Offset.Alt).Abs())
	az := float64((after.Offset.Az - before.Offset.Az).Abs())
	if az*math.Hypot(pole.X, pole.Y) > alt {
		return adjust.AzimuthBolt, az, math.Hypot(float64(after.Axis.SigmaAz()), float64(before.Axis.SigmaAz()))
	}
	return adjust.AltitudeBolt, alt, math.Hypot(float64(after.Axis.SigmaAlt()), float64(before.Axis.SigmaAlt()))
}

func offsetAt(s axis.Status, bolt adjust.Bolt) sky.Angle {
	if bolt == adjust.AzimuthBolt {
		return s.Offset.Az
	}
	return s.Offset.Alt
}
