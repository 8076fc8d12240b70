package mountmodel

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"polard/mountmodel/adjust"
	"polard/mountmodel/axis"
	"polard/mountmodel/clock"
	"polard/mountmodel/nights"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// Config is what a session has to know beforehand.
type Config struct {
	Site      sky.Site
	Air       sky.Air
	Pole      observed.PoleKind
	Tolerance sky.Angle // how far from the pole is near enough; see DefaultTolerance
	// MeasureFrames is how many usable frames make the measurement; 0 leaves
	// it to the session.
	MeasureFrames int
	DUT1          float64 // UT1-UTC in seconds
	// AirUncertain is the relative standard deviation of refraction; 0 stands for
	// that of a standard atmosphere, sky.StandardAirUncertain.
	AirUncertain float64
	Guiding      nights.Guiding // of ordinary exposures, while watching
}

// DefaultTolerance is the distance from the pole at which an alignment counts
// as done, unless the user says otherwise: over a minute of exposure it
// drifts a star by less than 0.3 arcsec (15 arcsec per second of time times
// 60 s times 1 arcminute).
const DefaultTolerance = 1 * sky.Arcminute

// Limits of a believable tolerance: the first is below what any real mount
// holds, the second above what any user would call aligned.
const (
	leastTolerance    = 1 * sky.Arcsecond
	greatestTolerance = 5 * sky.Degree
)

// BelievableTolerance brings a tolerance into the limits that a session takes.
func BelievableTolerance(t sky.Angle) sky.Angle {
	return min(max(t, leastTolerance), greatestTolerance)
}

// maxMeasureFrames bounds the frames of one measurement, and with it the time
// that one fit takes.
const maxMeasureFrames = 500

// Check says what is wrong with the configuration, or nil.
func (c Config) Check() error {
	if err := c.Site.Check(); err != nil {
		return err
	}
	if err := c.Air.Check(); err != nil {
		return err
	}
	switch {
	case c.Pole != observed.Refracted && c.Pole != observed.True:
		return fmt.Errorf("pole kind %v is unknown", c.Pole)
	case !(c.Tolerance >= leastTolerance && c.Tolerance <= greatestTolerance):
		sign := ""
		if c.Tolerance < 0 {
			sign = "-" // AngleWords leaves it out
		}
		return fmt.Errorf("tolerance %s%s is outside %s to %s", sign, sky.AngleWords(c.Tolerance), sky.AngleWords(leastTolerance), sky.AngleWords(greatestTolerance))
	case c.Guiding != nights.GuidingUnknown && c.Guiding != nights.Unguided && c.Guiding != nights.Guided:
		return fmt.Errorf("guiding kind %d is unknown", c.Guiding)
	case c.MeasureFrames != 0 && (c.MeasureFrames < 2 || c.MeasureFrames > maxMeasureFrames):
		return fmt.Errorf("%d frames cannot make a measurement: give 2 to %d, or 0 to leave it to the session", c.MeasureFrames, maxMeasureFrames)
	}
	return nil
}

// Event is what the user tells the session.
type Event string

// The events, as words so that a page can send them.
const (
	StartOver Event = "start_over" // forget all frames and measure anew
	Measured  Event = "measured"   // the measurement is done: the bolts are turned from now on
	Locked    Event = "locked"     // the bolts are locked: confirm
	Unlocked  Event = "unlocked"   // back to adjusting
	WatchOnly Event = "watch"      // forget all frames; from now on every frame is an ordinary exposure
	TakeBack  Event = "take_back"  // the last turn of a bolt that was told was not turned so
)

// Session is one alignment from the first frame to the locked bolts: a state
// machine fed with sightings and user events, in one goroutine. It reads no
// clock: the time at which something reached it is passed in. Its View is
// what a page shows; the command that reads a list of frames runs the same
// session (see [Measure]), so that both give the same numbers.
type Session struct {
	cfg     Config
	byHand  bool // the measurement ends only when told: no counting, no judging
	history []entry
	kept    *adjust.Bolts // learnt before starting over; nil when nothing was
	present
}

