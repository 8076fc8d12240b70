package mountmodel

import (
	"errors"
	"fmt"
	"time"

	"polard/mountmodel/adjust"
	"polard/mountmodel/axis"
	"polard/mountmodel/clock"
	"polard/mountmodel/nights"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
	"polard/mountmodel/tracking"
)

// take does what a sighting demands in the present phase and says what it was
// taken for. A role other than roleOpen is from an earlier run and binding.
func (s *Session) take(now time.Time, sighting *Sighting, past role) role {
	s.lastHeard = now
	s.unsolved, s.blind = nil, false
	f, err := s.read(sighting)
	if errors.Is(err, errOlder) {
		s.times = s.times.compared(s.exposed(now, f, sighting))
	}
	if err != nil {
		s.refuse(f, err)
		return roleOpen
	}
	s.hearClocks(now, f, sighting)
	if s.lastMid.Before(f.Mid) {
		s.lastMid = f.Mid
	}
	in := input{now: now, frame: f, past: past}
	if err := s.fire(frameRead, &in); err != nil {
		panic(err) // a row is missing: every phase takes frames
	}
	if m := s.state.running(); in.role == roleMeasures && past == roleOpen && !s.list && s.Phase() != Adjusting && m.Complete(s.cfg.MeasureFrames, s.cfg.Tolerance) {
		_ = s.fire(complete, &input{now: now})
	}
	return in.role
}

// fire takes the transition for an event.
func (s *Session) fire(event Event, in *input) error {
	phase := s.Phase()
	for _, t := range transitions {
		if t.event != event || t.from != phase && t.from != anyPhase || t.holds != nil && !t.holds(s, in) {
			continue
		}
		if t.refuse != nil {
			return t.refuse
		}
		s.state = t.next(s, in)
		return nil
	}
	return fmt.Errorf("%q: %w", event, ErrEvent)
}

// tell fires an event of the user.
func (s *Session) tell(event Event) error {
	in := input{now: s.lastHeard}
	switch event {
	case StartOver, Measured, Locked, Unlocked, WatchOnly, Prove:
	case TurnAltitude:
		in.stroke.Bolt = adjust.AltitudeBolt
	case TurnAzimuth:
		in.stroke.Bolt = adjust.AzimuthBolt
	default:
		return fmt.Errorf("%q: %w", event, ErrEvent)
	}
	if err := s.fire(event, &in); err != nil {
		return err
	}
	s.choose()
	return nil
}

// refuse lists a frame that cannot be used, and says what that means.
func (s *Session) refuse(f axis.Frame, err error) {
	s.blind = !s.list && !errors.Is(err, errOlder)
	f.Message, f.Said = err.Error(), sky.SayingOf(err)
	w := &axis.Warning{Code: WarnUnsolved, Frame: f.Name, Message: fmt.Sprintf("The newest frame, %s, could not be used: %s.", f.Name, f.Message)}
	switch {
	case !errors.Is(err, errThroughGround):
	case s.lastMid.IsZero():
		w.Code = WarnPlace
	default: // the frames before were possible
		w.Code = axis.WarnFrameStands
		w.Message += " It does not fit the frames before it: a wrong match, or the camera's clock was changed. Take another."
	}
	if f.Status == axis.FrameUnsolved && !s.lastMid.IsZero() {
		w.Message += " Earlier frames were good: look for a cloud, dew, or something before the lens, and take another."
	}
	s.unsolved = w
	s.state = s.state.refusing(f.FrameReport)
}

// horizonDip is how far below the horizon a frame can truly look: from 9000 m
// the dip is 3 degrees (1.93 arcmin times the root of the height in metres, a
// rule of navigators, from memory); the refraction that the model misses there is
// under half a degree.
const horizonDip = 3.5 * sky.Degree

