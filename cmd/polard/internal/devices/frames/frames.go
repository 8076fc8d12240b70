// Package frames keeps the pictures of a measurement through devices, and tells it what the pipeline read in them.
//
// What comes in: a picture; the outcome of a frame, and the site. What goes out: the file; the few things that the
// measurement steers by. The camera's attitude is fitted on observed places
// ([polard/mountmodel/observed]), as for the axis.
package frames

import (
	"os"

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

// Keep writes a picture under another name and renames it, so that nobody reads half of it.
func Keep(path string, picture []byte) error {
	part := path + ".part"
	err := os.WriteFile(part, picture, 0o644)
	if err == nil {
		err = os.Rename(part, path)
	}
	if err != nil {
		_ = os.Remove(part)
		return sky.Refuse(nil, "picture_not_kept", "the picture cannot be kept: %s", err)
	}
	return nil
}
