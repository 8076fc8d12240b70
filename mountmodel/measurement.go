package mountmodel

import (
	"fmt"
	"slices"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/stat/distuv"
)

// measurement is the set of frames that one axis is taken from.
type measurement struct {
	frames  []frame // usable ones, in order of arrival; some may be set aside
	refused []refusal
	fit     *AxisFit // of the frames not set aside; nil while there is none
	problem error    // why there is none
	broken  *AxisFit // the fit that no one line explains, where that is why
	used    []int    // indices of the frames in the fit, in order of time
	fault   Diagnosis
}

// refusal is a frame that could not be used and its place among the others.
type refusal struct {
	FrameView
	before int // how many usable frames came before it
}

// mostRefused is how many refused frames are shown; older ones are dropped.
const mostRefused = 50

func (m *measurement) refuse(f FrameView) {
	m.refused = append(m.refused, refusal{f, len(m.frames)})
	if n := len(m.refused); n > mostRefused {
		m.refused = slices.Delete(m.refused, 0, n-mostRefused)
	}
}

const (
	// sameAngle is the turn below which a frame counts as taken at the angle of
	// another: a drive that follows the sky makes as much in eight minutes, and
	// it is too little to aim for by hand.
	sameAngle = 2 * sky.Degree

	// setAsidePart: of so many frames one may be set aside.
	setAsidePart = 4

	// leastFrames is the number of frames, at angles of their own, from which
	// the session calls a measurement complete by itself: two leave nothing
	// that tests the model.
	leastFrames = 3

	// wantedShare of the tolerance is the uncertainty (semi-major axis, 1-sigma,
	// with mechanical noise) at which the measurement is complete: the 95 %
	// ellipse then reaches 0.3 tolerances.
	wantedShare = 1.0 / 8

	// leastWanted bounds that from below: mechanical noise does not average
	// away without many frames.
	leastWanted = 2.5 * sky.Arcsecond

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

// wanted is the uncertainty at which a measurement is complete.
func wanted(tolerance sky.Angle) sky.Angle { return max(wantedShare*tolerance, leastWanted) }

// add takes a frame in and fits anew.
func (m *measurement) add(f frame, pole sky.Local) {
	m.frames = append(m.frames, f)
	m.refit(pole)
}

// refit fits the axis to all frames; a frame that clearly does not belong is
// set aside, and the rest fitted again.
func (m *measurement) refit(pole sky.Local) {
	m.used = m.used[:0]
	for i := range m.frames {
		m.used = append(m.used, i)
		m.frames[i].Message = ""
	}
	slices.SortStableFunc(m.used, func(a, b int) int { return m.frames[a].Mid.Compare(m.frames[b].Mid) })
	m.fault, m.broken = Diagnosis{}, nil
	for range 1 + len(m.frames)/setAsidePart {
		m.fit, m.problem = fitAxis(m.attitudes(), pole)
		m.broken = nil
		if m.problem != nil {
			m.fit, m.broken = nil, m.fit
		}
		f := m.suspect()
		if f == nil {
			break
		}
		m.fault = f.Diagnose()
		if m.fault.Fault != FrameAlone || m.fault.OneOf != nil || len(m.used) <= len(m.frames)-len(m.frames)/setAsidePart {
			break
		}
		alone := m.used[m.fault.Frame]
		m.frames[alone].Status = FrameSetAside
		m.frames[alone].Message = asideWords(m.fault.Frame, len(m.used))
		m.used = slices.Delete(slices.Clone(m.used), m.fault.Frame, m.fault.Frame+1)
	}
	m.describe(pole)
}

// suspect is the fit to be judged: the one in use, or the one that broke.
func (m *measurement) suspect() *AxisFit {
	if m.fit != nil {
		return m.fit
	}
	return m.broken
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

// lastAside tells whether the newest frame was set aside: then the mount may
// have moved since the others.
func (m *measurement) lastAside() bool {
	for _, f := range m.frames {
		if f.Status == FrameSetAside && f.Mid.After(m.frames[m.used[len(m.used)-1]].Mid) {
			return true
		}
	}
	return false
}

func (m *measurement) attitudes() []sky.Attitude {
	out := make([]sky.Attitude, len(m.used))
	for k, i := range m.used {
		out[k] = m.frames[i].stance.Attitude
	}
	return out
}

// describe sets status, turn and residual of the frames.
func (m *measurement) describe(pole sky.Local) {
	n := sky.Vec(pole)
	if m.fit != nil {
		n = m.fit.n
	}
	first := m.frames[0].stance.R.Transpose()
	for i := range m.frames {
		f := &m.frames[i]
		f.Turn = sky.TurnAbout(f.stance.R.Mul(first), n).Signed()
		f.Residual = 0
		at := slices.Index(m.used, i)
		if at < 0 {
			continue
		}
		if m.fit != nil {
			f.Residual = f.stance.Displacement(m.fit.Residuals[at])
		}
		f.Status = FrameMeasures
		for j := range i {
			if slices.Contains(m.used, j) && (m.frames[j].Turn-f.Turn).Signed().Abs() < sameAngle {
				f.Status = FrameSameAngle
				f.Message = fmt.Sprintf("at the same angle of the RA axis as %s", m.frames[j].Name)
				break
			}
		}
	}
	for i := range m.frames {
		if f := &m.frames[i]; f.Status == FrameSetAside && m.fit != nil {
			f.Residual = f.stance.Displacement(likelyTurn(f.stance.Attitude, m.fit.n, m.fit.c, 0))
		}
	}
}

// angles counts the frames at angles of their own.
func (m *measurement) angles() int {
	count := 0
	for _, f := range m.frames {
		if f.Status == FrameMeasures {
			count++
		}
	}
	return count
}

// complete tells whether the measurement is good enough for the tolerance, or
// has the number of frames asked for, where that is not 0.
func (m *measurement) complete(count int, tolerance sky.Angle) bool {
	if m.fit == nil {
		return false
	}
	if count > 0 {
		return len(m.frames) >= count
	}
	if m.angles() < leastFrames || m.fault.Fault == TubeStep || m.fault.Fault == MountStep || m.lastAside() {
		return false
	}
	s, ok := spread(m.attitudes(), m.fit.n, m.fit.ModelError)
	return ok && s <= wanted(tolerance)
}

// with is the measurement with one frame more; m stays as it is.
func (m *measurement) with(f frame, pole sky.Local) measurement {
	w := measurement{frames: slices.Clone(m.frames), refused: slices.Clone(m.refused)}
	w.add(f, pole)
	return w
}

// joined is the measurement with a frame that was taken after it, provided
// that nothing but the RA axis has turned: that the frame fits it within the
// noise of stars and mechanics.
func (m *measurement) joined(f frame, pole sky.Local) (measurement, bool) {
	if m.fit == nil || len(m.frames) >= mostJoined {
		return measurement{}, false
	}
	noise := max(m.fit.ModelError, mechanicalNoise)
	before, after := newRigid(m.attitudes(), m.fit.n), newRigid(append(m.attitudes(), f.stance.Attitude), m.fit.n)
	if before.solve(noise) != nil || after.solve(noise) != nil {
		return measurement{}, false
	}
	if (distuv.ChiSquared{K: 2}).Survival(max(0, after.chi2-before.chi2)) < joinDoubt {
		return measurement{}, false
	}
	with := m.with(f, pole)
	return with, with.fit != nil && with.frames[len(with.frames)-1].Status != FrameSetAside
}

// view lists the frames in order of arrival, refused ones in their places.
func (m *measurement) view() []FrameView {
	var out []FrameView
	at := 0
	for i := 0; i <= len(m.frames); i++ {
		for at < len(m.refused) && m.refused[at].before <= i {
			out = append(out, m.refused[at].FrameView)
			at++
		}
		if i < len(m.frames) {
			out = append(out, m.frames[i].FrameView)
		}
	}
	return out
}

// warnings tells what speaks against trusting the measurement.
func (m *measurement) warnings() []Warning {
	var out []Warning
	for _, f := range m.frames {
		if f.Status == FrameSetAside {
			out = append(out, Warning{Code: WarnFrameStands, Frame: f.Name, Message: fmt.Sprintf(
				"%s %s. It is off by %s. If something was bumped or turned near that moment, start over.", f.Name, f.Message, sky.AngleWords(f.Residual))})
		}
	}
	for _, f := range m.frames {
		if alt, _ := sky.AltAzFromLocal(f.stance.Boresight); alt < lowFrame {
			out = append(out, Warning{Code: WarnLowFrame, Frame: f.Name, Message: fmt.Sprintf(
				"%s looks only %.0f° above the horizon, where the air bends light by an amount that is not well known. Point higher if you can.", f.Name, alt.Degrees())})
			break
		}
	}
	if m.fit == nil {
		return append(out, m.rigidity()...)
	}
	if major, _, _ := m.fit.Axis.Ellipse(); major > poorAxis {
		out = append(out, Warning{Code: WarnLittleTurn, Message: fmt.Sprintf(
			"The frames span only %.0f° of turn, and the axis is known to %s only. Turn the RA axis further and take another frame.", m.fit.Span.Degrees(), sky.AngleWords(major))})
	}
	if m.fit.Dof == 0 {
		out = append(out, Warning{Code: WarnTwoFrames, Message: "Two frames give the axis but nothing that tests it: a bumped tripod or a turned declination would go unseen. Take a third frame at another angle."})
	}
	return append(out, m.rigidity()...)
}

// usualWobble is the departure from the rigid model that every mount has and
// nobody needs to be warned of; it counts in the uncertainty all the same.
// Twice the mechanical noise.
const usualWobble = 2 * mechanicalNoise

// usual tells whether the departures are no more than the mechanical noise
// makes: of few frames their size is known badly.
func (f *AxisFit) usual() bool {
	m := newRigid(f.frames, f.n)
	return m.solve(mechanicalNoise) == nil && !doubtful(m.chi2, m.dof())
}

// rigidity says in words what the frames tell when they do not fit a rigid
// mount.
func (m *measurement) rigidity() []Warning {
	f := m.suspect()
	if f == nil || !doubtful(f.Chi2, f.Dof) || f.ModelError < usualWobble || f.usual() {
		return nil
	}
	size := sky.AngleWords(f.ModelError)
	general := Warning{Code: WarnNotRigid, Message: fmt.Sprintf(
		"The frames do not fit a camera that turns about one line: they are off by about %s each, more than the stars explain. The uncertainty given includes that.", size)}
	name := func(k int) string { return m.frames[m.used[k]].Name }
	k := m.fault.Frame
	switch {
	case m.fault.OneOf != nil:
		general.Message += " Either the tube or declination moved, or the mount itself, or one frame is wrong; the frames do not tell which. If anything was touched, start over."
	case m.fault.Fault == TubeStep:
		return []Warning{general, {Code: WarnTubeMoved, Frame: name(k), Message: fmt.Sprintf(
			"Between %s and %s the tube moved on the mount: declination turned or slipped, or the camera shifted. Lock the declination and start over.", name(k-1), name(k))}}
	case m.fault.Fault == MountStep:
		return []Warning{general, {Code: WarnMountMoved, Frame: name(k), Message: fmt.Sprintf(
			"Between %s and %s the mount itself moved: the tripod settled or was bumped, or a bolt was turned. Start over without touching it.", name(k-1), name(k))}}
	case m.fault.Fault == FrameAlone:
		return []Warning{general, {Code: WarnFrameStands, Frame: name(k), Message: fmt.Sprintf(
			"%s does not fit the other frames. If something was bumped or turned near that moment, start over.", name(k))}}
	case f.Dof <= 2:
		worst := f.strayest(1)[0]
		general.Message += fmt.Sprintf(" Three frames do not tell which is to blame (%s departs most). Likely causes: declination or tube moved, tripod settled, or the mount bends. Take more frames, or start over.", name(worst))
	default:
		general.Message += " No single frame and no single movement explains it: the mount or the tube bends as it turns, or something settles all the while. Check that everything is tight; a shorter turn near where you will work may fit better."
		return []Warning{general, {Code: WarnFlexure, Message: fmt.Sprintf(
			"Flexure of about %s: the axis is the best single line through it, and differs from place to place by that much.", size)}}
	}
	return []Warning{general}
}