var (
	errNoTime = sky.Refuse(nil, "no_time", "the file does not tell when it was taken")
	// errThroughGround is what a wrong place, longitude or clock comes to when it
	// is wrong by much.
	errThroughGround = errors.New("below the horizon: latitude, longitude (east is positive) or the time in the frame is wrong; check all three")

	errOlder = sky.Refuse(nil, "frame_older", "it is not newer than the frame before it")

	errOtherCamera = sky.Refuse(nil, "other_camera", "it was taken with another camera, or another part of its detector, than the frames that the axis was measured with: go on with that one, or start over with this")
)

// read makes a frame of a sighting, or says why it cannot be used.
func (s *Session) read(sighting *Sighting) (axis.Frame, error) {
	f := axis.Frame{FrameReport: axis.FrameReport{Name: sighting.Name, Mid: s.cfg.middle(sighting.Mid), Status: axis.FrameUnsolved}}
	if sighting.Refused != "" {
		return f, &sky.Refusal{Why: sky.Saying{Code: sighting.RefusedBy, Args: []any{sighting.Detected}, Text: sighting.Refused}}
	}
	f.Status = axis.FrameUnusable
	f.Stars = len(sighting.Pairs)
	if sighting.Mid.IsZero() {
		return f, errNoTime
	}
	// Kept with the sighting, for when the session is worked out anew.
	s.part("attitude")
	*sighting = sighting.Reduced(s.cfg)
	if f.Observed = sighting.reduction.attitude; sighting.reduction.err != nil {
		return f, sighting.reduction.err
	}
	f.Stars = f.Observed.Stars
	s.lastRead = lastRead{f.Mid, s.sightOf(f), sighting.Header, sighting.Stated, sighting.SkyLimit}
	if alt, _ := sky.AltAzFromLocal(f.Observed.Boresight); alt < -horizonDip {
		return f, &sky.Refusal{Kind: errThroughGround, Why: sky.Say("through_ground", "by the place and time given it was pointed %s %s", sky.Whole(-alt), errThroughGround)}
	}
	m, phase := s.state.running(), s.Phase()
	if len(m.Frames) > 0 && m.Frames[0].Observed.Mirrored != f.Observed.Mirrored {
		return f, axis.ErrMirrored
	}
	if f.Lens = sighting.Lens; !s.sameLens(f.Lens) {
		return f, errOtherCamera
	}
	if phase == Measuring && len(m.Frames) >= maxMeasureFrames {
		return f, sky.Refuse(nil, "many_frames", "a measurement takes at most %d frames", maxMeasureFrames)
	}
	if live := s.state.following(); live != nil && !f.Mid.After(live.Newest()) {
		return f, errOlder
	}
	return f, nil
}

// sameLens tells whether a frame through a lens can be compared with those that the measurement rests on. What watches
// ordinary exposures takes each target by itself.
func (s *Session) sameLens(lens int) bool {
	frames := s.state.running().Frames
	if c, ok := s.state.(confirming); ok && len(frames) == 0 {
		frames = c.first.Frames
	}
	return len(frames) == 0 || lens == 0 || frames[0].Lens == 0 || frames[0].Lens == lens
}

// hearClocks compares the times of the exposure, of its file and of its arrival.
func (s *Session) hearClocks(now time.Time, f axis.Frame, sighting *Sighting) {
	e := s.exposed(now, f, sighting)
	s.part("clock")
	s.clocks = s.clocks.Hear(e.stamp, s.cfg.Site.Longitude)
	s.times = s.times.with(s.cfg, e)
}

// exposed is what is known of a frame's time.
func (s *Session) exposed(now time.Time, f axis.Frame, sighting *Sighting) exposed {
	stamp := clock.Stamp{Start: f.Mid.Add(-sighting.Exposure / 2), Exposure: sighting.Exposure, Written: sighting.Written}
	if !s.list { // a list is read long after
		stamp.Heard = now
	}
	return exposed{f.Name, f.Mid, stamp, f.Observed.R, sighting.SkyLimit}
}

