package measure

import (
	"errors"
	"testing"
	"time"

	"polard/cmd/polard/internal/devices"
	"polard/mountmodel/sky"

	"pgregory.net/rapid"
)

// On a busy machine or network reports of where the axis stands come late, and some at once: it is stopped as near to its end
// as it turns in the time by which they may be late and between two looks, and by what that makes wrong of the rate at which it
// is taken to go on from the newest report.
func TestTurnEndsWhereAskedThoughReportsAreLate(t *testing.T) {
	const every, late = 200 * time.Millisecond, 300 * time.Millisecond
	const most = late + tick + (every+late+tick+reaction)*late/rateOver
	rapid.Check(t, func(t *rapid.T) {
		rate := rapid.Float64Range(0.5, 4).Draw(t, "degrees a second")
		by := sky.Angle(rapid.Float64Range(10, 60).Draw(t, "degrees")) * sky.Degree
		began := time.Unix(1_700_000_000, 0)
		at := func(since time.Duration) sky.Angle { return sky.Angle(rate*since.Seconds()) * sky.Degree }
		o := &progress{move: Move{RightAscension, by}, began: began, bestAt: began, last: devices.MountState{At: began}}
		var sent, heard time.Duration // of the newest report that was heard
		next, arrives := every, every+time.Duration(rapid.Int64Range(0, int64(late)).Draw(t, "late"))
		for now := tick; ; now += tick {
			for arrives <= now {
				sent, heard = next, arrives
				next += every
				// In order, as they are read from one connection.
				arrives = max(arrives, next+time.Duration(rapid.Int64Range(0, int64(late)).Draw(t, "late")))
			}
			done, err := o.take(Position{Hour: at(sent)}, devices.MountState{At: began.Add(heard), Moving: true}, began.Add(now))
			if err != nil {
				t.Fatal(err)
			}
			if !done {
				continue
			}
			if off := at(now+reaction) - by; off.Abs() > at(most) {
				t.Fatalf("at %.1f degrees a second it stops %.2f degrees off", rate, off.Degrees())
			}
			return
		}
	})
}

// Which way a switch turns an axis may have had to be tried, and that took it back: from there on it must not go back farther.
func TestWrongWayIsCountedFromWhereItWasUnderWay(t *testing.T) {
	began := time.Unix(1_700_000_000, 0)
	for _, c := range []struct {
		onTrial, then sky.Angle
		wrong         bool
	}{{0, -0.9, false}, {0, -1.1, true}, {-1.9, -2.8, false}, {-1.9, -3, true}, {0.5, -0.9, false}, {0.5, -1.1, true}} {
		o := &progress{move: Move{Declination, 25 * sky.Degree}, last: devices.MountState{At: began}}
		o.underWay(Position{Dec: c.onTrial * sky.Degree}, devices.MountState{At: began}, began)
		_, err := o.take(Position{Dec: c.then * sky.Degree}, devices.MountState{At: began.Add(time.Second), Moving: true}, began.Add(time.Second))
		if errors.Is(err, ErrStalled) != c.wrong {
			t.Errorf("tried to %g degrees, then at %g: %v", float64(c.onTrial), float64(c.then), err)
		}
	}
}
