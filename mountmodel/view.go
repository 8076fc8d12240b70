package mountmodel

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"polard/mountmodel/adjust"
	"polard/mountmodel/axis"
	"polard/mountmodel/nights"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// Phase is where the session stands.
type Phase string

// The phases, in the order in which a night goes through them.
const (
	Waiting    Phase = "waiting"    // no frame that can be used yet
	Measuring  Phase = "measuring"  // frames come in while the user turns the RA axis
	Adjusting  Phase = "adjusting"  // the axis is known and the bolts are being turned
	Confirming Phase = "confirming" // the bolts are locked; a second measurement runs
	Done       Phase = "done"       // confirmed; further frames keep watch
	Watching   Phase = "watching"   // no procedure: every frame is an ordinary exposure
)

// AdjustView is one frame taken after the measurement: the axis as it then
// stood.
type AdjustView struct {
	Name     string
	Mid      time.Time
	Standing axis.Status
	Turn     sky.Angle // of the RA axis, as in FrameView
	Drive    adjust.Drive
	// TrackingOdds is the probability, between 0 and 1, that the drive was
	// following the sky.
	TrackingOdds float64
}

// LockShift is what locking the bolts did to the axis: confirmed minus last
// reading before the lock.
type LockShift struct {
	Alt, Az     sky.Angle // Az is a difference of azimuths
	Total       sky.Angle // on the sky
	Uncertainty sky.Angle // 1-sigma, semi-major, on the sky
}

// View is everything a page shows, at one moment. It shares nothing with the
// session and never changes.
type View struct {
	Sequence    int    // grows with every change of the session
	Phase       Phase  // where the session stands
	Instruction string // what to do now: one plain sentence
	Details     []string
	Said        sky.Saying // the same, by their codes
	SaidDetails []sky.Saying

	Site      sky.Site
	Air       sky.Air
	PoleKind  observed.PoleKind
	Pole      sky.Local // the pole aimed at
	Refracted sky.Local // both poles, for the page to show
	True      sky.Local
	Tolerance sky.Angle

	Measured *axis.Status // result of the measurement; nil until two usable frames
	Now      *axis.Status // as the axis stands by the newest frame; equals Measured until the bolts move
	Within   bool         // Now is within the tolerance, and not in doubt
	Doubt    bool         // Now is not to turn bolts by: the newest frame could not be read or is in doubt, the tube moved, or a clock is wrong; Instruction and Warnings say which
	Turn     sky.Angle    // span of RA angles of the measurement
	CanEnd   bool         // the measurement that runs may be ended now: the axis is known well enough
	Chi2     float64      // of the rigid model over the measurement
	Dof      int          // its degrees of freedom; 0 means that nothing tests the model
	Frames   []axis.FrameReport
	Adjust   []AdjustView
	Bolts    []adjust.Response // what is known of the bolts' answers: altitude, azimuth
	Moves    []adjust.BoltMove // in turns, while adjusting and once learnt; a bolt that may be left alone is left out
	Turning  adjust.Bolt       // the bolt to turn now; empty while none is
	Lock     *LockShift        // nil until a lock is confirmed
	Advice   *axis.TurnAdvice  // nil when no further turn is wanted
	Watch    *nights.View      // what ordinary exposures tell; nil until there is one
	Warnings []axis.Warning

	LastMid   time.Time // middle of the newest exposure taken in; zero before the first
	LastHeard time.Time // when the newest frame, solved or not, reached the session
}

