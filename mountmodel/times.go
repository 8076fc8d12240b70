package mountmodel

import (
	"fmt"
	"slices"
	"time"

	"polard/mountmodel/axis"
	"polard/mountmodel/clock"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// exposed is what a frame's time is compared with those of others by.
type exposed struct {
	name     string
	mid      time.Time
	stamp    clock.Stamp
	attitude sky.Matrix
	skyLimit *float64
}

const (
	// mostExposed is how many frames before a frame are compared with it.
	mostExposed = 20

	// turnedBetween is a turn that takes a hand or a motor longer than the time of
	// two exposures could be cut to.
	turnedBetween = 2 * sky.Degree

	// mostCopies is how many different files there may be of one exposure: as read out,
	// calibrated, and made to be looked at.
	mostCopies = 3
)

// times is what is doubtful about the times of frames as their headers have
// them. A file that was copied is the same frame once more, and says nothing.
type times struct {
	before   []exposed     // the newest frames
	daylight *axis.Warning // the Sun was up, or hardly down, when the newest was taken
	stands   *axis.Warning // two frames were taken at once
}

// with is t after a frame.
func (t times) with(cfg Config, e exposed) times {
	t.daylight = nil
	if message := clock.Daylight(cfg.Site, cfg.Air, e.mid, e.skyLimit); message != "" && !cfg.AnyHour {
		t.daylight = &axis.Warning{Code: WarnDaylight, Frame: e.name, Message: message}
	}
	return t.compared(e)
}

// compared is t after a frame that is known by its time alone: of a clock that stopped every
// later frame is refused as no newer than the last.
func (t times) compared(e exposed) times {
	same := 1
	for _, other := range t.before {
		turn := sky.Angle(r3.Norm(sky.VectorFromRotation(e.attitude.Mul(other.attitude.Transpose()))))
		if turn > turnedBetween && (clock.Overlap(other.stamp, e.stamp) || other.mid.Equal(e.mid)) {
			t.stands = &axis.Warning{Code: WarnClockStands, Frame: e.name, Message: fmt.Sprintf(
				"%s and %s were taken at the same time, by their headers, and yet the camera turned between them: the clock that wrote the times stands still, or one of the two times is wrong. Set it right and start over; the axis is off by as much as the sky turned meanwhile.", other.name, e.name)}
		}
		if other.mid.Equal(e.mid) && other.attitude != e.attitude && e.stamp.After(other.stamp) {
			same++
		}
	}
	if t.stands == nil && same > mostCopies {
		t.stands = &axis.Warning{Code: WarnClockStands, Frame: e.name, Message: fmt.Sprintf(
			"%d different frames, the newest of them %s, were taken at the same time by their headers, and came one after the other: the clock that wrote the times stands still. Set it right and start over.", same, e.name)}
	}
	t.before = append(slices.Clone(t.before[max(0, len(t.before)-mostExposed+1):]), e)
	return t
}
