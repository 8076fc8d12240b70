// Package frames tells a measurement through devices what the pipeline read in a picture.
//
// What comes in: the outcome of a frame, and the site. What goes out: the few things that the
// measurement steers by; the camera's attitude is fitted on observed places
// ([polard/mountmodel/observed]), as for the axis.
package frames

import (
	"polard/cmd/polard/internal/devices/measure"
	"polard/cmd/polard/internal/pipeline"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// Seen is what an outcome tells the measurement.
func Seen(o pipeline.Outcome, site sky.Site, air sky.Air) measure.Seen {
	seen := measure.Seen{Mid: o.Sighting.Mid, Stars: o.Detected}
	if o.Problem != nil {
		seen.Why = o.Problem.Saying(o.Detected)
		return seen
	}
	for _, d := range o.Solution.Detected.Detections {
		if d.Saturated {
			seen.Saturated++
		}
	}
	observer, err := observed.NewObserver(site, air, o.Sighting.Mid, 0)
	if err != nil {
		seen.Why = sky.Say("frame_unplaced", "its time or place cannot be used: %s", sky.SayingOf(err))
		return seen
	}
	attitude, err := observer.Attitude(o.Sighting.Pairs)
	if err != nil {
		seen.Why = sky.SayingOf(err)
		return seen
	}
	seen.Solved, seen.Attitude = true, attitude.R
	return seen
}