// View is the session as it now stands.
func (s *Session) View() View {
	m := s.running()
	v := View{
		Sequence:  s.sequence,
		Phase:     s.phase,
		Site:      s.cfg.Site,
		Air:       s.cfg.Air,
		PoleKind:  s.cfg.Pole,
		Pole:      s.pole(),
		Refracted: s.poles[observed.Refracted],
		True:      s.poles[observed.True],
		Tolerance: s.cfg.Tolerance,
		Frames:    m.Reports(),
		Adjust:    slices.Clone(s.adjust),
		LastMid:   s.lastMid,
		LastHeard: s.lastHeard,
	}
	if s.lock != nil {
		lock := *s.lock
		v.Lock = &lock
	}
	if fit := s.first.Fit; fit != nil {
		measured := s.standing(fit.Axis)
		v.Measured = &measured
	}
	if m.Fit != nil {
		v.Turn, v.Chi2, v.Dof = m.Fit.Span, m.Fit.Chi2, m.Fit.Dof
		v.CanEnd = (s.phase == Measuring || s.phase == Confirming) && s.clock == nil && !s.blind && knownTo(m.Fit.Axis) < s.cfg.Tolerance
	}
	if a, ok := s.axisNow(); ok {
		now := s.standing(a)
		v.Now = &now
		v.Within = now.Offset.Total <= s.cfg.Tolerance && s.trusted()
	}
	v.Frames = append(v.Frames, s.watched...)
	if s.night != nil {
		v.Watch = s.night.View()
		if v.Watch != nil && v.Watch.Status != nil && s.phase == Watching {
			v.Now = v.Watch.Status
			v.Within = max(v.Now.Offset.Total, v.Watch.Fit.Reach()) <= s.cfg.Tolerance && s.trusted()
		}
	}
	if s.phase == Measuring || s.phase == Confirming {
		if len(m.Used) > 0 {
			advice := axis.PredictTurn(m.Attitudes(), s.pole(), axis.Wanted(s.cfg.Tolerance))
			v.Advice = &advice
		}
	}
	v.Doubt = !s.trusted()
	v.Turning = s.turning.bolt
	v.Bolts = s.hinted.Responses()
	if s.phase == Adjusting && !v.Within && s.trusted() {
		v.Moves = s.moves()
	}
	v.Warnings = s.warnings(v.Now)
	v.Said, v.SaidDetails = s.instruct(v)
	v.Instruction, v.Details = v.Said.Text, sky.English(v.SaidDetails)
	return v
}

// axisNow is the axis by the newest frame.
func (s *Session) axisNow() (axis.Axis, bool) {
	switch {
	case s.phase == Confirming && s.again.Fit != nil:
		return s.again.Fit.Axis, true
	case s.tracker != nil:
		return s.tracker.Axis(), true
	case s.first.Fit != nil:
		return s.first.Fit.Axis, true
	}
	return axis.Axis{}, false
}

func (s *Session) warnings(now *axis.Status) []axis.Warning {
	var out []axis.Warning
	if s.unsolved != nil {
		out = append(out, *s.unsolved)
	}
	for _, w := range []*axis.Warning{s.clock, s.spoilt, s.notice, s.bumped, s.lock.lockDoubt(), s.leans()} {
		if w != nil {
			out = append(out, *w)
		}
	}
	if s.fileClock != nil && s.clock == nil {
		out = append(out, *s.fileClock)
	}
	out = append(out, s.noticed...)
	out = append(out, s.running().Warnings()...)
	if alt, _ := sky.AltAzFromLocal(s.pole()); now != nil && alt >= axis.NearZenith {
		out = append(out, axis.Warning{Code: WarnNearZenith, Message: "The pole is so near the zenith here that the azimuth bolt hardly moves the axis: tip the base instead, as the words say."})
	}
	return out
}

// leans tells of a line of the azimuth bolt that leans more than a base does.
func (s *Session) leans() *axis.Warning {
	if s.tracker == nil || s.spoilt != nil {
		return nil
	}
	if doubt := adjust.LatitudeByBolt(s.tracker); doubt.Message != "" {
		return &axis.Warning{Code: WarnLean, Message: doubt.Message}
	}
	return nil
}

// instruct says what to do now: one sentence, and details.
func (s *Session) instruct(v View) (sky.Saying, []sky.Saying) {
	var details []sky.Saying
	if v.Now != nil {
		details = append(details, sky.Say("stands", "The axis stands %s from the pole, known to %s.", sky.Amount(v.Now.Offset.Total), sky.Known(knownTo(v.Now.Axis))))
	}
	switch s.phase {
	case Waiting:
		if s.unsolved != nil {
			return sky.Say("take_another", "The last frame could not be used: take another."), []sky.Saying{s.unsolved.Saying()}
		}
		return sky.Say("first_frame", "Point the camera at clear sky, near the pole if you can, and take a frame."), nil
	case Measuring, Confirming:
		if s.clock != nil {
			return sayClocks(true), append(details, s.clock.Saying())
		}
		text := s.askTurn(v)
		if s.blind {
			text = sky.Say("blind_measuring", "The newest frame could not be used: take another before you turn anything.")
			details = append([]sky.Saying{s.unsolved.Saying()}, details...)
		}
		if s.phase == Confirming {
			text.Text = "The bolts are locked. " + text.Text // its code says it by the phase
		}
		return text, details
	case Adjusting:
		return s.instructBolts(v, details)
	case Watching:
		return s.instructWatching(v, details)
	}
	if s.lock.lockDoubt() == nil && s.lock != nil { // else it was not the lock
		details = append(details, sky.Say("lock_moved", "Locking moved the axis by %s.", sky.Amount(s.lock.Total)))
	}
	switch {
	case s.spoilt != nil:
		return sky.Say("pointed_elsewhere", "The axis was confirmed; the telescope has been pointed elsewhere since, and single frames no longer tell it: ordinary exposures are watched instead."), append(details, s.spoilt.Saying())
	case v.Within:
		return sky.Say("done", "Done: the axis is within %s of the pole.", sky.Amount(v.Tolerance)), details
	}
	return sky.Say("drifted", "The axis is %s from the pole, outside the tolerance: unlock the bolts and adjust again.", sky.Amount(v.Now.Offset.Total)), details
}

