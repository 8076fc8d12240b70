package mountmodel

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"polard/mountmodel/adjust"
	"polard/mountmodel/nights"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// Session is one alignment from the first frame to the locked bolts: a state
// machine (see transitions) fed with sightings and user events, in one goroutine. It
// reads no clock: the time at which something reached it is passed in. Its View is
// what a page shows; the command that reads a list of frames runs the same
// session (see [Measure]), so that both give the same numbers.
//
// Every method either takes its step whole, view included, or leaves the session as
// it was: also when it panics.
type Session struct {
	cfg       Config
	list      bool // frames of a list: the measurement ends only when told; no counting, no judging
	replaying bool // the view is made when asked for
	history   []entry
	kept      *adjust.Bolts // learnt before starting over; nil when nothing was
	choice    *Choice       // the last one, until another frame comes
	present
	view View

	probe func(part string) // nil but in tests
}

// present is all that follows from configuration and history.
type present struct {
	poles [3]sky.Local  // by observed.PoleKind
	known *adjust.Bolts // what is known of the bolts before they are followed
	state state
	facts
	habits Habits
}

// entry is one thing that reached the session; the history of all of them
// gives the session anew under another configuration.
type entry struct {
	now      time.Time
	sighting *Sighting
	event    Event
	stroke   *adjust.Stroke
	role     role
	leftOut  bool // by the person; the role stays, for when it is taken back
}

// role is what a sighting was taken for. It is kept, so that a session
// replayed with another site or tolerance does not take a frame for something
// else after the fact.
type role int

const (
	roleOpen role = iota // not decided: the frame could not be used
	roleMeasures
	roleAdjusts
	roleWatches // an ordinary exposure, of whatever target
)

// mostAdjusts is how many frames after the measurement are kept, both to show
// and to replay.
const mostAdjusts = adjust.MostReports

// NewSession starts a session; nothing else runs.
func NewSession(cfg Config) (*Session, error) {
	return newSession(cfg, false)
}

func newSession(cfg Config, list bool) (*Session, error) {
	if err := cfg.Check(); err != nil {
		return nil, err
	}
	s := &Session{cfg: cfg, list: list}
	s.reset()
	s.finish()
	return s, nil
}

func (s *Session) reset() {
	s.present = present{state: waiting{}, known: s.kept}
	for _, k := range []observed.PoleKind{observed.Refracted, observed.True} {
		s.poles[k] = observed.Pole(s.cfg.Site, s.cfg.Air, k)
	}
	s.poles[observed.Planned] = s.cfg.Planned
	if s.known == nil {
		s.known = adjust.NewBolts(s.pole())
	}
}

func (s *Session) pole() sky.Local { return s.poles[s.cfg.Pole] }

// bolts is what is known of them.
func (s *Session) bolts() *adjust.Bolts {
	if live := s.state.following(); live != nil {
		return live.Bolts()
	}
	return s.known
}

// View is the session as it now stands.
func (s *Session) View() View {
	if s.replaying {
		return s.makeView()
	}
	return s.view.copied()
}

// Phase is where the session stands.
func (s *Session) Phase() Phase { return s.state.phase() }

// Replay says whether what comes is of a past night, taken in once more: then the
// view is made when it is asked for, and when the replay ends, not at every step.
func (s *Session) Replay(on bool) {
	next := *s
	if next.replaying = on; !on {
		next.finish()
	}
	*s = next
}

// finish works out what the page shows.
func (s *Session) finish() {
	if s.replaying {
		return
	}
	if night := s.state.watch(); night != nil {
		s.part("night")
		night = night.Fitted()
		s.state = s.state.(watcher).watching(night)
		s.habits = s.habitsOf(night, s.habits)
	} else {
		s.habits = Habits{}
	}
	s.view = s.makeView()
}

// Probe has a function called before every numeric part: by a panic in it, tests break the part.
func (s *Session) Probe(probe func(part string)) { s.probe = probe }

func (s *Session) part(name string) {
	if s.probe != nil {
		s.probe(name)
	}
}

// Do carries out what the user told at the time now.
func (s *Session) Do(now time.Time, event Event) error {
	if event == TakeBack {
		return s.takeBack()
	}
	next := *s
	if event == StartOver || event == WatchOnly && s.Phase() != Watching {
		next.history, next.choice = nil, nil
		next.kept = s.bolts().Clone()
		next.kept.Loosen()
		next.reset()
	}
	if err := next.tell(event); err != nil {
		return err
	}
	if event != StartOver {
		next.history = append(slices.Clip(next.history), entry{now: now, event: event})
	}
	next.finish()
	*s = next
	return nil
}

// Take takes in the sighting that reached the session at the time now. The
// session keeps it; the caller must not change it afterwards.
func (s *Session) Take(now time.Time, sighting Sighting) {
	if s.knows(sighting) {
		return
	}
	next := *s
	next.choice = nil
	e := entry{now: now, sighting: &sighting}
	e.role = next.take(now, &sighting, roleOpen)
	next.choose()
	next.finish()
	next.history = append(slices.Clip(s.history), e)
	next.forget()
	if was, is := s.Phase(), next.Phase(); e.role == roleMeasures && is != was && is != Measuring {
		// The session itself ended the measurement: kept as if told.
		next.history = append(next.history, entry{now: now, event: Measured})
	}
	*s = next
}

