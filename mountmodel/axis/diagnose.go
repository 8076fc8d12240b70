package axis

import (
	"cmp"
	"slices"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat/distuv"
)

// Diagnosis says what the frames tell of a fit that failed.
type Diagnosis struct {
	Fault Fault
	Frame int // FrameAlone: the one; steps: the first frame after the step
	// OneOf is set where more than one fault explains the frames about as
	// well; Fault is then the likeliest.
	OneOf []Fault
}

const (
	// explained is the probability of the chi-square of an alternative above
	// which it explains the frames.
	explained = 0.01

	// clearFault: explanations are tried with the mechanical noise of a good mount
	// beyond that of the stars, then with twice that, and so on while it is less
	// than 1 in clearFault of what there is to explain. With the first alone one in three faults of mounts that
	// shake by 5 arcsec is named, and of those that shake by 10 none (TestDiagnose).
	clearFault = 8

	// clearlyBetter is the difference in chi-square from which the better of two
	// explanations with equally many unknowns is believed: odds of 90 to 1.
	clearlyBetter = 9
)

// alternative is one explanation tried.
type alternative struct {
	Diagnosis
	chi2 float64
	dof  int
}

// Diagnose looks for the single departure that explains why the rigid model
// failed: each frame left out, each place between two frames where the tube or
// the mount may have moved, and either of them creeping all the while. All
// have two unknowns more than the rigid model, so that chi-squares compare. It
// takes five frames to tell the kinds of step from each other and from a stray
// frame at the end, four to find a stray frame. Frames are to be in order of
// time.
//
// No mount holds still to the noise of the stars. A fault stands out of what
// the mount does all the time, so that explanations are tried with as much
// noise as the best of them needs.
func (f *Fit) Diagnose() Diagnosis {
	if !doubtful(f.Chi2, f.Dof) {
		return Diagnosis{}
	}
	if f.usual() {
		return Diagnosis{Fault: Unexplained}
	}
	for noise := MechanicalNoise; ; noise *= 2 {
		if d, ok := f.diagnose(noise); ok {
			return d
		}
		if 2*clearFault*noise > f.ModelError {
			return Diagnosis{Fault: Unexplained}
		}
	}
}

// diagnose tells whether anything explains the frames within a noise.
func (f *Fit) diagnose(noise sky.Angle) (Diagnosis, bool) {
	tried := f.alternatives(noise)
	slices.SortStableFunc(tried, byChi2)
	if len(tried) == 0 || (distuv.ChiSquared{K: float64(tried[0].dof)}).Survival(tried[0].chi2) < explained {
		return Diagnosis{}, false
	}
	best := tried[0].Diagnosis
	for _, a := range tried {
		if a.chi2 < tried[0].chi2+clearlyBetter && !slices.Contains(best.OneOf, a.Fault) {
			best.OneOf = append(best.OneOf, a.Fault)
		}
	}
	if len(best.OneOf) == 1 {
		best.OneOf = nil
	}
	for _, a := range tried[1:] {
		if a.chi2 < tried[0].chi2+clearlyBetter && a.Fault == best.Fault && a.Frame != best.Frame {
			// The same kind at another place: the place is open, so nothing is told.
			return Diagnosis{Fault: Unexplained}, true
		}
	}
	return best, true
}

// mostTried bounds the frames left out, and the places tried for a step before
// the neighbourhood of the best is searched, so that hundreds of frames take a
// fraction of a second.
const mostTried = 24