// present is all that follows from configuration and history.
type present struct {
	sequence  int
	phase     Phase
	poles     [2]sky.Local     // by PoleKind
	first     axis.Measurement // the measurement that bolts are turned by
	again     axis.Measurement // after the lock
	tracker   *adjust.Tracker  // from the end of a measurement on
	moved     bool             // a frame after the measurement no longer fits it
	adjust    []AdjustView
	turning   turning        // the bolt to turn now
	held      *adjust.Step   // a frame in doubt
	lastMove  [2]float64     // of the axis, by the newest frame, across and up
	undo      *undo          // how things stood before the newest frame, if that may prove wrong
	likeDec   bool           // a movement taken for one of the bolts may have been one of the declination
	notice    *axis.Warning  // about the newest frame, while bolts are turned
	noticed   []axis.Warning // of all frames of a list
	spoilt    *axis.Warning  // the tube moved after the measurement: nothing can be read any more
	bumped    *axis.Warning  // the mount moved by something else than bolts
	clock     *axis.Warning  // the camera's clock and the host's disagree
	clockZone bool           // by what time zones differ: until the user starts over
	stamps    []clock.Stamp  // of the newest frames
	files     []clock.Stamp  // those that are compared with the files' own times
	fileClock *axis.Warning  // the camera's clock and the files' times disagree
	unsolved  *axis.Warning  // about the newest frame
	blind     bool           // the newest frame tells nothing of how things now stand
	unlocked  axis.Axis      // as the axis stood when the bolts were locked
	lock      *LockShift
	bolts     *adjust.Bolts      // up to the last strokes told
	hinted    *adjust.Bolts      // and what untold movements since have shown
	told      []adjust.Stroke    // since the newest frame
	toldFrom  []reading          // where the axis stood since the last strokes told, oldest first
	watched   []axis.FrameReport // the newest ordinary exposures
	night     *nights.Watch      // nil unless ordinary exposures are watched
	lastMid   time.Time
	lastHeard time.Time
}

// entry is one thing that reached the session; the history of all of them
// gives the session anew under another configuration.
type entry struct {
	now      time.Time
	sighting *Sighting
	event    Event
	stroke   *adjust.Stroke
	role     role
}

