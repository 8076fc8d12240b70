package axis

import (
	"fmt"
	"slices"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/stat/distuv"
)

// Measurement is the set of frames that one axis is taken from.
type Measurement struct {
	Frames  []Frame // usable ones, in order of arrival; some may be set aside
	refused []refusal
	Fit     *Fit  // of the frames not set aside; nil while there is none
	Problem error // why there is none
	Broken  *Fit  // the fit that no one line explains, where that is why
	Used    []int // indices of the frames in the fit, in order of time
	Fault   Diagnosis
	// Allowance is what the axis has to be allowed for beyond Fit.
	Allowance Allowance
}

// refusal is a frame that could not be used and its place among the others.
type refusal struct {
	FrameReport
	before int // how many usable frames came before it
}

// mostRefused is how many refused frames are shown; older ones are dropped.
const mostRefused = 50

// Refusing is the measurement with one more frame listed that could not be used; m
// stays as it is.
func (m Measurement) Refusing(f FrameReport) Measurement {
	m.refused = append(slices.Clone(m.refused), refusal{f, len(m.Frames)})
	m.refused = m.refused[max(0, len(m.refused)-mostRefused):]
	return m
}

const (
	// sameAngle is the turn below which a frame counts as taken at the angle of
	// another: a drive that follows the sky makes as much in eight minutes, and
	// it is too little to aim for by hand.
	sameAngle = 2 * sky.Degree

	// setAsidePart: of so many frames one may be set aside, as the others are enough to test the model.
	setAsidePart = leastFrames + 1

	// leastFrames is the number of frames from which the session calls a
	// measurement complete by itself: two leave nothing that tests the model.
	leastFrames = 3

	// mostFramesAsked is up to how many frames are asked for to tell what broke, though the
	// axis is known well enough: whoever stands on ground that gives wants to know.
	mostFramesAsked = 6

	// wantedShare of the tolerance is the uncertainty (semi-major axis, 1-sigma,
	// with mechanical noise and what may have moved) at which the measurement is
	// complete: the 95 % ellipse then reaches 0.3 tolerances.
	wantedShare = 1.0 / 8

	// leastWanted bounds that from below: mechanical noise does not average
	// away without many frames. Five over 60 degrees, there and back, come to it.
	leastWanted = 5 * sky.Arcsecond

	// mostJoined bounds the frames that may join a finished measurement.
	mostJoined = 40

	// joinDoubt is the probability, if nothing moved, of a frame fitting as
	// badly as one that is no longer counted to the measurement.
	joinDoubt = 1e-4

	// lowFrame is the altitude of the boresight below which real air departs
	// from the standard by arcseconds (at 15 degrees refraction is 215 arcsec
	// and commonly uncertain by 1 %).
	lowFrame = 15 * sky.Degree
)

// Wanted is the uncertainty at which a measurement is complete.
func Wanted(tolerance sky.Angle) sky.Angle { return max(wantedShare*tolerance, leastWanted) }

// add takes a frame in and fits anew.
func (m *Measurement) add(f Frame, air Refraction) {
	m.Frames = append(m.Frames, f)
	m.refit(air)
}