// alternatives fits the explanations that leave something to test.
func (f *Fit) alternatives(noise sky.Angle) []alternative {
	count := len(f.Frames)
	if f.Dof <= 2 { // a departure takes two
		return nil
	}
	var out []alternative
	for _, i := range f.largestResiduals(mostTried) {
		if f.bodies > 1 {
			out = f.try(out, alone(i, count), noise)
			continue
		}
		// Left out: a stray frame may look anywhere.
		rest := slices.Concat(f.straight[:i], f.straight[i+1:])
		if m := rigid(rest, f.startOf(rest)); m.solve(noise) == nil {
			out = append(out, alternative{Diagnosis{Fault: FrameAlone, Frame: i}, m.chi2, m.dof()})
		}
	}
	// What goes with time is not told from what goes with the angle while the
	// axis turns one way.
	if count >= leastForCreep && f.turnsBack() {
		out = f.try(out, creep(MountCreep, count), noise)
	}
	out = append(out, f.steps(MountStep, noise)...)
	if count >= leastForCreep && f.turnsBack() {
		out = f.try(out, creep(TubeCreep, count), noise)
	}
	return append(out, f.steps(TubeStep, noise)...)
}

// leastForCreep leaves a creep two degrees of freedom that test it.
const leastForCreep = 4

// turnsBack tells whether the frames turned both ways.
func (f *Fit) turnsBack() bool {
	onward, back := false, false
	for i := 1; i < len(f.Turns); i++ {
		t := (f.Turns[i] - f.Turns[i-1]).Signed()
		onward = onward || t > sameAngle
		back = back || t < -sameAngle
	}
	return onward && back
}

// try adds the fit of a departure, if there is one.
func (f *Fit) try(out []alternative, d departure, noise sky.Angle) []alternative {
	m, err := f.with(d, flat, noise)
	if err != nil {
		return out
	}
	return append(out, alternative{d.Diagnosis, m.chi2, m.dof()})
}

// with is the model with a departure, fitted. Of many frames a step far from
// the rigid axis is sought from the axis of the frames on its longer side.
func (f *Fit) with(d departure, prior, noise sky.Angle) (*model, error) {
	n := f.n
	switch before, after := f.Frames[:d.Frame], f.Frames[d.Frame:]; d.Fault {
	case MountStep:
		n = f.startOf(after)
	case TubeStep:
		if len(before) > len(after) {
			after = before
		}
		n = f.startOf(after)
	case FrameAlone:
		n = f.startOf(slices.Concat(before, after[1:]))
	}
	m := newModel(f.straight, n, f.body, f.bodies)
	d.prior = prior
	m.departure = &d
	err := m.solve(noise)
	return m, err
}

// steps fits a step of one kind at every place, or, of many places, at some
// and then at the neighbours of the best. A step that leaves a single frame on
// one side is that frame alone.
func (f *Fit) steps(kind Fault, noise sky.Angle) []alternative {
	count := len(f.Frames)
	first, last := 2, count-2
	stride := max(1, (last-first)/mostTried)
	var out []alternative
	tried := make([]bool, count)
	try := func(k int) {
		if k >= first && k <= last && !tried[k] {
			tried[k] = true
			out = f.try(out, step(kind, k, count), noise)
		}
	}
	for k := first; k <= last; k += stride {
		try(k)
	}
	if stride > 1 && len(out) > 0 {
		best := slices.MinFunc(out, byChi2).Frame
		for k := best - stride; k <= best+stride; k++ {
			try(k)
		}
	}
	return out
}

// startOf is where the search for the axis of some of the frames starts: at
// their own axis, since that of all may be far off when something is wrong, if
// they have turned clear of their noise.
func (f *Fit) startOf(frames []sky.Attitude) sky.Vec {
	if _, clear := LargestTurn(frames); clear {
		if n, err := startAxis(frames, sky.Local(f.n)); err == nil {
			return n
		}
	}
	return f.n
}

func byChi2(a, b alternative) int { return cmp.Compare(a.chi2, b.chi2) }

// largestResiduals are the frames with the largest residuals, largest first.
func (f *Fit) largestResiduals(most int) []int {
	order := make([]int, len(f.Residuals))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		return cmp.Compare(r3.Norm(f.Residuals[b]), r3.Norm(f.Residuals[a]))
	})
	return order[:min(most, len(order))]
}