// reading is where the axis stood when a frame reached the session.
type reading struct {
	heard time.Time
	axis  axis.Axis
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
// and to replay: some ten minutes of one frame every two seconds.
const mostAdjusts = 300

// NewSession starts a session; nothing else runs.
func NewSession(cfg Config, now time.Time) (*Session, error) {
	if err := cfg.Check(); err != nil {
		return nil, err
	}
	s := &Session{cfg: cfg}
	s.reset()
	s.lastHeard = time.Time{}
	return s, nil
}

func (s *Session) reset() {
	sequence := s.sequence
	s.present = present{sequence: sequence + 1, phase: Waiting}
	for _, k := range []observed.PoleKind{observed.Refracted, observed.True} {
		s.poles[k] = observed.Pole(s.cfg.Site, s.cfg.Air, k)
	}
	if s.bolts = s.kept; s.bolts == nil {
		s.bolts = adjust.NewBolts(s.pole())
	}
	s.hinted = s.bolts
}

func (s *Session) pole() sky.Local { return s.poles[s.cfg.Pole] }

// Errors of events that do not fit where the session stands.
var (
	ErrNotMeasured = errors.New("the axis is not measured yet: take two frames or more, turning the RA axis between them")
	ErrNotLocked   = errors.New("the bolts are not locked")
	ErrEvent       = errors.New("unknown event")
	ErrNotNow      = errors.New("this does not fit where the session stands")
)

// Do carries out what the user told at the time now.
func (s *Session) Do(now time.Time, event Event) error {
	if event == WatchOnly && s.phase == Watching {
		return fmt.Errorf("every frame is watched already: %w", ErrNotNow)
	}
	if event == StartOver || event == WatchOnly {
		s.history = nil
		s.kept = s.hinted.Clone()
		s.kept.Loosen()
		s.reset()
	}
	switch event {
	case StartOver:
		return nil
	case TakeBack:
		return s.takeBack()
	}
	if err := s.do(event); err != nil {
		return err
	}
	s.sequence++
	s.history = append(s.history, entry{now: now, event: event})
	return nil
}

func (s *Session) do(event Event) error {
	switch event {
	case Measured:
		switch {
		case s.phase == Measuring && s.first.Fit != nil:
			s.beginAdjusting()
		case s.phase == Confirming && s.again.Fit != nil:
			s.confirm()
		case s.phase == Adjusting || s.phase == Done:
			return fmt.Errorf("the measurement is already done: %w", ErrNotNow)
		default:
			return ErrNotMeasured
		}
	case Locked:
		if s.phase != Adjusting {
			return fmt.Errorf("locking comes after adjusting: %w", ErrNotNow)
		}
		s.phase, s.unlocked, s.again, s.lock = Confirming, s.tracker.Axis(), axis.Measurement{}, nil
	case TurnAltitude:
		return s.changeOver(adjust.AltitudeBolt)
	case TurnAzimuth:
		return s.changeOver(adjust.AzimuthBolt)
	case WatchOnly:
		s.phase, s.night = Watching, nights.New(s.cfg.nights())
	case Unlocked:
		switch s.phase {
		case Confirming:
			s.again = axis.Measurement{}
		case Done:
		default:
			return ErrNotLocked
		}
		s.phase, s.lock, s.night = Adjusting, nil, nil
		s.rest(s.lastHeard)
	default:
		return fmt.Errorf("%q: %w", event, ErrEvent)
	}
	s.choose()
	return nil
}

// beginAdjusting ends the measurement.
func (s *Session) beginAdjusting() {
	s.phase = Adjusting
	s.tracker = trackerFrom(&s.first, s.cfg.Site.South())
	s.moved, s.held, s.undo, s.likeDec, s.notice, s.spoilt, s.bumped = false, nil, nil, false, nil, nil, nil
	s.rest(s.lastHeard)
}

// confirm ends the measurement after the lock. It takes the place of the
// first: whatever the bolts do from here on starts from it.
func (s *Session) confirm() {
	confirmed := s.again.Fit.Axis
	off := axis.OffsetBetween(confirmed.Dir, s.unlocked.Dir)
	both := axis.Axis{Dir: confirmed.Dir}
	for i := range 2 {
		for j := range 2 {
			both.Cov[i][j] = confirmed.Cov[i][j] + s.unlocked.Cov[i][j]
		}
	}
	major, _, _ := both.Ellipse()
	s.lock = &LockShift{Alt: off.Alt, Az: off.Az, Total: off.Total, Uncertainty: major}
	s.first, s.again, s.adjust = s.again, axis.Measurement{}, nil
	s.beginAdjusting()
	s.phase, s.night = Done, nights.New(s.cfg.nights())
}

// Take takes in the sighting that reached the session at the time now. The
// session keeps it; the caller must not change it afterwards.
func (s *Session) Take(now time.Time, sighting Sighting) {
	if s.knows(sighting) {
		return
	}
	s.sequence++
	e := entry{now: now, sighting: &sighting}
	was := s.phase
	e.role = s.take(now, &sighting, roleOpen)
	s.choose()
	s.history = append(s.history, e)
	s.forget()
	if e.role == roleMeasures && s.phase != was && s.phase != Measuring {
		// The session itself ended the measurement: kept as if told.
		s.history = append(s.history, entry{now: now, event: Measured})
	}
}

// knows tells whether the sighting was used before. A frame that could not be
// used may come again, its file meanwhile complete.
func (s *Session) knows(sighting Sighting) bool {
	return slices.ContainsFunc(s.history, func(e entry) bool {
		return e.role != roleOpen && e.sighting != nil && e.sighting.Name == sighting.Name && e.sighting.Mid.Equal(sighting.Mid)
	})
}

// forget drops the oldest entries that the present no longer rests on.
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
		if count > mostAdjusts {
			s.history = slices.Delete(s.history, oldest, oldest+1)
			if r == roleAdjusts { // what was told before that frame goes with it
				s.history = slices.Concat(slices.DeleteFunc(s.history[:oldest:oldest], func(e entry) bool { return e.stroke != nil }), s.history[oldest:])
			}
		}
	}
	if n := len(s.adjust); n > mostAdjusts {
		s.adjust = slices.Delete(s.adjust, 0, n-mostAdjusts)
	}
}