// refit fits the axis to all frames; a frame that clearly does not belong is
// set aside, and the rest fitted again.
func (m *Measurement) refit(air Refraction) {
	pole := air.Pole
	m.Used = m.Used[:0]
	for i := range m.Frames {
		m.Used = append(m.Used, i)
		m.Frames[i].Message = ""
	}
	slices.SortStableFunc(m.Used, func(a, b int) int { return m.Frames[a].Mid.Compare(m.Frames[b].Mid) })
	m.Fault, m.Broken, m.Allowance = Diagnosis{}, nil, Allowance{}
	var before *Fit // with the frames that were set aside
	for range 1 + len(m.Frames)/setAsidePart {
		m.Fit, m.Problem = find(m.Attitudes(), pole)
		m.Broken = nil
		if m.Problem != nil {
			m.Fit, m.Broken = nil, m.Fit
		}
		f := m.suspect()
		if f == nil {
			break
		}
		m.Fault = f.Diagnose()
		if m.Fault.Fault != FrameAlone || m.Fault.OneOf != nil || len(m.Used) <= len(m.Frames)-len(m.Frames)/setAsidePart {
			break
		}
		if before == nil {
			before = f
		}
		alone := m.Used[m.Fault.Frame]
		m.Frames[alone].Status = FrameSetAside
		m.Frames[alone].Message = asideWords(m.Fault.Frame, len(m.Used))
		m.Used = slices.Delete(slices.Clone(m.Used), m.Fault.Frame, m.Fault.Frame+1)
	}
	if m.Fit != nil {
		m.Allowance = m.Fit.Allowance(air)
		if before != nil {
			m.Allowance.Movement = m.Fit.doubtBy(before)
		}
	}
	m.describe(pole)
}

// suspect is the fit to be judged: the one in use, or the one that broke.
func (m *Measurement) suspect() *Fit {
	if m.Fit != nil {
		return m.Fit
	}
	return m.Broken
}

// asideWords says why frame k of so many, in order of time, was set aside. At
// either end a single frame cannot be told from a movement beside it.
func asideWords(k, count int) string {
	switch k {
	case 0:
		return "does not fit the frames after it and was left out: it is wrong, or something moved right after it"
	case count - 1:
		return "does not fit the frames before it and was left out: it is wrong, or something moved right before it"
	}
	return "does not fit the other frames and was left out"
}

// LastAside tells whether the newest frame was set aside: then the mount may
// have moved since the others.
func (m *Measurement) LastAside() bool {
	for _, f := range m.Frames {
		if f.Status == FrameSetAside && f.Mid.After(m.Frames[m.Used[len(m.Used)-1]].Mid) {
			return true
		}
	}
	return false
}

// Attitudes are those of the frames that the fit uses, camera to local frame, with covariances (radians squared).
func (m *Measurement) Attitudes() []sky.Attitude {
	out := make([]sky.Attitude, len(m.Used))
	for k, i := range m.Used {
		out[k] = m.Frames[i].Observed.Attitude
	}
	return out
}

// describe sets status, turn and residual of the frames.
func (m *Measurement) describe(pole sky.Local) {
	n := sky.Vec(pole)
	if m.Fit != nil {
		n = m.Fit.n
	}
	first := m.Frames[0].Observed.R.Transpose()
	for i := range m.Frames {
		f := &m.Frames[i]
		f.Turn = sky.TurnAbout(f.Observed.R.Mul(first), n).Signed()
		f.Residual = 0
		at := slices.Index(m.Used, i)
		if at < 0 {
			continue
		}
		if m.Fit != nil {
			f.Residual = f.Observed.Displacement(m.Fit.Residuals[at])
		}
		f.Status = FrameMeasures
		for j := range i {
			if slices.Contains(m.Used, j) && (m.Frames[j].Turn-f.Turn).Signed().Abs() < sameAngle {
				f.Status = FrameSameAngle
				f.Message = fmt.Sprintf("at the same angle of the RA axis as %s", m.Frames[j].Name)
				break
			}
		}
	}
	for i := range m.Frames {
		if f := &m.Frames[i]; f.Status == FrameSetAside && m.Fit != nil {
			f.Residual = f.Observed.Displacement(likelyTurn(f.Observed.Attitude, m.Fit.n, m.Fit.c, 0))
		}
	}
}

// moved tells whether tube or mount were seen to move.
func (m *Measurement) moved() bool {
	switch m.Fault.Fault {
	case TubeStep, MountStep, TubeCreep, MountCreep:
		return true
	}
	return false
}

