package devices

import (
	"context"
	"time"

	"polard/mountmodel/sky"
)

const (
	// sensed is the turn that tells which way a motion goes, above noise and tracking, and senseTime
	// how long it is waited for.
	sensed    = 0.1 * sky.Degree
	senseTime = 3 * time.Second
	senseEach = 100 * time.Millisecond
	// stands is the turn between two reports of a mount that stands or tracks, and standTime how long
	// they are waited for: one that stands may report nothing any more.
	stands    = 0.03 * sky.Degree
	standTime = 3 * time.Second
)

// Westward is how far a mount has turned to the west from one report to another: right ascension
// falls meanwhile.
func Westward(from, to MountState) sky.Angle { return (from.RA - to.RA).Signed() }

// Northward is how far its declination has grown.
func Northward(from, to MountState) sky.Angle { return to.Dec - from.Dec }

// Sense tells which way a motion goes where the protocol does not say: begin begins it, slowly, and
// grown is what is looked at. Up is 1 where that grew, -1 where it fell, and 0 where the mount was
// not seen to move: whoever watches it will tell. The motion goes on.
func Sense(ctx context.Context, m Mount, begin func() error, grown func(from, to MountState) sky.Angle) (up float64, err error) {
	from, err := m.State(ctx)
	if err != nil {
		return 0, err
	}
	if err := begin(); err != nil {
		return 0, err
	}
	for limit := time.Now().Add(senseTime); time.Now().Before(limit); {
		select {
		case <-ctx.Done():
			return 0, ctx.Err()
		case <-time.After(senseEach):
		}
		s, err := m.State(ctx)
		if err != nil {
			return 0, err
		}
		if by := grown(from, s); by.Abs() > sensed {
			if by < 0 {
				return -1, nil
			}
			return 1, nil
		}
	}
	return 0, nil
}

// Stand waits until a motion that was just told to end is seen to have ended, so that it is not
// turned round while it goes on.
func Stand(ctx context.Context, m Mount, grown func(from, to MountState) sky.Angle) error {
	told := time.Now()
	last, err := m.State(ctx)
	for err == nil && time.Since(told) < standTime {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(senseEach):
		}
		var s MountState
		if s, err = m.State(ctx); err != nil || !s.At.After(last.At) {
			continue
		}
		if last.At.After(told) && !s.Moving && grown(last, s).Abs() < stands {
			return nil
		}
		last = s
	}
	return err
}
