package adjust

import (
	"fmt"
	"math"
	"slices"
	"time"

	"polard/mountmodel/axis"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// Situation is what the bolts may do while frames are followed.
type Situation int

// The situations.
const (
	Turning   Situation = iota // bolts may be turned
	Locked                     // just locked: each frame is read while the axis is measured anew
	Confirmed                  // locked for good
)

// Report is one frame followed: the axis as it then stood.
type Report struct {
	Name   string
	Mid    time.Time
	Status axis.Status
	Turn   sky.Angle // of the RA axis since the first frame of the measurement, as in [axis.FrameReport]
	Drive  Drive
	// TrackingOdds is the probability, between 0 and 1, that the drive was
	// following the sky.
	TrackingOdds float64
}

// MostReports is how many of the newest frames are kept, to show and to replay:
// some ten minutes of one frame every two seconds.
const MostReports = 300

// Live is the axis from the end of a measurement on, frame by frame. A frame that
// fits neither a turn of the bolts nor one of the RA axis is held until the next
// one tells whether it was wrong or something moved; so is one that shows the axis moved though the bolts are locked. A Live is copied before it
// takes a frame: see [Live.Read].
type Live struct {
	setting  Setting
	measured axis.Axis
	tracker  *tracker
	learning Learning
	reports  []Report
	lastMove [2]float64 // of the axis, by the newest frame, across and up
	doubts   doubts
	notices  []axis.Warning // of all frames of a list
}

// Setting is what does not change while an axis is followed.
type Setting struct {
	Pole  sky.Local // aimed at
	South bool      // it is the southern one
	Free  bool      // the rig is moved by other means than two bolts: by any rotation
	List  bool      // frames of a list, read long after: every one is read, none is held
}

// doubts are what keeps a live axis from being taken as it is.
type doubts struct {
	moved       bool          // a frame after the measurement no longer fits it, or a bolt was reported
	held        *step         // a frame in doubt
	undo        *undo         // how things stood before the newest frame, if that may prove wrong
	likeDec     bool          // a movement taken for one of the bolts may have been one of the declination
	notice      *axis.Warning // about the newest frame
	invalidated *axis.Warning // the tube moved after the measurement: nothing can be read any more
	bumped      *axis.Warning // the mount moved by something else than bolts
}

// undo is how things stood before a frame.
type undo struct {
	tracker  *tracker
	away     step // the frame itself
	learning Learning
	likeDec  bool
}

// NewLive follows the axis from a measurement on. Learning is what is known of
// the bolts, now the time at which the newest frame was heard of.
func NewLive(m *axis.Measurement, setting Setting, learning Learning, now time.Time) *Live {
	l := &Live{setting: setting, learning: learning}
	return l.Remeasured(m, now)
}

// Remeasured is the live axis begun anew from another measurement, with what is
// known of the bolts and the frames reported so far.
func (l *Live) Remeasured(m *axis.Measurement, now time.Time) *Live {
	next := *l
	next.measured, next.tracker, next.doubts = m.Fit.Axis, trackerFrom(m, l.setting.South), doubts{}
	next.tracker.free = l.setting.Free
	return next.Rested(now)
}

// Confirmed is Remeasured by a measurement after the lock: the frames before are
// no longer reported.
func (l *Live) Confirmed(m *axis.Measurement, now time.Time) *Live {
	next := l.Remeasured(m, now)
	next.reports = nil
	return next
}

// Rested is the live axis as from now on nothing that went before counts as an
// answer of the bolts.
func (l *Live) Rested(now time.Time) *Live {
	next := *l
	next.learning = l.learning.rest(now, l.tracker.latest)
	return &next
}

// Reported is the live axis after the person reported a stroke.
func (l *Live) Reported(now time.Time, stroke Stroke) *Live {
	next := *l
	next.learning = l.learning.report(now, stroke)
	next.doubts.moved = true
	return &next
}

// trackerFrom starts following the axis from a measurement.
func trackerFrom(m *axis.Measurement, south bool) *tracker {
	mids := make([]time.Time, len(m.Used))
	for k, i := range m.Used {
		mids[k] = m.Frames[i].Mid
	}
	return newTracker(m.Fit, mids, south)
}

// Axis is how the axis stands by the newest frame that could be read.
func (l *Live) Axis() axis.Axis { return l.tracker.latest }

// Newest is the mid-exposure of that frame.
func (l *Live) Newest() time.Time { return l.tracker.newest }

// Moved tells whether anything but the RA axis has moved since the measurement.
func (l *Live) Moved() bool { return l.doubts.moved }

// Held tells whether the newest frame is in doubt.
func (l *Live) Held() bool { return l.doubts.held != nil }

// Invalidated tells that, and how, the tube moved after the measurement, so that
// nothing can be read any more; nil when it did not.
func (l *Live) Invalidated() *axis.Warning { return l.doubts.invalidated }

// Bolts is what is known of the bolts.
func (l *Live) Bolts() *Bolts { return l.learning.bolts }

// Reports are the newest frames, oldest first.
func (l *Live) Reports() []Report { return l.reports }

// Moves are the strokes to do now, as [Bolts.Moves]; none after a stroke whose
// frame is still to come.
func (l *Live) Moves(tolerance sky.Angle) []BoltMove {
	if l.learning.pending() {
		return nil
	}
	return l.learning.bolts.Moves(onSky(l.tracker.latest, l.setting.Pole), tolerance)
}

// Warnings tell what speaks against the axis as it now stands; Notices what the
// frames of a list gave to say.
func (l *Live) Warnings() []axis.Warning {
	var out []axis.Warning
	for _, w := range []*axis.Warning{l.doubts.invalidated, l.doubts.notice, l.doubts.bumped} {
		if w != nil {
			out = append(out, *w)
		}
	}
	return out
}

// Notices are the warnings about single frames of a list.
func (l *Live) Notices() []axis.Warning { return l.notices }

// Tilt tells of a line of the azimuth bolt that leans more than a base does; nil
// when it does not, or nothing can be read.
func (l *Live) Tilt() *axis.Warning {
	if l.doubts.invalidated != nil {
		return nil
	}
	if message := latitudeByBolt(l.tracker); message != "" {
		return &axis.Warning{Code: WarnLean, Message: message}
	}
	return nil
}

// Read reads a frame that came in at the time now, as taken after the measurement,
// and gives the live axis that follows and the frames that are left out. The one
// before stays as it is. The allowance is that of the axis as it stands.
func (l *Live) Read(f axis.Frame, now time.Time, s Situation, allowance axis.Allowance) (*Live, []axis.FrameReport) {
	next := *l
	r := reader{Live: &next, now: now, situation: s, allowance: allowance}
	r.follow(f)
	return r.Live, r.left
}

// reader is a Live while it takes a frame.
type reader struct {
	*Live
	now       time.Time
	situation Situation
	allowance axis.Allowance
	left      []axis.FrameReport
}

func (r *reader) step(from *tracker, f axis.Frame) step { return newStep(from, f, r.setting.Pole) }

func (r *reader) follow(f axis.Frame) {
	d := &r.doubts
	d.moved, d.notice = true, nil
	st := r.step(r.tracker, f)
	switch {
	case r.situation == Locked:
		r.accept(st)
		return
	case r.setting.Free && r.situation == Turning:
		// Any rotation is one that hands may have made, and the frame speaks alone.
		*d = doubts{moved: true}
		r.tracker = st.tracker
		r.report(st)
		return
	case r.setting.List:
		if !st.fits() {
			r.doubt(st)
		}
		r.accept(st)
		if d.notice != nil {
			r.notices = append(r.notices, *d.notice)
			d.notice = nil
		}
		return
	}
	held := d.held
	d.held = nil
	if held == nil && r.tookBack(f) {
		return
	}
	if held != nil && r.decided(*held, st, f) {
		return
	}
	switch {
	case r.situation == Confirmed && d.invalidated == nil && st.change == boltsOnly && st.axisMoved:
		r.hold(st)
	case st.fits() && (d.invalidated == nil || st.reading.Jump < axisWarned):
		// After the tube has moved, a frame that fits some turn of the bolts proves
		// nothing; one that shows the axis where it was shows the tube back as well.
		d.invalidated = nil
		r.accept(st)
	case d.invalidated != nil:
		r.unusable(f)
	default:
		r.hold(st)
	}
}

// decided tells whether a frame bears out the held one before it: then both are
// dealt with. Where it contradicts that one, that one is left out.
func (r *reader) decided(held, st step, f axis.Frame) bool {
	after := r.step(held.tracker, f)
	back := st.fits() && r.cameBack(r.tracker.latest, held.reading.Axis, st.reading.Axis)
	if held.change == boltsOnly { // though they are locked
		if back || !after.fits() {
			r.setAside(held.frame)
			return false
		}
		r.accept(held)
		r.accept(after)
		return true
	}
	stays := after.fits() && r.cameBack(held.reading.Axis, r.tracker.latest, after.reading.Axis)
	switch {
	case (after.fits() || held.rests(f, r.tracker.rate)) && (stays && !back || !st.fits()):
		r.settle(held, after)
		return true
	case st.fits():
		r.setAside(held.frame)
	}
	return false
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
func (r *reader) tookBack(f axis.Frame) bool {
	u := r.doubts.undo
	if u == nil || r.situation != Turning || r.learning.pending() {
		return false
	}
	back := r.step(u.tracker, f)
	if back.change != boltsOnly || !r.sameAgain(u.tracker.latest, u.away.reading.Axis, back.reading.Axis) {
		return false
	}
	r.tracker, r.learning, r.doubts.likeDec = u.tracker, u.learning, u.likeDec
	r.reports = slices.Clone(r.reports[:len(r.reports)-1])
	r.doubts.invalidated = nil
	r.accept(back)
	r.setAside(u.away.frame)
	return true
}

// setAside leaves a frame out that the frames around it do not bear out.
func (r *reader) setAside(f axis.Frame) {
	f.Status, f.Said = axis.FrameSetAside, sky.Say("aside_around", "does not fit the frames around it and was left out")
	f.Message = f.Said.Text
	r.left = append(r.left, f.FrameReport)
	r.doubts.notice = &axis.Warning{Code: axis.WarnFrameStands, Frame: f.Name, Message: fmt.Sprintf(
		"%s does not fit the frames around it and was left out: a wrong match, wind, or a touch while it was exposed. Nothing needs to be done.", f.Name)}
}

// unusable leaves a frame out from which the axis cannot be read any more.
func (r *reader) unusable(f axis.Frame) {
	f.Status, f.Said = axis.FrameUnusable, sky.Say("after_tube", "taken after the tube moved on the mount")
	f.Message = f.Said.Text
	r.left = append(r.left, f.FrameReport)
}

const (
	// sameChi2 is exceeded by noise, with two degrees of freedom, once in a
	// hundred times.
	sameChi2 = 9.21

	// handPart is a tenth of a hand's error (turnError): both bolts turned back so
	// well by hand is a matter of one in some hundred tries.
	handPart = 0.01

	// backPart is half of a hand's error (turnError): what comes nearer comes back
	// by itself.
	backPart = 0.05
)

// cameBack tells whether an axis is where it was before an excursion: within
// the noise, and within a small part of the way.
func (r *reader) cameBack(before, away, now axis.Axis) bool {
	return !movementBetween(before, now, r.setting.Pole).moved() && sky.Separation(before.Dir, now.Dir) < backPart*sky.Separation(before.Dir, away.Dir)
}

// sameAgain tells whether an axis is the same again, after an excursion on which
// nothing but a hand could have taken it: within the noise of the frames alone,
// and nearer than hands come.
func (r *reader) sameAgain(before, away, now axis.Axis) bool {
	m := movementBetween(before, now, r.setting.Pole)
	chi2, ok := chiSquare2(m.By, m.Cov.Plus(1, sky.Diagonal(float64(axis.MechanicalNoise*axis.MechanicalNoise))))
	return ok && chi2 < sameChi2 && sky.Separation(before.Dir, now.Dir) < handPart*sky.Separation(before.Dir, away.Dir)
}

// hold keeps a frame that is in doubt.
func (r *reader) hold(st step) {
	r.doubts.held = &st
	r.doubt(st)
	r.doubts.notice.Message += " Touch nothing and take one more frame, to tell whether it is wrong or something moved."
}

// doubt says that a frame does not fit what is done while bolts are turned.
func (r *reader) doubt(st step) {
	how := "in a way that bolts do not"
	if r.situation == Confirmed {
		how = "though the bolts are locked"
	}
	r.doubts.notice = &axis.Warning{Code: WarnAxisJumped, Frame: st.frame.Name, Message: fmt.Sprintf(
		"From the frame before to %s the camera moved by %s, %s.",
		st.frame.Name, sky.AngleWords(sky.Angle(r3.Norm(sky.VectorFromRotation(st.frame.Observed.R.Mul(r.tracker.seen.R.Transpose()))))), how)}
}

// settle decides on a held frame that the next one bears out: something moved.
func (r *reader) settle(held, after step) {
	name := held.frame.Name
	if held.change == decTurned || held.change == tooFar || r.doubts.likeDec && r.situation == Turning {
		r.doubts.invalidated = &axis.Warning{Code: axis.WarnTubeMoved, Frame: name, Message: fmt.Sprintf(
			"Right before %s the tube moved on the mount: the declination was turned or slipped, or the camera shifted. What was measured before no longer tells the axis: lock the declination and start over.", name)}
		if r.situation == Confirmed {
			r.doubts.invalidated.Message = fmt.Sprintf("Right before %s the telescope was pointed elsewhere, or the tube moved on the mount: since then a single frame does not tell the axis. It stands as last read, unless something else moved; ordinary exposures are watched and tell it in time.", name)
		}
		r.unusable(held.frame)
		r.unusable(after.frame)
		return
	}
	r.accept(held)
	r.accept(after)
	r.doubts.bumped = &axis.Warning{Code: axis.WarnMountMoved, Frame: name, Message: fmt.Sprintf(
		"Right before %s the mount moved in a way that bolts do not: the tripod was bumped or settled, or bolts and RA axis were turned at once. The axis is read as it now stands. If the tube or the camera was touched, start over.", name)}
	r.learning = r.learning.rest(r.now, r.tracker.latest)
}

// accept keeps a step.
func (r *reader) accept(st step) {
	before := r.tracker.latest
	movement := movementBetween(before, st.reading.Axis, r.setting.Pole)
	r.doubts.undo = nil
	if r.situation == Turning && st.change == boltsOnly {
		far := st.reading.Jump > excursion && !r.learning.pending()
		if far && !swings(r.lastMove, movement.By) {
			r.doubts.undo = &undo{tracker: r.tracker, away: st, learning: r.learning, likeDec: r.doubts.likeDec}
		}
		st.tracker.learnTilt(r.tracker)
		if far && turnedInDeclination(r.tracker, st.frame) {
			r.doubts.likeDec = true
		}
	}
	r.lastMove, r.tracker = movement.By, st.tracker
	r.report(st)
	switch r.situation {
	case Turning:
		r.learning = r.learning.learn(r.now, st.reading.Axis, r.setting.Pole)
		if st.change == raTurned {
			r.doubts.notice = &axis.Warning{Code: WarnSlipped, Frame: st.frame.Name, Message: fmt.Sprintf(
				"Right before %s the RA axis turned by %s: by hand, or its clutch slipped. The axis is read all the same; tighten the clutch if nobody turned it.", st.frame.Name, sky.AngleWords(st.turned))}
		}
	case Confirmed:
		r.watchLock(st, movement)
	}
}

// report lists a frame that was read.
func (r *reader) report(st step) {
	f, reading := st.frame, st.reading
	r.reports = append(r.reports, Report{
		Name: f.Name, Mid: f.Mid, Status: axis.StatusOf(reading.Axis, r.allowance, r.setting.Pole),
		Turn: reading.Turn, Drive: reading.Drive, TrackingOdds: reading.TrackingOdds,
	})
	r.reports = r.reports[max(0, len(r.reports)-MostReports):]
}

// watchLock tells of an axis that moves though the bolts are locked.
func (r *reader) watchLock(st step, movement movement) {
	away := sky.Separation(r.measured.Dir, st.reading.Axis.Dir)
	if r.doubts.bumped != nil || away <= axisWarned || !movementBetween(r.measured, st.reading.Axis, r.setting.Pole).moved() || !movement.moved() {
		return
	}
	r.doubts.bumped = &axis.Warning{Code: axis.WarnMountMoved, Frame: st.frame.Name, Message: fmt.Sprintf(
		"Since it was confirmed the axis has moved by %s, with the bolts locked: the tripod settled or was bumped, or a bolt was turned. Unlock the bolts and adjust again if that is too much.", sky.AngleWords(away))}
}