// Reconfigure changes site, air, pole, tolerance or the number of frames, and
// works everything out anew from the frames kept.
func (s *Session) Reconfigure(cfg Config) error {
	if err := cfg.Check(); err != nil {
		return err
	}
	was, night := s.cfg, s.night
	s.cfg = cfg
	heard := s.lastHeard
	s.reset()
	for i, e := range s.history {
		switch {
		case e.sighting != nil:
			s.history[i].role = s.take(e.now, e.sighting, e.role)
			s.choose()
			continue
		case e.stroke != nil:
			s.turned(e.now, *e.stroke)
			continue
		}
		// Under another site an axis may come out unusable, and what the user
		// told then no longer fits: the session stands where it can.
		_ = s.do(e.event)
	}
	if s.night != nil && night != nil && was.Site == cfg.Site && was.Air == cfg.Air && was.DUT1 == cfg.DUT1 {
		// The night's frames stay as they are: many more than the history keeps.
		night.Retune(cfg.nights())
		s.night = night
	}
	s.lastHeard = heard
	return nil
}

// ErrTurns refuses turns that no bolt has.
var ErrTurns = fmt.Errorf("say which bolt was turned, %q or %q, and by how many turns, at most %d: clockwise positive, anticlockwise negative", adjust.AltitudeBolt, adjust.AzimuthBolt, adjust.MostTurns)

// Turned takes in what the person turned: a bolt, and by how many turns,
// clockwise positive. Both bolts may have been turned, or one to and fro: one
// call for each stroke, in their order, before the frame that shows where the
// axis went. The session learns from it how the axis answers, and speaks in
// turns from then on; nothing else depends on it. Frames may have come in
// while the bolt was being turned: what is told is all since the strokes told
// before, or since the start of the last two minutes.
func (s *Session) Turned(now time.Time, bolt adjust.Bolt, turns float64) error {
	if _, ok := bolt.Index(); !ok || turns == 0 || !(math.Abs(turns) <= adjust.MostTurns) {
		return ErrTurns
	}
	if s.phase != Adjusting {
		return fmt.Errorf("bolts are turned after the measurement and before the lock: %w", ErrNotNow)
	}
	stroke := adjust.Stroke{Bolt: bolt, Turns: turns}
	s.turned(now, stroke)
	s.sequence++
	s.history = append(s.history, entry{now: now, stroke: &stroke})
	return nil
}

// takeBack forgets the last stroke that was told, and works everything out anew.
func (s *Session) takeBack() error {
	for i := len(s.history) - 1; i >= 0; i-- {
		if s.history[i].stroke != nil {
			s.history = slices.Delete(s.history, i, i+1)
			return s.Reconfigure(s.cfg)
		}
	}
	return fmt.Errorf("no turn of a bolt was told: %w", ErrNotNow)
}

// toldWithin is how long after turning a bolt a person still tells of it.
const toldWithin = 2 * time.Minute