// Complete tells whether the measurement is good enough for the tolerance, or
// has the number of frames asked for, where that is not 0.
func (m *Measurement) Complete(count int, tolerance sky.Angle) bool {
	if m.Fit == nil {
		return false
	}
	if count > 0 {
		return len(m.Frames) >= count
	}
	if len(m.Used) < leastFrames || m.moved() || m.LastAside() {
		return false
	}
	if m.Fit.averaged {
		if open := m.Fault.OneOf != nil || m.Fit.Dof <= 2; open && len(m.Used) < mostFramesAsked {
			return false
		}
		return Major(m.Fit.Axis.Cov) <= Wanted(tolerance)
	}
	s, ok := spread(m.Attitudes(), m.Fit.n, m.Fit.ModelError)
	return ok && s <= Wanted(tolerance)
}

// With is the measurement with one frame more; m stays as it is.
func (m *Measurement) With(f Frame, air Refraction) Measurement {
	w := Measurement{Frames: slices.Clone(m.Frames), refused: slices.Clone(m.refused)}
	w.add(f, air)
	return w
}

// Joined is the measurement with a frame that was taken after it, provided
// that nothing but the RA axis has turned: that the frame fits it within the
// noise of stars and mechanics.
func (m *Measurement) Joined(f Frame, air Refraction) (Measurement, bool) {
	if m.Fit == nil || len(m.Frames) >= mostJoined {
		return Measurement{}, false
	}
	noise := max(m.Fit.ModelError, MechanicalNoise)
	before, after := rigid(m.Attitudes(), m.Fit.n), rigid(append(m.Attitudes(), f.Observed.Attitude), m.Fit.n)
	if before.solve(noise) != nil || after.solve(noise) != nil {
		return Measurement{}, false
	}
	if (distuv.ChiSquared{K: 2}).Survival(max(0, after.chi2-before.chi2)) < joinDoubt {
		return Measurement{}, false
	}
	with := m.With(f, air)
	return with, with.Fit != nil && with.Frames[len(with.Frames)-1].Status != FrameSetAside
}

// Reports lists the frames in order of arrival, refused ones in their places.
func (m *Measurement) Reports() []FrameReport {
	var out []FrameReport
	at := 0
	for i := 0; i <= len(m.Frames); i++ {
		for at < len(m.refused) && m.refused[at].before <= i {
			out = append(out, m.refused[at].FrameReport)
			at++
		}
		if i < len(m.Frames) {
			out = append(out, m.Frames[i].FrameReport)
		}
	}
	return out
}

// Warnings tells what speaks against trusting the measurement.
func (m *Measurement) Warnings() []Warning {
	var out []Warning
	for _, f := range m.Frames {
		if f.Status == FrameSetAside {
			out = append(out, Warning{Code: WarnFrameStands, Frame: f.Name, Message: fmt.Sprintf(
				"%s %s. It is off by %s. If something was bumped or turned near that moment, start over.", f.Name, f.Message, sky.AngleWords(f.Residual))})
		}
	}
	for _, f := range m.Frames {
		if alt, _ := sky.AltAzFromLocal(f.Observed.Boresight); alt < lowFrame {
			out = append(out, Warning{Code: WarnLowFrame, Frame: f.Name, Message: fmt.Sprintf(
				"%s looks only %.0f° above the horizon, where the air bends light by an amount that is not well known. Point higher if you can.", f.Name, alt.Degrees())})
			break
		}
	}
	if m.Fit == nil {
		return append(out, m.rigidity()...)
	}
	if major, _, _ := m.Fit.Axis.Ellipse(); major > poorAxis && !m.Fit.averaged {
		out = append(out, Warning{Code: WarnLittleTurn, Message: fmt.Sprintf(
			"The frames span only %.0f° of turn, and the axis is known to %s only. Turn the RA axis further and take another frame.", m.Fit.Span.Degrees(), sky.AngleWords(major))})
	}
	if m.Fit.flexesMuch() {
		out = append(out, Warning{Code: WarnFlexure, Message: fmt.Sprintf(
			"By these frames the tube hangs by %s of its own weight when level, more than is common. If it does not, something was bumped or moved while declination was turned: see that camera and focuser sit tight, and measure once more.", sky.AngleWords(m.Fit.flexure.by))})
	}
	if m.Fit.Dof == 0 {
		out = append(out, Warning{Code: WarnTwoFrames, Message: "Two frames give the axis but nothing that tests it: a bumped tripod or a turned declination would go unseen. Take a third frame at another angle."})
	}
	return append(out, m.rigidity()...)
}

