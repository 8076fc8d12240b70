package mountmodel

import (
	"polard/mountmodel/nights"
	"polard/mountmodel/tracking"
)

// Habits are what ordinary exposures tell of the mount beside its axis.
type Habits struct {
	Periodic *tracking.Periodic // nil where the drive shows none
	Bends    []tracking.Bend    // one for each stretch of unguided frames

	fit *nights.Fit // by which they were worked out
}

// habitsOf works out anew what a night tells, once its axis was fitted anew.
func (s *Session) habitsOf(night *nights.Watch, before Habits) Habits {
	fit := night.Fit()
	if fit == nil {
		return Habits{}
	}
	if fit == before.fit {
		return before
	}
	s.part("habits")
	out, setting := Habits{fit: fit}, s.cfg.tracking()
	all, unguided := night.Targets()
	if len(all) > 0 {
		if p, ok := tracking.PeriodicOf(setting, framesOf(all[len(all)-1]), fit.Axis.Dir); ok {
			out.Periodic = &p
		}
	}
	var stretches [][]tracking.Frame
	for _, s := range unguided {
		stretches = append(stretches, framesOf(s))
	}
	// Two targets give the two coordinates of the axis itself: what they show beyond that is
	// nothing.
	if len(stretches) > 2 {
		out.Bends = tracking.BendingOf(setting, stretches, fit.Axis)
	}
	return out
}

func framesOf(exposures []nights.Exposure) []tracking.Frame {
	out := make([]tracking.Frame, len(exposures))
	for i, e := range exposures {
		out[i] = tracking.Frame{Attitude: e.Attitude, Mid: e.Mid}
	}
	return out
}
