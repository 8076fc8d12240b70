package mountmodel

import (
	"fmt"
	"slices"
	"time"

	"polard/mountmodel/axis"
	"polard/mountmodel/sky"
)

// FrameChoice is the person's word on whether a frame of a measurement counts.
type FrameChoice struct {
	Name   string
	Mid    time.Time // as the sighting's, to a millisecond
	Counts bool
}

// Choice tells what leaving a frame out, or taking it back, did to the answer.
type Choice struct {
	FrameChoice
	Was, Is *axis.Offset // nil where the frames gave no axis
}

// ErrFrameNeeded refuses to leave out a frame without which the others give no axis.
var ErrFrameNeeded = fmt.Errorf("without this frame the others give no axis, take another first: %w", ErrNotNow)

var (
	errNoSuchFrame = fmt.Errorf("no frame of the measurement is called so: %w", ErrNotNow)
	errChosen      = fmt.Errorf("it stands so already: %w", ErrNotNow)
)

// Count leaves a frame out of the measurement, or takes back one that was left out, and
// works everything out anew. A frame stays in as long as the bolts are turned by what it
// alone makes possible.
func (s *Session) Count(c FrameChoice) error {
	at := slices.IndexFunc(s.history, func(e entry) bool {
		return e.role == roleMeasures && e.sighting != nil && e.sighting.Name == c.Name && e.sighting.Mid.Sub(c.Mid).Abs() < time.Millisecond
	})
	if at < 0 {
		return errNoSuchFrame
	}
	if s.history[at].leftOut != c.Counts {
		return errChosen
	}
	next := *s
	next.history = slices.Clone(s.history)
	next.history[at].leftOut = !c.Counts
	if err := next.Reconfigure(s.cfg); err != nil {
		return err
	}
	if was := s.Phase(); next.Phase() != was && was != Measuring && was != Waiting {
		return ErrFrameNeeded
	}
	next.choice = &Choice{FrameChoice: c, Was: s.offset(), Is: next.offset()}
	next.finish()
	*s = next
	return nil
}

// offset is that of the axis by the newest frame; nil while there is none.
func (s *Session) offset() *axis.Offset {
	a, ok := s.axisNow()
	if !ok {
		return nil
	}
	return new(axis.StatusOf(a, s.allowance(), s.pole()).Offset)
}

// passOver lists a frame that the person left out.
func (s *Session) passOver(now time.Time, sighting *Sighting) {
	s.lastHeard = now
	f, _ := s.read(sighting) // it could be used when it came
	f.Status, f.Message, f.Said = axis.FrameLeftOut, "", sky.Saying{}
	s.state = s.state.refusing(f.FrameReport)
}
