package mountmodel

import (
	"math"
	"slices"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat/distuv"
)

// Fault is a kind of departure from the rigid mount.
type Fault int

// The departures that the frames can tell apart.
const (
	NoFault     Fault = iota
	FrameAlone        // one frame does not fit the others
	TubeStep          // the camera's place on the body changed once: declination or tube moved
	MountStep         // the axis itself moved once: tripod settled, bolts turned
	Unexplained       // not one of these: flexure, several causes, or too few frames to tell
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

	// apart is the difference in chi-square from which the better of two
	// explanations with equally many unknowns is believed: odds of 90 to 1.
	apart = 9
)

// alternative is one explanation tried.
type alternative struct {
	Diagnosis
	chi2 float64
	dof  int
}

// Diagnose looks for the single fault that explains why the rigid model
// failed: each frame left out, and each place between two frames where the
// tube or the mount may have moved. All have two unknowns more than the rigid
// model, so that chi-squares compare. It takes five frames to tell the kinds
// of step from each other and from a stray frame at the end, four to find a
// stray frame. Frames are to be in order of time.
func (f *AxisFit) Diagnose() Diagnosis {
	if !doubtful(f.Chi2, f.Dof) {
		return Diagnosis{}
	}
	tried := f.alternatives()
	slices.SortStableFunc(tried, func(a, b alternative) int {
		switch {
		case a.chi2 < b.chi2:
			return -1
		case a.chi2 > b.chi2:
			return 1
		}
		return 0
	})
	if len(tried) == 0 || (distuv.ChiSquared{K: float64(tried[0].dof)}).Survival(tried[0].chi2) < explained {
		return Diagnosis{Fault: Unexplained}
	}
	best := tried[0].Diagnosis
	for _, a := range tried {
		if a.chi2 < tried[0].chi2+apart && !slices.Contains(best.OneOf, a.Fault) {
			best.OneOf = append(best.OneOf, a.Fault)
		}
	}
	if len(best.OneOf) == 1 {
		best.OneOf = nil
	}
	for _, a := range tried[1:] {
		if a.chi2 < tried[0].chi2+apart && a.Fault == best.Fault && a.Frame != best.Frame {
			// The same kind at another place: the place is open, so nothing is told.
			return Diagnosis{Fault: Unexplained}
		}
	}
	return best
}

// alternatives fits every explanation that leaves something to test.
func (f *AxisFit) alternatives() []alternative {
	count := len(f.frames)
	var out []alternative
	if 2*(count-1)-4 > 0 {
		for i := range count {
			rest := slices.Concat(f.frames[:i], f.frames[i+1:])
			m := newRigid(rest, f.n)
			if m.solve(0) == nil {
				out = append(out, alternative{Diagnosis{Fault: FrameAlone, Frame: i}, m.chi2, m.dof()})
			}
		}
	}
	if 2*count-6 <= 0 {
		return out
	}
	// A step that leaves a single frame on one side is that frame alone.
	for k := 2; k <= count-2; k++ {
		side, same := make([]int, count), make([]int, count)
		for i := k; i < count; i++ {
			side[i] = 1
		}
		if m := newGrouped(f.frames, f.n, same, side, 1, 2); m.solve(0) == nil {
			out = append(out, alternative{Diagnosis{Fault: TubeStep, Frame: k}, m.chi2, m.dof()})
		}
		if m := newGrouped(f.frames, f.n, side, same, 2, 1); m.solve(0) == nil {
			out = append(out, alternative{Diagnosis{Fault: MountStep, Frame: k}, m.chi2, m.dof()})
		}
	}
	return out
}

// strayness is the largest residual of a frame, as the rotation's size.
func (f *AxisFit) strayness() (frame int, size sky.Angle) {
	for i, e := range f.Residuals {
		if s := sky.Angle(r3.Norm(e)); s > size {
			frame, size = i, s
		}
	}
	return frame, sky.Angle(math.Abs(float64(size)))
}
