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
