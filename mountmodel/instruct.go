package mountmodel

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"polard/mountmodel/adjust"
	"polard/mountmodel/axis"
	"polard/mountmodel/sky"
)

// adviser says what to do by a session and its view.
type adviser struct {
	*Session
	view View
}

// instruct says what to do now: one sentence, and details.
func (a adviser) instruct() (sky.Saying, []sky.Saying) {
	s, v := a.Session, a.view
	var details []sky.Saying
	if v.Now != nil {
		details = append(details, sky.Say("stands", "The axis stands %s from the pole, known to %s.", sky.Amount(v.Now.Offset.Total), sky.Known(knownTo(v.Now.Axis))))
	}
	switch s.Phase() {
	case Waiting:
		if s.unsolved != nil {
			return sky.Say("take_another", "The last frame could not be used: take another."), []sky.Saying{s.unsolved.Saying()}
		}
		return sky.Say("first_frame", "Point the camera at clear sky, well above the horizon, and take a frame."), nil
	case Measuring, Confirming:
		if say, why, doubtful := s.clockDoubt(true); doubtful {
			return say, append(details, why)
		}
		text := a.turn()
		if s.blind {
			text = sky.Say("blind_measuring", "The newest frame could not be used: take another before you turn anything.")
			details = append([]sky.Saying{s.unsolved.Saying()}, details...)
		}
		if s.Phase() == Confirming {
			text.Text = "The bolts are locked. " + text.Text // its code says it by the phase
		}
		return text, details
	case Adjusting:
		return a.bolts(details)
	case Watching:
		return a.watching(details)
	}
	if v.Lock.doubt() == nil { // else it was not the lock
		details = append(details, sky.Say("lock_moved", "Locking moved the axis by %s.", sky.Amount(v.Lock.Total)))
	}
	live := s.state.following()
	invalidated := live.Invalidated()
	if say, why, doubtful := s.clockDoubt(false); doubtful {
		return say, append(details, why)
	}
	switch {
	case invalidated != nil:
		return sky.Say("pointed_elsewhere", "The axis was confirmed; the telescope has been pointed elsewhere since, and single frames no longer tell it: ordinary exposures are watched instead."), append(details, invalidated.Saying())
	case live.Held():
		return held(), details
	case v.Within:
		return sky.Say("done", "Done: the axis is within %s of the pole.", sky.Amount(v.Tolerance)), details
	}
	return sky.Say("drifted", "The axis is %s from the pole, outside the tolerance: unlock the bolts and adjust again.", sky.Amount(v.Now.Offset.Total)), details
}

// bolts says what to do with the bolts.
func (a adviser) bolts(details []sky.Saying) (sky.Saying, []sky.Saying) {
	s, v := a.Session, a.view
	live := s.state.following()
	invalidated := live.Invalidated()
	if say, why, doubtful := s.clockDoubt(true); doubtful {
		return say, append(details, why)
	}
	switch {
	case invalidated != nil:
		return sky.Say("tube_moved_after", "The tube moved on the mount after the measurement: lock the declination and start over."), append(details, invalidated.Saying())
	case live.Held():
		return held(), details
	case s.blind:
		return sky.Say("blind_bolts", "The newest frame could not be used: leave the bolts until one can."),
			append([]sky.Saying{s.unsolved.Saying(), sky.Say("smeared", "An exposure during which a bolt is turned is smeared: wait for the next.")}, details...)
	}
	if now, _ := s.axisNow(); a.axisTooUncertain(now) {
		details = append(details, sky.Say("know_better", "One frame does not know the axis well enough for this tolerance. To know it better, leave the bolts alone, turn the RA axis by some %s and take a frame.", sky.Whole(axis.UsualTurn)))
	}
	if v.Within {
		return sky.Say("lock", "The axis is within %s of the pole: lock the bolts, then measure once more to confirm.", sky.Amount(v.Tolerance)), details
	}
	if v.Free {
		return sky.Say("put_star", "Move the whole rig, with whatever moves it, until the ringed star stands on the cross of the frame; %s to go. Then hold still and take the next frame.", sky.Amount(v.Now.Offset.Total)), details
	}
	// A page says the two moves itself, from their numbers.
	moves := sky.Saying{Code: "moves", Text: sentence(v.Now.Move)}
	if len(v.Moves) > 0 {
		return sky.Saying{Code: "turns", Text: boltSentence(v)}, append(details, sky.Saying{Code: "moves", Text: "In angles: " + moves.Text})
	}
	return moves, details
}

// watching says what ordinary exposures tell.
func (a adviser) watching(details []sky.Saying) (sky.Saying, []sky.Saying) {
	s, v := a.Session, a.view
	var watched []sky.Saying
	if v.Watch != nil {
		watched = v.Watch.Sentences
	}
	switch {
	case s.clocks.Host != "":
		return sayClocks(false), append(details, s.clockSaying())
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

func held() sky.Saying {
	return sky.Say("held", "The newest frame does not fit a turn of the bolts: touch nothing and take one more.")
}

// sayClocks comes before everything else: what frames of different clocks say
// together has no meaning.
func sayClocks(startOver bool) sky.Saying {
	if !startOver {
		return sky.Say("clocks_watching", "The clocks disagree: set the wrong one right.")
	}
	return sky.Say("clocks", "The clocks disagree: set the wrong one right and start over.")
}

// clockDoubt says which clock is to be set right, and why, while one is in doubt.
func (s *Session) clockDoubt(startOver bool) (say, why sky.Saying, doubtful bool) {
	switch {
	case s.clocks.Host != "":
		return sayClocks(startOver), s.clockSaying(), true
	case s.times.stands != nil:
		return sky.Say("clock_stands", "The clock that wrote the times of the frames stands still: set it right and start over."), s.times.stands.Saying(), true
	}
	return say, why, false
}

// turn asks for the next frame of a measurement.
func (a adviser) turn() sky.Saying {
	s, v := a.Session, a.view
	m := s.state.running()
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
	return sky.Say("turn_on", "Turn the RA axis further by about %s, leave the declination alone, and take another frame.", turn)
}

// axisTooUncertain tells whether the axis is known too badly to be judged by the tolerance,
// while a turn of the RA axis would make it as well known as it was measured.
func (a adviser) axisTooUncertain(now axis.Axis) bool {
	s := a.Session
	const half = 2 // the part of the tolerance that the 95 % ellipse may reach
	return half*knownTo(now)*sky.Angle(math.Sqrt(-2*math.Log(0.05))) > s.cfg.Tolerance && knownTo(s.state.measured().Axis) < knownTo(now)/2
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

func capital(s string) string {
	if s == "" || s[0] < 'a' || s[0] > 'z' {
		return s
	}
	return string(s[0]-'a'+'A') + s[1:]
}