// usual tells whether the departures are no more than the mechanical noise
// makes: of few frames their size is known badly.
func (f *Fit) usual() bool {
	m := newModel(f.straight, f.n, f.body, f.bodies)
	return m.solve(MechanicalNoise) == nil && !doubtful(m.chi2, m.dof())
}

// broken tells whether the frames depart from a rigid mount by more than every
// mount does.
func (f *Fit) broken() bool {
	return doubtful(f.Chi2, f.Dof) && !f.usual()
}

// rigidity says in words what the frames tell when they do not fit a rigid
// mount.
func (m *Measurement) rigidity() []Warning {
	f := m.suspect()
	if f == nil || !doubtful(f.Chi2, f.Dof) {
		return nil
	}
	if !f.broken() {
		return []Warning{{Code: WarnFramesStray, Message: fmt.Sprintf(
			"The frames stray from one line by about %s each: more than the stars explain, and no more than mounts do. The uncertainty given includes it.", sky.KnownWords(f.ModelError))}}
	}
	size := sky.AngleWords(f.ModelError)
	general := Warning{Code: WarnNotRigid, Message: fmt.Sprintf(
		"The frames do not fit a camera that turns about one line: they are off by about %s each, more than the stars explain. The uncertainty given is over all that may have happened.", size)}
	name := func(k int) string { return m.Frames[m.Used[k]].Name }
	k := m.Fault.Frame
	switch {
	case m.Fault.OneOf != nil:
		general.Message += " The tube or declination moved, or the mount itself, at once or little by little, or one frame is wrong; the frames do not tell which. If anything was touched, start over."
	case m.Fault.Fault == TubeStep:
		return []Warning{general, {Code: WarnTubeMoved, Frame: name(k), Message: fmt.Sprintf(
			"Between %s and %s the tube moved on the mount: declination turned or slipped, or the camera shifted. Lock the declination and start over.", name(k-1), name(k))}}
	case m.Fault.Fault == MountStep:
		return []Warning{general, {Code: WarnMountMoved, Frame: name(k), Message: fmt.Sprintf(
			"Between %s and %s the mount itself moved: the tripod settled or was bumped, or a bolt was turned. Start over without touching it.", name(k-1), name(k))}}
	case m.Fault.Fault == TubeCreep:
		return []Warning{general, {Code: WarnTubeCreeps, Message: "From frame to frame the tube moves on the mount: the declination slips, or the tube or the camera creeps in its clamps. Tighten them and start over."}}
	case m.Fault.Fault == MountCreep:
		return []Warning{general, {Code: WarnMountCreeps, Message: "From frame to frame the mount itself moves: the tripod sinks, or something that carries it gives way. Set it on firm ground and start over."}}
	case m.Fault.Fault == FrameAlone:
		return []Warning{general, {Code: WarnFrameStands, Frame: name(k), Message: fmt.Sprintf(
			"%s does not fit the other frames. If something was bumped or turned near that moment, start over.", name(k))}}
	case f.Dof <= 2:
		worst := f.largestResiduals(1)[0]
		general.Message += fmt.Sprintf(" So few frames do not tell which is to blame (%s departs most). Likely causes: declination or tube moved, tripod settled, or the mount bends. Take more frames, or start over.", name(worst))
	default:
		general.Message += " No single frame and no single movement explains it: the mount or the tube bends as it turns, or something settles all the while. Check that everything is tight; a shorter turn near where you will work may fit better."
		return []Warning{general, {Code: WarnFlexure, Message: fmt.Sprintf(
			"Flexure of about %s: the axis is the best single line through it, and differs from place to place by that much.", size)}}
	}
	return []Warning{general}
}
