package mountmodel

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"polard/mountmodel/axis"
)

// Measure runs a session over a list of frames in their order. The first
// measure of them (0: all) give the axis; each later one is read as taken
// while the bolts were being turned. It returns what a page would show, with
// ErrNotMeasured, or the reason behind it, when the frames give no axis.
func Measure(cfg Config, sightings []Sighting, measure int) (View, error) {
	if measure < 0 || measure == 1 {
		return View{}, fmt.Errorf("%d frames cannot make a measurement: give 2 or more, or 0 for all", measure)
	}
	cfg.MeasureFrames = 0
	s, err := newSession(cfg, true)
	if err != nil {
		return View{}, err
	}
	s.Replay(true)
	var failure error
	for i, sighting := range sightings {
		if i == measure && measure > 0 {
			failure = s.Do(sighting.Mid, Measured)
		}
		if failure != nil {
			break
		}
		s.Take(sighting.Mid, sighting)
	}
	if failure == nil && s.state.measured() == nil {
		failure = ErrNotMeasured
	}
	if problem := s.state.running().Problem; failure != nil && problem != nil {
		failure = problem
	}
	s.Replay(false)
	return s.View(), failure
}

// ErrNotWatched means that ordinary exposures do not tell the axis.
var ErrNotWatched = errors.New("these frames do not tell the axis")

// Watch runs a session that watches over a list of frames, in any order: see
// package nights. It returns what a page would show, with ErrNotWatched and the
// reason when the frames of the last night give no axis.
func Watch(cfg Config, sightings []Sighting) (View, error) {
	s, err := newSession(cfg, true)
	if err != nil {
		return View{}, err
	}
	s.Replay(true)
	if err := s.Do(time.Time{}, WatchOnly); err != nil {
		return View{}, err
	}
	inOrder := slices.Clone(sightings)
	slices.SortStableFunc(inOrder, func(a, b Sighting) int { return a.Mid.Compare(b.Mid) })
	for _, sighting := range inOrder {
		s.Take(sighting.Mid, sighting)
	}
	s.Replay(false)
	v := s.View()
	if v.Watch != nil && v.Watch.Status != nil {
		return v, nil
	}
	if problem := s.state.watch().Problem(); problem != nil {
		return v, fmt.Errorf("%w: %w", ErrNotWatched, problem)
	}
	return v, fmt.Errorf("%w: %w", ErrNotWatched, axis.ErrFewFrames)
}