// instructBolts says what to do with the bolts.
func (s *Session) instructBolts(v View, details []sky.Saying) (sky.Saying, []sky.Saying) {
	switch {
	case s.clock != nil:
		return sayClocks(true), append(details, s.clock.Saying())
	case s.spoilt != nil:
		return sky.Say("tube_moved_after", "The tube moved on the mount after the measurement: lock the declination and start over."), append(details, s.spoilt.Saying())
	case s.held != nil:
		return sky.Say("held", "The newest frame does not fit a turn of the bolts: touch nothing and take one more."), details
	case s.blind:
		return sky.Say("blind_bolts", "The newest frame could not be used: leave the bolts until one can."),
			append([]sky.Saying{s.unsolved.Saying(), sky.Say("smeared", "An exposure during which a bolt is turned is smeared: wait for the next.")}, details...)
	}
	if now, _ := s.axisNow(); s.surer(now) {
		details = append(details, sky.Say("know_better", "One frame does not know the axis well enough for this tolerance. To know it better, leave the bolts alone, turn the RA axis by some %s and take a frame.", sky.Whole(axis.UsualTurn)))
	}
	if v.Within {
		return sky.Say("lock", "The axis is within %s of the pole: lock the bolts, then measure once more to confirm.", sky.Amount(v.Tolerance)), details
	}
	// A page says the two moves itself, from their numbers.
	moves := sky.Saying{Code: "moves", Text: sentence(v.Now.Move)}
	if len(v.Moves) > 0 {
		return sky.Saying{Code: "turns", Text: boltSentence(v)}, append(details, sky.Saying{Code: "moves", Text: "In angles: " + moves.Text})
	}
	return moves, details
}

// instructWatching says what ordinary exposures tell.
func (s *Session) instructWatching(v View, details []sky.Saying) (sky.Saying, []sky.Saying) {
	var watched []sky.Saying
	if v.Watch != nil {
		for _, text := range v.Watch.Sentences {
			watched = append(watched, sky.Saying{Text: text})
		}
	}
	switch {
	case s.clock != nil:
		return sayClocks(false), append(details, s.clock.Saying())
	case v.Watch == nil:
		return sky.Say("watching", "Watching: take your exposures as you would, and leave this running."), nil
	case v.Now == nil:
		return watched[0], watched[1:]
	case v.Within:
		return sky.Say("watching_within", "Watching: the axis is within %s of the pole.", sky.Amount(v.Tolerance)), watched
	}
	if reach := v.Watch.Fit.Reach(); v.Now.Offset.Total < v.Tolerance+reach {
		return sky.Say("watching_unsure", "Watching: so far the axis is sure to %s only, which does not tell whether it is within %s of the pole.", sky.Known(reach), sky.Amount(v.Tolerance)), watched
	}
	outside := sky.Say("watching_outside", "Watching: the axis is %s from the pole, outside the tolerance.", sky.Amount(v.Now.Offset.Total))
	outside.Text += fmt.Sprintf(" %s To adjust it, start over and measure.", sentence(v.Now.Move))
	return outside, watched
}

// sayClocks comes before everything else: what frames of different clocks say
// together has no meaning.
func sayClocks(startOver bool) sky.Saying {
	if !startOver {
		return sky.Say("clocks_watching", "The clocks disagree: set the wrong one right.")
	}
	return sky.Say("clocks", "The clocks disagree: set the wrong one right and start over.")
}

