package mountmodel

import (
	"slices"

	"polard/mountmodel/adjust"
	"polard/mountmodel/axis"
	"polard/mountmodel/nights"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
	"polard/mountmodel/tracking"
)

// View is everything a page shows, at one moment. It shares nothing with the
// session and never changes.
type View struct {
	Phase       Phase  // where the session stands
	Instruction string // what to do now: one plain sentence
	Details     []string
	Said        sky.Saying // the same, by their codes
	SaidDetails []sky.Saying

	Site      sky.Site
	Air       sky.Air
	PoleKind  observed.PoleKind
	Pole      sky.Local // the pole aimed at
	Tolerance sky.Angle

	Measured   *axis.Status     // result of the measurement; nil until two usable frames
	Now        *axis.Status     // as the axis stands by the newest frame; equals Measured until the bolts move
	Within     bool             // Now is within the tolerance, and not in doubt
	Doubt      bool             // Now is not to turn bolts by: the newest frame could not be read or is in doubt, the tube moved, or a clock is wrong; Instruction and Warnings say which
	Turn       sky.Angle        // span of RA angles of the measurement
	CanEnd     bool             // the measurement that runs may be ended now: the axis is known well enough
	Chi2       float64          // of the rigid model over the measurement
	Bodies     int              // declinations and sides of the pier at which frames were taken
	Hangs      sky.Angle        // how far the tube hangs by its weight when level, by frames on more than one body
	HangsSigma sky.Angle        // 0: they do not tell
	Square     *axis.Squareness // how the mount's parts stand to each other; nil unless the frames tell
	Dof        int              // its degrees of freedom; 0 means that nothing tests the model
	Frames     []axis.FrameReport
	Adjust     []adjust.Report
	Bolts      []adjust.Response // what is known of the bolts' answers: altitude, azimuth
	Moves      []adjust.BoltMove // in turns, while adjusting and once learnt; a bolt that may be left alone is left out
	Turning    adjust.Bolt       // the bolt to turn now; empty while none is
	Lock       *LockShift        // nil until a lock is confirmed
	Advice     *axis.TurnAdvice  // nil when no further turn is wanted
	Choice     *Choice           // what leaving a frame out or taking it back just did; nil once another frame came
	Watch      *nights.View      // what ordinary exposures tell; nil until there is one
	Warnings   []axis.Warning

	Suggested  *Suggested // the likeliest mistake about place or clock; nil when there is none
	Confirmed  Witness    // what in the frames speaks for place and clock
	Correction Correction // what was put right

	Proof  *tracking.Proof // of the confirmed axis by the drift of the sky; nil before one was begun
	Free   bool            // the rig is moved by other means than two bolts: a star is to be put on a mark
	Habits Habits          // of the mount, by ordinary exposures
}

// copied is the view for a caller, who may change it.
func (v View) copied() View {
	v.Details, v.SaidDetails = slices.Clone(v.Details), slices.Clone(v.SaidDetails)
	v.Frames, v.Adjust, v.Warnings = slices.Clone(v.Frames), slices.Clone(v.Adjust), slices.Clone(v.Warnings)
	v.Bolts, v.Moves = slices.Clone(v.Bolts), slices.Clone(v.Moves)
	v.Measured, v.Now, v.Lock, v.Advice, v.Watch, v.Choice = copyOf(v.Measured), copyOf(v.Now), copyOf(v.Lock), copyOf(v.Advice), copyOf(v.Watch), copyOf(v.Choice)
	v.Square = copyOf(v.Square)
	v.Suggested, v.Proof = copyOf(v.Suggested), copyOf(v.Proof)
	return v
}

func copyOf[T any](p *T) *T {
	if p == nil {
		return nil
	}
	c := *p
	return &c
}

// makeView works out the view of the session as it now stands.
func (s *Session) makeView() View {
	m, phase := s.state.running(), s.Phase()
	v := View{
		Phase:     phase,
		Site:      s.cfg.Site,
		Air:       s.cfg.Air,
		PoleKind:  s.cfg.Pole,
		Pole:      s.pole(),
		Tolerance: s.cfg.Tolerance,
		Frames:    m.Reports(),
		Doubt:     !s.trusted(),
		Choice:    s.choice,
		Warnings:  s.warnings(),

		Suggested: s.suggested(), Confirmed: s.witness(), Correction: s.cfg.Correction, Habits: s.habits, Free: s.cfg.Free,
	}
	if fit := s.state.measured(); fit != nil {
		v.Measured = new(axis.StatusOf(fit.Axis, s.allowance(), s.pole()))
	}
	if m.Fit != nil {
		v.Turn, v.Chi2, v.Dof, v.Bodies = m.Fit.Span, m.Fit.Chi2, m.Fit.Dof, m.Fit.Bodies()
		if hangs, sigma, ok := m.Fit.Flexure(); ok {
			v.Hangs, v.HangsSigma = hangs, sigma
		}
		if square, ok := m.Fit.Squareness(); ok {
			v.Square = &square
		}
		v.CanEnd = (phase == Measuring || phase == Confirming) && s.clocks.Host == "" && !s.blind && knownTo(m.Fit.Axis) < s.cfg.Tolerance
	}
	if a, ok := s.axisNow(); ok {
		v.Now = new(axis.StatusOf(a, s.allowance(), s.pole()))
		v.Within = v.Now.Offset.Total <= s.cfg.Tolerance && s.trusted()
	}
	if (phase == Measuring || phase == Confirming) && len(m.Used) > 0 {
		s.part("advice")
		v.Advice = new(axis.PredictTurn(m.Attitudes(), m.Fit, s.pole(), axis.Wanted(s.cfg.Tolerance)))
	}
	s.viewState(&v)
	if alt, _ := sky.AltAzFromLocal(s.pole()); v.Now != nil && alt >= axis.NearZenith {
		v.Warnings = append(v.Warnings, axis.Warning{Code: WarnNearZenith, Message: "The pole is so near the zenith here that the azimuth bolt hardly moves the axis: tip the base instead, as the words say."})
	}
	// Of a list of frames the uncertainty says it.
	if v.Now != nil && !s.list && s.cfg.Pole == observed.Refracted && observed.PoleUncertain(s.cfg.Site, s.cfg.Air) > s.cfg.Tolerance {
		v.Warnings = append(v.Warnings, axis.Warning{Code: WarnPoleAir, Message: "The pole stands so low here that the air leaves the place of the refracted pole uncertain by more than the tolerance. In the set-up, aim at the true pole, or say what you will photograph."})
	}
	v.Said, v.SaidDetails = adviser{s, v}.instruct()
	v.Instruction, v.Details = v.Said.Text, sky.English(v.SaidDetails)
	return v
}