// turned remembers a stroke until the next frame shows what it did.
func (s *Session) turned(now time.Time, stroke adjust.Stroke) {
	if s.phase != Adjusting {
		return
	}
	if len(s.told) == 0 {
		for len(s.toldFrom) > 1 && now.Sub(s.toldFrom[1].heard) > toldWithin {
			s.toldFrom = s.toldFrom[1:]
		}
	}
	s.told = append(s.told, stroke)
	s.moved = true
}

// rest starts to learn anew from where the axis stands.
func (s *Session) rest(now time.Time) {
	s.bolts, s.told = s.hinted, nil
	s.toldFrom = []reading{{now, s.tracker.Axis()}}
}

// learn takes the axis by a new frame as an answer of the bolts.
func (s *Session) learn(now time.Time, at axis.Axis) {
	newest := reading{now, at}
	if alt, _ := sky.AltAzFromLocal(s.pole()); alt >= axis.NearZenith {
		return
	}
	if len(s.told) > 0 {
		learnt := s.bolts.Clone()
		learnt.Reported(s.told, adjust.MovementBetween(s.toldFrom[0].axis, at, s.pole()))
		s.hinted = learnt
		s.rest(now)
		return
	}
	before := s.toldFrom[len(s.toldFrom)-1]
	hinted := s.hinted.Clone()
	if hinted.Unreported(adjust.MovementBetween(before.axis, at, s.pole())) {
		s.hinted = hinted
		s.toldFrom = append(s.toldFrom, newest)
		if n := len(s.toldFrom); n > mostAdjusts {
			s.toldFrom = s.toldFrom[n-mostAdjusts:]
		}
	}
}

// take does what a sighting demands in the present phase and says what it was
// taken for. A role other than roleOpen is from an earlier run and binding.
func (s *Session) take(now time.Time, sighting *Sighting, past role) role {
	s.lastHeard = now
	s.unsolved, s.blind = nil, false
	f, err := s.read(sighting)
	if err != nil {
		s.blind = !s.byHand && !errors.Is(err, errOlder)
		f.Message = err.Error()
		s.unsolved = &axis.Warning{Code: WarnUnsolved, Frame: f.Name, Message: fmt.Sprintf("The newest frame, %s, could not be used: %s.", f.Name, f.Message)}
		switch {
		case !errors.Is(err, errThroughGround):
		case s.lastMid.IsZero():
			s.unsolved.Code = WarnPlace
		default: // the frames before were possible
			s.unsolved.Code = axis.WarnFrameStands
			s.unsolved.Message += " It does not fit the frames before it: a wrong match, or the camera's clock was changed. Take another."
		}
		if f.Status == axis.FrameUnsolved && !s.lastMid.IsZero() {
			s.unsolved.Message += " Earlier frames were good: look for a cloud, dew, or something before the lens, and take another."
		}
		s.running().Refuse(f.FrameReport)
		return roleOpen
	}
	s.hearClock(now, sighting)
	if s.lastMid.Before(sighting.Mid) {
		s.lastMid = sighting.Mid
	}
	switch s.phase {
	case Watching:
		if err := s.watch(f, sighting); err != nil {
			f.Status, f.Message = axis.FrameUnusable, err.Error()
			s.first.Refuse(f.FrameReport)
			return roleOpen
		}
		f.Status = axis.FrameWatches
		s.watched = append(s.watched, f.FrameReport)
		s.watched = s.watched[max(0, len(s.watched)-mostAdjusts):]
		return roleWatches
	case Waiting, Measuring:
		s.phase = Measuring
		s.first.Add(f, s.air())
		if past == roleOpen && !s.byHand && s.first.Complete(s.cfg.MeasureFrames, s.cfg.Tolerance) {
			s.beginAdjusting()
		}
		return roleMeasures
	case Adjusting:
		with, joins := s.first, false
		switch {
		case past == roleMeasures:
			with, joins = s.first.With(f, s.air()), true
		case past == roleOpen && !s.byHand && s.cfg.MeasureFrames == 0 && !s.moved:
			with, joins = s.first.Joined(f, s.air())
		}
		if joins {
			s.first = with
			if s.first.Fit != nil {
				s.beginAdjusting()
			}
			return roleMeasures
		}
		s.follow(f)
		return roleAdjusts
	case Confirming:
		s.follow(f)
		s.again.Add(f, s.air())
		if past == roleOpen && !s.byHand && s.again.Complete(s.cfg.MeasureFrames, s.cfg.Tolerance) {
			s.confirm()
		}
		return roleMeasures
	default:
		s.follow(f)
		// What is no frame of this night tells nothing, and needs no word.
		_ = s.watch(f, sighting)
		return roleAdjusts
	}
}