// askTurn asks for the next frame of a measurement.
func (s *Session) askTurn(v View) sky.Saying {
	m := s.running()
	turn := sky.Whole(v.Advice.Wanted())
	switch {
	case len(m.Used) == 0:
		return sky.Say("measure_first", "Take the first frame of the measurement.")
	case m.Fault.Fault == axis.TubeStep:
		return sky.Say("tube_moved", "The tube moved on the mount between two frames: lock the declination and start over.")
	case m.Fault.Fault == axis.MountStep:
		return sky.Say("mount_moved", "The mount itself moved between two frames: start over without touching it.")
	case m.Fault.Fault == axis.TubeCreep:
		return sky.Say("tube_creeps", "The tube creeps on the mount: tighten the declination and whatever holds the tube, and start over.")
	case m.Fault.Fault == axis.MountCreep:
		return sky.Say("mount_creeps", "The mount sinks or leans more from frame to frame: set it on firm ground, and start over.")
	case s.cfg.MeasureFrames > 0 && m.Fit != nil:
		return sky.Say("turn_counted", "Turn the RA axis by about %s and take frame %d of %d.", turn, len(m.Frames)+1, s.cfg.MeasureFrames)
	case m.Broken != nil:
		return sky.Say("no_fit", "The frames do not fit together: leave the declination alone, touch nothing else, turn the RA axis and take another frame, or start over.")
	case m.Fit == nil && len(m.Used) > 1:
		return sky.Say("turn_more", "The RA axis has not turned enough: turn it by about %s, leave the declination alone, and take another frame.", turn)
	case m.LastAside():
		return sky.Say("newest_aside", "The newest frame does not fit the others: take one more, at another angle of the RA axis, to tell whether something moved.")
	case len(m.Used) == 1:
		return sky.Say("turn", "Turn the RA axis by about %s, leave the declination alone, and take another frame.", turn)
	case v.Advice.Back:
		return sky.Say("turn_back", "Turn the RA axis back by about %s, leave the declination alone, and take another frame: it shows whether anything moved.", turn)
	}
	return sky.Say("turn_on", "Turn the RA axis on by about %s, leave the declination alone, and take another frame.", turn)
}

// surer tells whether the axis is known too badly to be judged by the tolerance,
// while a turn of the RA axis would make it as well known as it was measured.
func (s *Session) surer(now axis.Axis) bool {
	const half = 2 // the part of the tolerance that the 95 % ellipse may reach
	return half*knownTo(now)*sky.Angle(math.Sqrt(-2*math.Log(0.05))) > s.cfg.Tolerance && knownTo(s.first.Fit.Axis) < knownTo(now)/2
}

// knownTo is the larger half axis of the 1-sigma ellipse.
func knownTo(a axis.Axis) sky.Angle {
	major, _, _ := a.Ellipse()
	return major
}

// sentence joins the two moves.
func sentence(m axis.Move) string {
	alt, az := m.Altitude, m.Azimuth
	return capital(alt) + ", and " + az + "."
}

// trusted tells whether the axis now told is one to turn bolts by: not, while
// bolts are being turned, when the newest frame could not be read, since it is then
// that of the frame before.
func (s *Session) trusted() bool {
	working := s.phase == Measuring || s.phase == Adjusting || s.phase == Confirming
	return s.clock == nil && s.spoilt == nil && s.held == nil && !(s.blind && working)
}

// boltSentence joins the moves in turns; a bolt that is not learnt yet is told
// in angles.
func boltSentence(v View) string {
	var words []string
	for _, a := range v.Bolts {
		at := slices.IndexFunc(v.Moves, func(m adjust.BoltMove) bool { return m.Bolt == a.Bolt })
		switch {
		case at >= 0:
			words = append(words, v.Moves[at].Words)
		case a.Learnt:
			words = append(words, fmt.Sprintf("leave the %s bolt", a.Bolt))
		case a.Bolt == adjust.AltitudeBolt:
			words = append(words, v.Now.Move.Altitude)
		default:
			words = append(words, v.Now.Move.Azimuth)
		}
	}
	return capital(strings.Join(words, "; ")) + "."
}

// moves are the strokes to do now; none while the bolts are not learnt, or
// after a turn whose frame is still to come.
func (s *Session) moves() []adjust.BoltMove {
	if len(s.told) > 0 {
		return nil
	}
	return s.hinted.Moves(adjust.OnSky(s.tracker.Axis(), s.pole()), s.cfg.Tolerance)
}

func capital(s string) string {
	if s == "" || s[0] < 'a' || s[0] > 'z' {
		return s
	}
	return string(s[0]-'a'+'A') + s[1:]
}