// sightOf is where a frame looked; zero where that cannot be worked out.
func (s *Session) sightOf(f axis.Frame) sky.ICRS {
	o, err := observed.NewObserver(s.cfg.Site, s.cfg.Air, f.Mid, s.cfg.DUT1)
	if err != nil {
		return sky.ICRS{}
	}
	return o.ICRS(f.Observed.Boresight)
}

// air is what an axis has to know of the air: how surely the pole and the stars
// are lifted by it.
func (s *Session) air() axis.Refraction {
	refraction := observed.NewRefraction(s.cfg.Air)
	air := axis.Refraction{Lift: refraction.Lift, Uncertain: s.cfg.Air.Uncertain(), Pole: s.pole()}
	if s.cfg.Pole != observed.True {
		alt, _ := sky.AltAzFromLocal(air.Pole)
		air.OfPole = refraction.Lift(alt)
		air.PoleError = observed.PoleModelError(s.cfg.Site)
	}
	return air
}

// allowance is what has to be allowed for in the axis that is now told.
func (s *Session) allowance() axis.Allowance {
	switch st := s.state.(type) {
	case confirming:
		if st.second.Fit == nil {
			return st.first.Allowance
		}
		return st.second.Allowance
	case watchingState, waiting:
		return axis.Allowance{}
	case done:
		return st.first.Allowance
	case adjusting:
		return st.first.Allowance
	}
	m := s.state.running()
	return m.Allowance
}

// Guards of the transitions.

// hasAxis tells whether the frames of the running measurement give an axis.
func hasAxis(s *Session, _ *input) bool { return s.state.running().Fit != nil }

// joins tells whether a frame taken after the measurement belongs to it, since
// nothing but the RA axis has moved.
func joins(s *Session, in *input) bool {
	a := s.state.(adjusting)
	s.part("join")
	switch {
	case in.past == roleMeasures:
		in.joined = a.first.With(in.frame, s.air())
		return in.joined.Fit != nil
	case in.past == roleOpen && !s.list && s.cfg.MeasureFrames == 0 && !a.live.Moved():
		var ok bool
		in.joined, ok = a.first.Joined(in.frame, s.air())
		return ok
	}
	return false
}

// Actions of the transitions: each gives the state that follows.

func begin(*Session, *input) state { return waiting{} }

func beginWatching(s *Session, _ *input) state {
	return watchingState{night: nights.New(s.cfg.nights())}
}

func measure(s *Session, in *input) state {
	in.role = roleMeasures
	m := s.state.running()
	s.part("measure")
	return measuring{first: m.With(in.frame, s.air())}
}

func beginAdjusting(s *Session, in *input) state {
	m := s.state.running()
	s.part("follow")
	setting := adjust.Setting{Pole: s.pole(), South: s.cfg.Site.South(), Free: s.cfg.Free, List: s.list}
	return adjusting{first: m, live: adjust.NewLive(&m, setting, adjust.KnownBolts(s.known), in.now)}
}

func join(s *Session, in *input) state {
	in.role = roleMeasures
	a := s.state.(adjusting)
	a.first, a.live = in.joined, a.live.Remeasured(&in.joined, in.now)
	return a
}

func follow(s *Session, in *input) state {
	in.role = roleAdjusts
	return s.followed(s.state.(adjusting), in, adjust.Turning)
}

// followed reads the live axis by a frame.
func (s *Session) followed(a adjusting, in *input, situation adjust.Situation) adjusting {
	s.part("live")
	live, left := a.live.Read(in.frame, in.now, situation, s.allowance())
	a.live = live
	for _, f := range left {
		a.first = a.first.Refusing(f)
	}
	if situation == adjust.Turning && !s.cfg.Free {
		a.directions = a.directions.With(sky.Vec(a.first.Fit.Body), in.frame.Observed.Attitude, in.frame.Mid)
	}
	return a
}

func report(s *Session, in *input) state {
	a := s.state.(adjusting)
	a.live = a.live.Reported(in.now, in.stroke)
	return a
}

