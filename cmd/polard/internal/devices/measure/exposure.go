package measure

import (
	"time"

	"polard/cmd/polard/internal/devices"
	"polard/mountmodel/sky"
)

const (
	// enoughStars is what a frame should show: the match needs about twenty (solve), and cloud or
	// another place may take half of them.
	enoughStars = 40
	// manyStars is from where a shorter exposure serves as well.
	manyStars = 600
	// mostSaturated is the share of detected stars whose cores may be saturated: those give poor
	// places, and a mount that is followed by bright stars only is followed badly (common practice).
	mostSaturated = 0.2

	firstExposure    = 2 * time.Second
	shortestExposure = 200 * time.Millisecond
	// longestExposure: beyond it a person waits too long between a bolt's turn and its number.
	longestExposure = 30 * time.Second
)

// DefaultShot is the exposure to begin with.
func DefaultShot() devices.Shot { return devices.Shot{Exposure: firstExposure} }

// nextShot gives the exposure and gain to take next, by what the newest frame showed; why has no words
// where it should stay as it is.
func nextShot(shot devices.Shot, seen Seen, info devices.CameraInfo) (next devices.Shot, why sky.Saying) {
	next = shot
	longest, shortest := longestExposure, shortestExposure
	if info.Longest > 0 {
		longest = min(longest, info.Longest)
	}
	shortest = max(shortest, info.Shortest)
	saturated := 0.0
	if seen.Stars > 0 {
		saturated = float64(seen.Saturated) / float64(seen.Stars)
	}
	switch {
	case seen.Stars < enoughStars && saturated <= mostSaturated && shot.Exposure < longest:
		factor := time.Duration(2)
		if seen.Stars < enoughStars/4 {
			factor = 4
		}
		next.Exposure = min(factor*shot.Exposure, longest)
		return next, sky.Say("shot_longer", "too few stars (%d): exposing %s s", seen.Stars, sky.Decimal{Value: next.Exposure.Seconds(), Digits: 1})
	case seen.Stars < enoughStars && saturated <= mostSaturated:
		if gain := stepGain(shot.Gain, info, gainStep); gain != nil {
			next.Gain = gain
			return next, sky.Say("shot_more_gain", "too few stars (%d), and the exposure is long enough: gain %s", seen.Stars, sky.Decimal{Value: *gain})
		}
	case saturated > mostSaturated && seen.Stars >= enoughStars || seen.Stars > manyStars:
		if gain := stepGain(shot.Gain, info, -gainStep); gain != nil && saturated > mostSaturated {
			next.Gain = gain
			return next, sky.Say("shot_less_gain", "%d of %d stars are saturated: gain %s", seen.Saturated, seen.Stars, sky.Decimal{Value: *gain})
		}
		if shot.Exposure > shortest {
			next.Exposure = max(shot.Exposure/2, shortest)
			return next, sky.Say("shot_shorter", "%d stars, %d of them saturated: exposing %s s", seen.Stars, seen.Saturated, sky.Decimal{Value: next.Exposure.Seconds(), Digits: 1})
		}
	}
	return shot, sky.Saying{}
}

// gainStep is the part of the camera's range by which the gain is changed.
const gainStep = 0.25

// stepGain goes a part of the camera's range of gains up or down; nil where there is no range or its end is reached.
func stepGain(gain *float64, info devices.CameraInfo, share float64) *float64 {
	if gain == nil {
		gain = info.Gain
	}
	if gain == nil || info.LowGain == nil || info.HiGain == nil || !(*info.HiGain > *info.LowGain) {
		return nil
	}
	next := min(max(*gain+share*(*info.HiGain-*info.LowGain), *info.LowGain), *info.HiGain)
	if next == *gain {
		return nil
	}
	return &next
}