// watch takes a frame as an ordinary exposure.
func (s *Session) watch(f axis.Frame, sighting *Sighting) error {
	o, err := observed.NewObserver(s.cfg.Site, s.cfg.Air, sighting.Mid, s.cfg.DUT1)
	if err != nil {
		return err
	}
	return s.night.Take(nights.Exposure{Attitude: f.Observed.Attitude, Mid: sighting.Mid, Pointing: o.ICRS(f.Observed.Boresight)})
}

// read makes a frame of a sighting, or says why it cannot be used.
func (s *Session) read(sighting *Sighting) (axis.Frame, error) {
	f := axis.Frame{FrameReport: axis.FrameReport{Name: sighting.Name, Mid: sighting.Mid, Status: axis.FrameUnsolved}}
	if sighting.Refused != "" {
		return f, errors.New(sighting.Refused)
	}
	f.Status = axis.FrameUnusable
	f.Stars = len(sighting.Pairs)
	if sighting.Mid.IsZero() {
		return f, errNoTime
	}
	// Kept with the sighting, for when the session is worked out anew.
	*sighting = sighting.Prepared(s.cfg)
	if f.Observed = sighting.prepared.stance; sighting.prepared.err != nil {
		return f, sighting.prepared.err
	}
	f.Stars = f.Observed.Stars
	if alt, _ := sky.AltAzFromLocal(f.Observed.Boresight); alt < -horizonDip {
		return f, fmt.Errorf("by the place and time given it was pointed %.0f° %w", -alt.Degrees(), errThroughGround)
	}
	if m := s.running(); len(m.Frames) > 0 && m.Frames[0].Observed.Mirrored != f.Observed.Mirrored {
		return f, axis.ErrMirrored
	}
	if (s.phase == Waiting || s.phase == Measuring) && len(s.first.Frames) >= maxMeasureFrames {
		return f, fmt.Errorf("a measurement takes at most %d frames", maxMeasureFrames)
	}
	if s.tracker != nil && s.phase != Measuring && !sighting.Mid.After(s.tracker.Newest()) {
		return f, errOlder
	}
	return f, nil
}

var (
	errNoTime = errors.New("the file does not tell when it was taken")
	// errThroughGround is what a wrong place, longitude or clock comes to when it
	// is wrong by much.
	errThroughGround = errors.New("below the horizon: latitude, longitude (east is positive) or the time in the frame is wrong; check all three")

	errOlder = errors.New("it is not newer than the frame before it")
)

// running is the measurement that frames now go to.
func (s *Session) running() *axis.Measurement {
	if s.phase == Confirming {
		return &s.again
	}
	return &s.first
}

// air is what an axis has to know of the air: how surely the pole and the stars
// are lifted by it.
func (s *Session) air() axis.Refraction {
	refraction := observed.NewRefraction(s.cfg.Air)
	air := axis.Refraction{Lift: refraction.Lift, Uncertain: s.cfg.AirUncertain, Pole: s.pole()}
	if air.Uncertain == 0 {
		air.Uncertain = sky.StandardAirUncertain
	}
	if s.cfg.Pole == observed.Refracted {
		alt, _ := sky.AltAzFromLocal(air.Pole)
		air.OfPole = refraction.Lift(alt)
	}
	return air
}

