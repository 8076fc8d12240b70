package mountmodel

import (
	"fmt"
	"math"
	"slices"
	"time"

	"polard/mountmodel/adjust"
	"polard/mountmodel/axis"
	"polard/mountmodel/clock"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// follow reads a frame as taken while the bolts were being turned. A frame
// that fits neither bolts nor a turn of the RA axis is held until the next one
// tells whether it was wrong or something moved.
func (s *Session) follow(f axis.Frame) {
	s.moved = true
	s.notice = nil
	if s.phase == Confirming {
		s.accept(s.tracker.Step(f, s.pole()))
		return
	}
	st := s.tracker.Step(f, s.pole())
	if s.byHand { // every frame of a list is read
		if !st.Fits() {
			s.doubt(st)
		}
		s.accept(st)
		if s.notice != nil {
			s.noticed = append(s.noticed, *s.notice)
			s.notice = nil
		}
		return
	}
	held := s.held
	s.held = nil
	if held == nil && s.tookBack(f) {
		return
	}
	if held != nil {
		after := held.Tracker.Step(f, s.pole())
		stays := after.Fits() && s.cameBack(held.Reading.Axis, s.tracker.Axis(), after.Reading.Axis)
		back := st.Fits() && s.cameBack(s.tracker.Axis(), held.Reading.Axis, st.Reading.Axis)
		switch {
		case (after.Fits() || held.Rests(f, s.tracker.Rate)) && (stays && !back || !st.Fits()):
			s.settle(*held, after)
			return
		case st.Fits():
			s.setAside(held.Frame)
		}
	}
	switch {
	case st.Fits() && (s.spoilt == nil || st.Reading.Jump < adjust.AxisTold):
		// After the tube has moved, a frame that fits some turn of the bolts proves
		// nothing; one that shows the axis where it was shows the tube back as well.
		s.spoilt = nil
		s.accept(st)
	case s.spoilt != nil:
		s.unusable(f)
	default:
		s.hold(st)
	}
}

// undo is how things stood before a frame.
type undo struct {
	tracker *adjust.Tracker
	away    adjust.Step // the frame itself
	bolts   *adjust.Bolts
	hinted  *adjust.Bolts
	from    []reading
	likeDec bool
}

// excursion is the movement of the axis from which a frame may prove wrong
// afterwards. Hands err by a tenth (turnError): who turns a bolt so far and back
// again does not come back to within the noise.
const excursion = 5 * sky.Arcminute

// swings tells whether a movement undoes a good part of the one before: who
// hunts to and fro with a bolt comes by the same places again and again.
func swings(before, now [2]float64) bool {
	along := before[0]*now[0] + before[1]*now[1]
	size := math.Hypot(before[0], before[1]) * math.Hypot(now[0], now[1])
	return along < -size/2 && math.Hypot(before[0], before[1]) > math.Hypot(now[0], now[1])/4
}

// tookBack tells whether a frame shows that the one before it was wrong, though
// it looked as if the bolts had been turned: the axis stands where it stood before
// that. Then that frame is left out, and the new one is read from there.
func (s *Session) tookBack(f axis.Frame) bool {
	u := s.undo
	if u == nil || s.phase != Adjusting || len(s.told) > 0 {
		return false
	}
	again := u.tracker.Step(f, s.pole())
	if again.Change != adjust.BoltsOnly || !s.sameAgain(u.tracker.Axis(), u.away.Reading.Axis, again.Reading.Axis) {
		return false
	}
	s.tracker, s.bolts, s.hinted, s.toldFrom, s.likeDec = u.tracker, u.bolts, u.hinted, u.from, u.likeDec
	s.adjust = s.adjust[:len(s.adjust)-1]
	s.spoilt = nil
	s.accept(again)
	s.setAside(u.away.Frame)
	return true
}

// setAside leaves a frame out that the frames around it do not bear out.
func (s *Session) setAside(f axis.Frame) {
	f.Status, f.Message = axis.FrameSetAside, "does not fit the frames around it and was left out"
	s.running().Refuse(f.FrameReport)
	s.notice = &axis.Warning{Code: axis.WarnFrameStands, Frame: f.Name, Message: fmt.Sprintf(
		"%s does not fit the frames around it and was left out: a wrong match, wind, or a touch while it was exposed. Nothing needs to be done.", f.Name)}
}

// unusable lists a frame from which the axis cannot be read any more.
func (s *Session) unusable(f axis.Frame) {
	f.Status, f.Message = axis.FrameUnusable, "taken after the tube moved on the mount"
	s.running().Refuse(f.FrameReport)
}

// cameBack tells whether an axis is where it was before an excursion: within
// the noise, and within a small part of the way.
func (s *Session) cameBack(before, away, now axis.Axis) bool {
	return !adjust.MovementBetween(before, now, s.pole()).Moved() && sky.Separation(before.Dir, now.Dir) < backPart*sky.Separation(before.Dir, away.Dir)
}

// sameAgain tells whether an axis is the same again, after an excursion on which
// nothing but a hand could have taken it: within the noise of the frames alone,
// and nearer than hands come.
func (s *Session) sameAgain(before, away, now axis.Axis) bool {
	m := adjust.MovementBetween(before, now, s.pole())
	for i := range 2 {
		m.Cov[i][i] += float64(axis.MechanicalNoise * axis.MechanicalNoise)
	}
	w, ok := sky.Invert2(m.Cov)
	if !ok {
		return false
	}
	chi2 := 0.0
	for i := range 2 {
		for j := range 2 {
			chi2 += m.By[i] * w[i][j] * m.By[j]
		}
	}
	return chi2 < sameChi2 && sky.Separation(before.Dir, now.Dir) < handPart*sky.Separation(before.Dir, away.Dir)
}

const (
	// sameChi2 is exceeded by noise, with two degrees of freedom, once in a
	// hundred times.
	sameChi2 = 9.21

	// handPart is a tenth of a hand's error (turnError): both bolts turned back so
	// well by hand is a matter of one in some hundred tries.
	handPart = 0.01
)

// backPart is half of a hand's error (turnError): what comes nearer comes back
// by itself.
const backPart = 0.05

// hold keeps a frame that is in doubt.
func (s *Session) hold(st adjust.Step) {
	s.held = &st
	s.doubt(st)
	s.notice.Message += " Touch nothing and take one more frame, to tell whether it is wrong or something moved."
}

// doubt says that a frame does not fit what is done while bolts are turned.
func (s *Session) doubt(st adjust.Step) {
	s.notice = &axis.Warning{Code: WarnAxisJumped, Frame: st.Frame.Name, Message: fmt.Sprintf(
		"From the frame before to %s the camera moved by %s in a way that bolts do not.",
		st.Frame.Name, sky.AngleWords(sky.Angle(r3.Norm(sky.VectorFromRotation(st.Frame.Observed.R.Mul(s.tracker.Seen.R.Transpose()))))))}
}

// settle decides on a held frame that the next one bears out: something moved.
func (s *Session) settle(held, after adjust.Step) {
	name := held.Frame.Name
	if held.Change == adjust.DecTurned || held.Change == adjust.TooFar || s.likeDec && s.phase == Adjusting {
		s.spoilt = &axis.Warning{Code: axis.WarnTubeMoved, Frame: name, Message: fmt.Sprintf(
			"Right before %s the tube moved on the mount: the declination was turned or slipped, or the camera shifted. What was measured before no longer tells the axis: lock the declination and start over.", name)}
		if s.phase == Done {
			s.spoilt.Message = fmt.Sprintf("Right before %s the telescope was pointed elsewhere, or the tube moved on the mount: since then a single frame does not tell the axis. It stands as last read, unless something else moved; ordinary exposures are watched and tell it in time.", name)
		}
		s.unusable(held.Frame)
		s.unusable(after.Frame)
		return
	}
	s.accept(held)
	s.accept(after)
	s.bumped = &axis.Warning{Code: axis.WarnMountMoved, Frame: name, Message: fmt.Sprintf(
		"Right before %s the mount moved in a way that bolts do not: the tripod was bumped or settled, or bolts and RA axis were turned at once. The axis is read as it now stands. If the tube or the camera was touched, start over.", name)}
	s.rest(s.lastHeard)
}

// accept keeps a step.
func (s *Session) accept(st adjust.Step) {
	before := s.tracker.Axis()
	s.undo = nil
	if s.phase == Adjusting && st.Change == adjust.BoltsOnly {
		if st.Reading.Jump > excursion && len(s.told) == 0 && !swings(s.lastMove, adjust.MovementBetween(before, st.Reading.Axis, s.pole()).By) {
			s.undo = &undo{tracker: s.tracker, away: st, bolts: s.bolts, hinted: s.hinted, from: slices.Clone(s.toldFrom), likeDec: s.likeDec}
		}
		st.Tracker.LearnTilt(s.tracker)
		if seconds := st.Frame.Mid.Sub(s.tracker.Newest()).Seconds(); st.Reading.Jump > excursion && len(s.told) == 0 && s.tracker.Declination(st.Frame, seconds) {
			s.likeDec = true
		}
	}
	s.lastMove = adjust.MovementBetween(before, st.Reading.Axis, s.pole()).By
	s.tracker = st.Tracker
	f, r := st.Frame, st.Reading
	s.adjust = append(s.adjust, AdjustView{
		Name: f.Name, Mid: f.Mid, Standing: s.standing(r.Axis),
		Turn: r.Turn, Drive: r.Drive, TrackingOdds: r.TrackingOdds,
	})
	switch s.phase {
	case Adjusting:
		s.learn(s.lastHeard, r.Axis)
		if st.Change == adjust.RaTurned {
			s.notice = &axis.Warning{Code: WarnSlipped, Frame: f.Name, Message: fmt.Sprintf(
				"Right before %s the RA axis turned by %s: by hand, or its clutch slipped. The axis is read all the same; tighten the clutch if nobody turned it.", f.Name, sky.AngleWords(st.Turned))}
		}
	case Done:
		if s.bumped == nil && sky.Separation(s.first.Fit.Axis.Dir, r.Axis.Dir) > adjust.AxisTold && adjust.MovementBetween(s.first.Fit.Axis, r.Axis, s.pole()).Moved() && adjust.MovementBetween(before, r.Axis, s.pole()).Moved() {
			s.bumped = &axis.Warning{Code: axis.WarnMountMoved, Frame: f.Name, Message: fmt.Sprintf(
				"Since it was confirmed the axis has moved by %s, with the bolts locked: the tripod settled or was bumped, or a bolt was turned. Unlock the bolts and adjust again if that is too much.",
				sky.AngleWords(sky.Separation(s.first.Fit.Axis.Dir, r.Axis.Dir)))}
		}
	}
}

// lockMost is how far locking the bolts moves an axis at most. Common practice:
// it is arcseconds on a good mount, an arcminute or two on a poor one.
const lockMost = 5 * sky.Arcminute

// lockDoubt speaks up when the lock seems to have moved the axis farther than
// locks do. A turn in declination near the meridian looks like the altitude
// bolt's; this is where it comes out.
func (l *LockShift) lockDoubt() *axis.Warning {
	if l == nil || l.Total < lockMost {
		return nil
	}
	return &axis.Warning{Code: axis.WarnTubeMoved, Message: fmt.Sprintf(
		"The confirmed axis lies %s from where it was read before the bolts were locked, farther than a lock moves it: the declination was turned, or the tube shifted, while the bolts were being turned. The confirmed axis holds; unlock and adjust from it.", sky.AngleWords(l.Total))}
}

const (
	// clockSlack is how far the clocks may disagree before it is told, unless
	// it is by what time zones differ: half a long exposure, a slow network,
	// clocks that nobody set to the second. What is less does next to nothing.
	clockSlack = 10 * time.Minute

	// clockFrames is how many frames the clock is judged by.
	clockFrames = 3
)

// hearClock compares the times of the exposure and of its arrival. Frames
// that were taken long ago come late too; so that those compared must have
// come as far apart as they were taken.
func (s *Session) hearClock(now time.Time, sighting *Sighting) {
	stamp := clock.Stamp{Start: sighting.Mid.Add(-sighting.Exposure / 2), Exposure: sighting.Exposure}
	if !sighting.Written.IsZero() {
		s.hearFile(stamp, sighting)
	}
	if s.byHand {
		return // a list is read long after
	}
	stamp.Written, stamp.Heard = sighting.Written, now
	s.stamps = joinStamp(s.stamps, stamp, func(s clock.Stamp) time.Time { return s.Heard })
	if len(s.stamps) < 2 {
		return
	}
	_, host := clock.Check(s.stamps, s.cfg.Site.Longitude)
	switch {
	case host.Kind == clock.Zone || host.Kind == clock.Summer:
		// It stays until the user starts over: frames of before are wrong still.
		s.clock, s.clockZone = &axis.Warning{Code: WarnClock, Message: host.Message}, true
	case s.clockZone:
	case host.Kind == clock.Off && host.Offset.Abs() > clockSlack:
		s.clock = &axis.Warning{Code: WarnClock, Message: host.Message}
	default:
		s.clock = nil
	}
}

// joinStamp adds a stamp to those before it, as long as the frames came as far
// apart by the other clock as they were taken.
func joinStamp(before []clock.Stamp, newest clock.Stamp, other func(clock.Stamp) time.Time) []clock.Stamp {
	if n := len(before); n > 0 {
		apart, between := other(newest).Sub(other(before[n-1])), newest.Start.Sub(before[n-1].Start)
		if between <= 0 || (apart-between).Abs() > max(clock.EarlyMost, between/4) {
			before = nil
		}
	}
	return append(slices.Clone(before[max(0, len(before)-clockFrames+1):]), newest)
}

// hearFile compares the exposure's time with that of the file. Only what time
// zones differ by is told, and nothing is held up for it: some file systems
// keep local time without saying so.
func (s *Session) hearFile(stamp clock.Stamp, sighting *Sighting) {
	stamp.Written = sighting.Written
	s.files = joinStamp(s.files, stamp, func(s clock.Stamp) time.Time { return s.Written })
	s.fileClock = nil
	if len(s.files) < clockFrames {
		return
	}
	if file, _ := clock.Check(s.files, s.cfg.Site.Longitude); file.Kind == clock.Zone || file.Kind == clock.Summer {
		s.fileClock = &axis.Warning{Code: WarnFileClock, Message: file.Message + " If the files lie on a card or stick, it may be its way of keeping time instead."}
	}
}