// knows tells whether the sighting was used before. A frame that could not be
// used may come again, its file meanwhile complete.
func (s *Session) knows(sighting Sighting) bool {
	return slices.ContainsFunc(s.history, func(e entry) bool {
		return e.role != roleOpen && e.sighting != nil && e.sighting.Name == sighting.Name && e.sighting.Mid.Equal(sighting.Mid)
	})
}

// forget drops the oldest entries that the present no longer rests on. The history
// is the session's own.
func (s *Session) forget() {
	for _, r := range []role{roleAdjusts, roleOpen, roleWatches} {
		count, oldest := 0, -1
		for i, e := range s.history {
			if e.sighting != nil && e.role == r {
				count++
				if oldest < 0 {
					oldest = i
				}
			}
		}
		if count <= mostAdjusts {
			continue
		}
		s.history = slices.Delete(s.history, oldest, oldest+1)
		if r == roleAdjusts { // what was reported before that frame goes with it
			s.history = slices.Concat(slices.DeleteFunc(s.history[:oldest:oldest], func(e entry) bool { return e.stroke != nil }), s.history[oldest:])
		}
	}
}

// Reconfigure changes site, air, pole, tolerance or the number of frames, and
// works everything out anew from the frames kept.
func (s *Session) Reconfigure(cfg Config) error {
	if err := cfg.Check(); err != nil {
		return err
	}
	next := *s
	next.cfg = cfg
	next.reset()
	next.history = slices.Clone(s.history)
	for i, e := range next.history {
		switch {
		case e.leftOut:
			next.passOver(e.now, e.sighting)
			next.choose()
		case e.sighting != nil:
			next.history[i].role = next.take(e.now, e.sighting, e.role)
			next.choose()
		case e.stroke != nil:
			_ = next.fire(strokeReported, &input{now: e.now, stroke: *e.stroke})
		default:
			// Under another site an axis may come out unusable, and what the user
			// told then no longer fits: the session stands where it can.
			_ = next.tell(e.event)
		}
	}
	if night := s.state.watch(); night != nil && next.state.watch() != nil && s.cfg.Site == cfg.Site && s.cfg.Air == cfg.Air && s.cfg.DUT1 == cfg.DUT1 && s.cfg.Correction.Ahead == cfg.Correction.Ahead {
		// The night's frames stay as they are: many more than the history keeps.
		next.state = next.state.(watcher).watching(night.Retuned(cfg.nights()))
	}
	next.lastHeard = s.lastHeard
	next.finish()
	*s = next
	return nil
}

// takeBack forgets the last stroke that was reported, and works everything out anew.
func (s *Session) takeBack() error {
	for i := len(s.history) - 1; i >= 0; i-- {
		if s.history[i].stroke != nil {
			next := *s
			next.history = slices.Delete(slices.Clone(s.history), i, i+1)
			if err := next.Reconfigure(s.cfg); err != nil {
				return err
			}
			*s = next
			return nil
		}
	}
	return fmt.Errorf("no turn of a bolt was told: %w", ErrNotNow)
}

// mostTurns is more than any adjuster has thread for.
const mostTurns = adjust.MostTurns

// ErrTurns refuses turns that no bolt has.
var ErrTurns = fmt.Errorf("say which bolt was turned, %q or %q, and by how many turns, at most %d: clockwise positive, anticlockwise negative", adjust.AltitudeBolt, adjust.AzimuthBolt, mostTurns)

// Turned takes in what the person turned: a bolt, and by how many turns,
// clockwise positive. Both bolts may have been turned, or one to and fro: one
// call for each stroke, in their order, before the frame that shows where the
// axis went. The session learns from it how the axis answers, and speaks in
// turns from then on; nothing else depends on it. Frames may have come in
// while the bolt was being turned: what is reported is all since the strokes
// reported before, or since the start of the last two minutes.
func (s *Session) Turned(now time.Time, bolt adjust.Bolt, turns float64) error {
	if _, ok := bolt.Index(); !ok || turns == 0 || !(math.Abs(turns) <= mostTurns) {
		return ErrTurns
	}
	stroke := adjust.Stroke{Bolt: bolt, Turns: turns}
	next := *s
	if err := next.fire(strokeReported, &input{now: now, stroke: stroke}); err != nil {
		return err
	}
	next.finish()
	next.history = append(slices.Clip(s.history), entry{now: now, stroke: &stroke})
	*s = next
	return nil
}

// Expired tells how many of the first frames a session that watches no longer
// rests on, given the middles of their exposures in the order in which it took
// them. A session that is given the others alone stands where one stands that was
// given all, but for the results of the nights left out.
func Expired(cfg Config, mids []time.Time) int {
	return nights.Expired(cfg.nights(), mids, mostAdjusts)
}

// Errors of events that do not fit where the session stands.
var (
	ErrNotMeasured = errors.New("the axis is not measured yet: take two frames or more, turning the RA axis between them")
	ErrNotLocked   = errors.New("the bolts are not locked")
	ErrEvent       = errors.New("unknown event")
	ErrNotNow      = errors.New("this does not fit where the session stands")

	errBoltsRest = fmt.Errorf("bolts are turned after the measurement and before the lock: %w", ErrNotNow)
)