func beginConfirming(s *Session, _ *input) state {
	a := s.state.(adjusting)
	a.turning = turning{}
	return confirming{adjusting: a, unlocked: a.live.Axis()}
}

func remeasure(s *Session, in *input) state {
	in.role = roleMeasures
	c := s.state.(confirming)
	c.adjusting = s.followed(c.adjusting, in, adjust.Locked)
	s.part("measure")
	c.second = c.second.With(in.frame, s.air())
	return c
}

// confirm ends the measurement after the lock. It takes the place of the first:
// whatever the bolts do from here on starts from it.
func confirm(s *Session, in *input) state {
	c := s.state.(confirming)
	confirmed := c.second.Fit.Axis
	off := axis.OffsetBetween(confirmed.Dir, c.unlocked.Dir)
	s.part("follow")
	return done{
		adjusting: adjusting{first: c.second, live: c.live.Confirmed(&c.second, in.now), directions: c.directions},
		lock:      LockShift{Alt: off.Alt, Az: off.Az, Total: off.Total, Uncertainty: axis.Major(confirmed.Cov.Plus(1, c.unlocked.Cov))},
		night:     nights.New(s.cfg.nights()),
	}
}

func unlock(s *Session, in *input) state {
	var a adjusting
	switch was := s.state.(type) {
	case confirming:
		a = was.adjusting
	case done:
		a = was.adjusting
	}
	a.live = a.live.Rested(in.now)
	return a
}

func keepWatch(s *Session, in *input) state {
	in.role = roleAdjusts
	d := s.state.(done)
	d.adjusting = s.followed(d.adjusting, in, adjust.Confirmed)
	if night, err := s.watched(d.night, in); err == nil { // what is no frame of this night tells nothing, and needs no word
		d.night = night
	}
	if d.proof != nil {
		d.proof = d.proof.With(tracking.Frame{Attitude: in.frame.Observed.Attitude, Mid: in.frame.Mid})
	}
	return d
}

// beginProof begins the test of the confirmed axis by the drift of the sky.
func beginProof(s *Session, _ *input) state {
	d := s.state.(done)
	d.proof = tracking.Begin(s.cfg.tracking(), d.first.Fit.Axis.With(d.first.Allowance))
	return d
}

func watchFrame(s *Session, in *input) state {
	w := s.state.(watchingState)
	f := in.frame.FrameReport
	night, err := s.watched(w.night, in)
	if err != nil {
		f.Status, f.Message, f.Said = axis.FrameUnusable, err.Error(), sky.SayingOf(err)
		return w.refusing(f)
	}
	in.role = roleWatches
	f.Status = axis.FrameWatches
	w.night = night
	w.frames = append(w.frames, f)
	w.frames = w.frames[max(0, len(w.frames)-mostAdjusts):]
	return w
}

// watched takes a frame as an ordinary exposure.
func (s *Session) watched(night *nights.Watch, in *input) (*nights.Watch, error) {
	s.part("watch")
	o, err := observed.NewObserver(s.cfg.Site, s.cfg.Air, in.frame.Mid, s.cfg.DUT1)
	if err != nil {
		return night, err
	}
	f := in.frame.Observed
	return night.With(nights.Exposure{Attitude: f.Attitude, Mid: in.frame.Mid, Pointing: o.ICRS(f.Boresight)})
}

// choose settles which bolt to turn now by the newest frame, unless that is in doubt.
func (s *Session) choose() {
	if a, ok := s.state.(adjusting); ok && s.trusted() && !s.cfg.Free {
		move := axis.Correction(a.live.Axis().Dir, s.pole())
		a.turning = a.turning.after(move, s.pole(), s.cfg.Tolerance)
		s.state = a
	}
}

// changeOver takes the person's word for which bolt is turned now.
func changeOver(s *Session, in *input) state {
	a := s.state.(adjusting)
	a.turning = turning{bolt: in.stroke.Bolt}
	return a
}
