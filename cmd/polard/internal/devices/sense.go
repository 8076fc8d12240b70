package devices

import (
	"context"
	"math"
	"time"

	"polard/mountmodel/sky"
)

const (
	// sensed is the turn that tells which way a motion goes, above noise and tracking, and senseTime
	// how long it is waited for.
	sensed    = 0.1 * sky.Degree
	senseTime = 3 * time.Second
	lookEach  = 100 * time.Millisecond
	// atRest is what a mount that stands or tracks may seem to turn: the drive alone does so in 7 s.
	atRest = 0.03 * sky.Degree
	// restTime is how long a mount may take to come to rest after it was told to.
	restTime = 8 * time.Second
	// reportTime is within how long a mount that moves is heard of: drivers report each second or oftener.
	reportTime = 1500 * time.Millisecond
)

// Pause waits for a time, unless ctx ends before.
func Pause(ctx context.Context, d time.Duration) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(d):
		return nil
	}
}

// Westward is how far a mount has turned to the west from one report to another: right ascension
// falls meanwhile.
func Westward(from, to MountState) sky.Angle { return (from.RA - to.RA).Signed() }

// Northward is how far its declination has grown.
func Northward(from, to MountState) sky.Angle { return to.Dec - from.Dec }

// Sense tells which way a motion goes where the protocol does not say: begin begins it, slowly, halt ends
// it, and grown, which is to have the sign of by, is what is looked at. The sense is 1 where it went as wanted, -1 where it
// went the other way, and 0 where the mount was not seen to move: whoever watches it will tell. After a
// motion the other way the mount stands, so that it is not turned round while it goes on.
func Sense(ctx context.Context, m Mount, by sky.Angle, begin, halt func() error, grown func(from, to MountState) sky.Angle) (sense float64, err error) {
	from, err := m.State(ctx)
	if err != nil {
		return 0, err
	}
	if err := begin(); err != nil {
		return 0, err
	}
	for limit := time.Now().Add(senseTime); sense == 0 && time.Now().Before(limit); {
		if err := Pause(ctx, lookEach); err != nil {
			return 0, err
		}
		s, err := m.State(ctx)
		if err != nil {
			return 0, err
		}
		if turned := grown(from, s); turned.Abs() > sensed {
			sense = math.Copysign(1, float64(turned*by))
		}
	}
	if err := halt(); err != nil || sense >= 0 {
		return sense, err
	}
	return sense, AwaitRest(ctx, reportTime, func() (MountState, bool, error) {
		s, err := m.State(ctx)
		return s, s.Moving, err
	}, grown)
}

// AwaitRest waits until a mount that was told to stop has stood for some time. look tells where it is, and whether it reports
// to move; apart is how far it turned from one look to another. It fails with ErrRunsOn where the mount does not come to rest.
func AwaitRest[P any](ctx context.Context, settle time.Duration, look func() (at P, moving bool, err error), apart func(from, to P) sky.Angle) error {
	start := time.Now()
	var rest P // where it has stood since
	var since time.Time
	for {
		at, moving, err := look()
		if err != nil {
			return err
		}
		now := time.Now()
		if moving || since.IsZero() || apart(rest, at).Abs() > atRest {
			rest, since = at, now
		}
		switch {
		case now.Sub(since) >= settle:
			return nil
		case now.Sub(start) > restTime+settle:
			return ErrRunsOn
		}
		if err := Pause(ctx, lookEach); err != nil {
			return err
		}
	}
}