// viewState adds what only some phases have.
func (s *Session) viewState(v *View) {
	s.part("bolts")
	v.Bolts = s.bolts().Responses()
	if live := s.state.following(); live != nil {
		v.Adjust = slices.Clone(live.Reports())
	}
	if night := s.state.watch(); night != nil {
		v.Watch = night.View()
	}
	switch st := s.state.(type) {
	case adjusting:
		v.Turning = st.turning.bolt
		if !v.Within && s.trusted() {
			v.Moves = st.live.Moves(s.cfg.Tolerance)
		}
	case done:
		v.Lock = &st.lock
		if st.proof != nil {
			s.part("proof")
			v.Proof = new(st.proof.Proof(s.cfg.Tolerance))
		}
	case watchingState:
		v.Frames = append(v.Frames, st.frames...)
		if v.Watch != nil && v.Watch.Status != nil {
			v.Now = v.Watch.Status
			v.Within = max(v.Now.Offset.Total, v.Watch.Fit.Reach()) <= s.cfg.Tolerance && s.trusted()
		}
	}
}

// axisNow is the axis by the newest frame.
func (s *Session) axisNow() (axis.Axis, bool) {
	if c, ok := s.state.(confirming); ok && c.second.Fit != nil {
		return c.second.Fit.Axis, true
	}
	if live := s.state.following(); live != nil {
		return live.Axis(), true
	}
	if fit := s.state.measured(); fit != nil {
		return fit.Axis, true
	}
	return axis.Axis{}, false
}

// trusted tells whether the axis now told is one to turn bolts by: not, while
// bolts are being turned, when the newest frame could not be read, since it is then
// that of the frame before.
func (s *Session) trusted() bool {
	switch s.Phase() {
	case Measuring, Adjusting, Confirming:
		if s.blind {
			return false
		}
	}
	live := s.state.following()
	return s.clocks.Host == "" && s.times.stands == nil && (live == nil || live.Invalidated() == nil && !live.Held())
}

func (s *Session) warnings() []axis.Warning {
	var out []axis.Warning
	if s.unsolved != nil {
		out = append(out, *s.unsolved)
	}
	if s.clocks.Host != "" {
		out = append(out, s.clockWarning())
	}
	for _, w := range []*axis.Warning{s.times.daylight, s.times.stands} {
		if w != nil {
			out = append(out, *w)
		}
	}
	if w := s.statedWarning(); w != nil {
		out = append(out, *w)
	}
	// A clock that is told already is that mistake.
	if s.times.daylight == nil && s.times.stands == nil && s.clocks.Host == "" && s.byAir() != nil {
		out = append(out, axis.Warning{Code: WarnZenith, Message: "By how the air squeezes the stars in these frames, the zenith stood elsewhere than place and time say: the longitude (east is positive) or the clock is wrong, and the axis is turned about the pole by as much. Set it right before you turn a bolt."})
	}
	live := s.state.following()
	if live != nil {
		out = append(out, live.Warnings()...)
	}
	if d, ok := s.state.(done); ok {
		if w := d.lock.doubt(); w != nil {
			out = append(out, *w)
		}
	}
	if live != nil {
		s.part("tilt")
		if w := live.Tilt(); w != nil {
			out = append(out, *w)
		}
	}
	if s.clocks.File != "" && s.clocks.Host == "" {
		out = append(out, axis.Warning{Code: WarnFileClock, Message: s.clocks.File})
	}
	if live != nil {
		out = append(out, live.Notices()...)
	}
	m := s.state.running()
	for _, w := range m.Warnings() {
		// Every mount strays a little. Said at every measurement it would be passed over
		// with what matters; of a list of frames, read once, it is.
		if w.Code != axis.WarnFramesStray || s.list {
			out = append(out, w)
		}
	}
	return out
}
