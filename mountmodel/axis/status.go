package axis

import "polard/mountmodel/sky"

// Status is how the axis stands: with its uncertainty, against the pole,
// and what to do about it.
type Status struct {
	Axis      Axis      // with everything that has to be allowed for in its covariance
	Fitted    Axis      // by the frames alone
	Allowance Allowance // the difference, by what makes it
	Offset    Offset
	Move      Move
}

// Movement tells whether most of the uncertainty is what may have moved between
// the frames.
func (s Status) Movement() bool { return Major(s.Allowance.Movement) > Major(s.Axis.Cov)/2 }

// StatusOf is how an axis by the frames alone stands against the pole aimed at, with
// what has to be allowed for.
func StatusOf(a Axis, allowance Allowance, pole sky.Local) Status {
	return Status{Axis: a.With(allowance), Fitted: a, Allowance: allowance, Offset: OffsetBetween(a.Dir, pole), Move: Correction(a.Dir, pole)}
}