// standing is how an axis by the fit stands, with all that has to be allowed
// for.
func (s *Session) standing(a axis.Axis) axis.Status {
	m := &s.first
	if s.phase == Confirming && s.again.Fit != nil {
		m = &s.again
	}
	return axis.Status{Axis: a.With(m.Allowance), Fitted: a, Allowance: m.Allowance, Offset: axis.OffsetBetween(a.Dir, s.pole()), Move: axis.Correction(a.Dir, s.pole())}
}

// Measure runs a session over a list of frames in their order. The first
// measure of them (0: all) give the axis; each later one is read as taken
// while the bolts were being turned. It returns what a page would show, with
// ErrNotMeasured, or the reason behind it, when the frames give no axis.
func Measure(cfg Config, sightings []Sighting, measure int) (View, error) {
	if measure < 0 || measure == 1 {
		return View{}, fmt.Errorf("%d frames cannot make a measurement: give 2 or more, or 0 for all", measure)
	}
	cfg.MeasureFrames = 0
	s, err := NewSession(cfg, time.Time{})
	if err != nil {
		return View{}, err
	}
	s.byHand = true
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
	if failure == nil && s.first.Fit == nil {
		failure = ErrNotMeasured
	}
	if failure != nil && s.first.Problem != nil {
		failure = s.first.Problem
	}
	return s.View(), failure
}

// ErrNotWatched means that ordinary exposures do not tell the axis.
var ErrNotWatched = errors.New("these frames do not tell the axis")

// Watch runs a session that watches over a list of frames, in any order: see
// [NightWatch]. It returns what a page would show, with ErrNotWatched and the
// reason when the frames of the last night give no axis.
func Watch(cfg Config, sightings []Sighting) (View, error) {
	s, err := NewSession(cfg, time.Time{})
	if err != nil {
		return View{}, err
	}
	if err := s.Do(time.Time{}, WatchOnly); err != nil {
		return View{}, err
	}
	s.byHand = true
	inOrder := slices.Clone(sightings)
	slices.SortStableFunc(inOrder, func(a, b Sighting) int { return a.Mid.Compare(b.Mid) })
	for _, sighting := range inOrder {
		s.Take(sighting.Mid, sighting)
	}
	v := s.View()
	switch {
	case v.Watch != nil && v.Watch.Status != nil:
		return v, nil
	case s.night.Problem != nil:
		return v, fmt.Errorf("%w: %w", ErrNotWatched, s.night.Problem)
	}
	return v, fmt.Errorf("%w: %w", ErrNotWatched, axis.ErrFewFrames)
}

// trackerFrom starts following the axis from the measurement.
func trackerFrom(m *axis.Measurement, south bool) *adjust.Tracker {
	mids := make([]time.Time, len(m.Used))
	for k, i := range m.Used {
		mids[k] = m.Frames[i].Mid
	}
	return adjust.NewTracker(m.Fit, mids, south)
}

// horizonDip is how far below the horizon a frame can truly look: from 9000 m
// the dip is 3 degrees (1.93 arcmin times the root of the height in metres, a
// rule of navigators, from memory); the refraction that the model misses there is
// under half a degree.
const horizonDip = 3.5 * sky.Degree

// nights is the part of the configuration that watching needs.
func (c Config) nights() nights.Config {
	return nights.Config{Site: c.Site, Air: c.Air, Pole: c.Pole, DUT1: c.DUT1, Guiding: c.Guiding}
}

// Expired tells how many of the first frames a session that watches no longer
// rests on, given the middles of their exposures in the order in which it took
// them. A session that is given the others alone stands where one stands that was
// given all, but for the results of the nights left out.
func Expired(cfg Config, mids []time.Time) int {
	return nights.Expired(cfg.nights(), mids, mostAdjusts)
}
