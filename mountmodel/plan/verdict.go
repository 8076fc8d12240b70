package plan

import (
	"errors"
	"fmt"
	"math"
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// Verdict says whether an alignment is good enough for a plan.
type Verdict struct {
	Plan  Plan
	Limit sky.Angle // the longest trail allowed, on the sky
	// Aim is the pole aimed at, or the best axis for the plan, and Kind which it is.
	Aim  sky.Local
	Kind observed.PoleKind
	// Tolerance is how far the axis may be from there; 0 when the
	// air alone moves the stars by more than the limit.
	Tolerance sky.Angle
	// Perfect is what the stars do with the axis there: the air's part.
	Perfect Motion
	// Motion and Longest are about the axis as it stands; nil and 0
	// while it is unknown.
	Motion  *Motion
	Longest time.Duration // in which no star trails by more than the limit
	// RefractedRate and TrueRate are the drive's rate over the sidereal one, in
	// the mean over the planned hours, for an axis on the refracted and on the
	// true pole. See [ApparentRate]. NaN next to the pole, where a star wants none.
	RefractedRate, TrueRate float64
	// Best is the axis for which these exposures trail least. AtRefracted, AtTrue and
	// AtBest are the longest trails with the axis on each pole and there.
	Best                        sky.Local
	AtRefracted, AtTrue, AtBest sky.Angle
	Sentences                   []string
}

// GoodEnough tells whether no star of any planned exposure trails by more than
// the limit. It is false while the axis is unknown.
func (v Verdict) GoodEnough() bool { return v.Motion != nil && v.Motion.Trail.Size <= v.Limit }

// Judge says what a plan asks of the alignment, and whether the axis as it
// stands (nil: unknown) is good enough for it, aiming at a pole of a kind. limitPx is the longest trail
// allowed, in pixels.
func Judge(p Plan, axis *sky.Local, kind observed.PoleKind, limitPx float64) (Verdict, error) {
	if err := p.Check(); err != nil {
		return Verdict{}, err
	}
	if !(limitPx > 0 && limitPx <= largestLimitPx) {
		return Verdict{}, fmt.Errorf("a limit of %g pixels: give a length above 0 and up to %d, for example 1", limitPx, largestLimitPx)
	}
	v := Verdict{Plan: p, Kind: kind, Limit: sky.Angle(limitPx) * p.Scale(), RefractedRate: math.NaN(), TrueRate: math.NaN()}
	var err error
	if v.Best, v.AtBest, err = p.Best(); err != nil {
		return Verdict{}, err
	}
	if v.Aim = v.Best; kind != observed.Planned {
		v.Aim = observed.Pole(p.Site, p.Air, kind)
	}
	s := newSamples(p)
	if v.Perfect, err = s.assess(v.Aim); err != nil {
		return Verdict{}, err
	}
	if v.Tolerance, err = p.Tolerance(v.Limit, v.Aim); err != nil && !errors.Is(err, ErrAirAlone) {
		return Verdict{}, err
	}
	for k, rate := range map[observed.PoleKind]*float64{observed.Refracted: &v.RefractedRate, observed.True: &v.TrueRate} {
		if r, err := ApparentRate(p.Site, p.Air, observed.Pole(p.Site, p.Air, k), p.Declination, p.HourFrom, p.HourTo); err == nil {
			*rate = r
		}
	}
	for k, trail := range map[observed.PoleKind]*sky.Angle{observed.Refracted: &v.AtRefracted, observed.True: &v.AtTrue} {
		m, err := s.assess(observed.Pole(p.Site, p.Air, k))
		if err != nil {
			return Verdict{}, err
		}
		*trail = m.Trail.Size
	}
	if axis != nil {
		return v.Of(*axis)
	}
	v.Sentences = v.words()
	return v, nil
}

// Of is the verdict on the same plan for an axis that stands elsewhere. What
// does not depend on that is not worked out again.
func (v Verdict) Of(axis sky.Local) (Verdict, error) {
	s := newSamples(v.Plan)
	m, err := s.assess(axis)
	if err != nil {
		return Verdict{}, err
	}
	v.Motion = &m
	if v.Longest, err = v.Plan.LongestExposure(axis, v.Limit); err != nil {
		return Verdict{}, err
	}
	v.Sentences = v.words()
	return v, nil
}

// largestLimitPx bounds a believable limit; nobody calls more a star.
const largestLimitPx = 1000

func (v Verdict) words() []string {
	var out []string
	limit := fmt.Sprintf("%s (%.3g px)", sky.KnownWords(v.Limit), v.Limit/v.Plan.Scale())
	switch {
	case v.Tolerance == 0:
		out = append(out, fmt.Sprintf("%s. With the axis at %s the longest trail would be %s, more than %s.", "R"+ErrAirAlone.Error()[1:], v.aimWords(), sky.KnownWords(v.Perfect.Trail.Size), limit))
	case v.Tolerance >= mostTolerance:
		out = append(out, fmt.Sprintf("Stars stay within %s even with the axis %.0f° from %s.", limit, mostTolerance.Degrees(), v.aimWords()))
	default:
		out = append(out, fmt.Sprintf("Stars stay within %s as long as the axis is within %s of %s.", limit, sky.AngleWords(v.Tolerance), v.aimWords()))
	}
	if v.Motion != nil {
		verdict := "That is good enough."
		if !v.GoodEnough() {
			verdict = "That is too much."
		}
		out = append(out, "As the axis now stands: "+v.Motion.Sentence(v.Plan)+" "+verdict)
		switch {
		case v.Longest == 0:
			out = append(out, "No exposure is short enough for the limit.")
		case v.Longest >= v.Plan.Exposure:
			out = append(out, fmt.Sprintf("Exposures up to %v would do.", exposureWords(v.Longest)))
		default:
			out = append(out, fmt.Sprintf("The longest exposure that stays within the limit is %v.", exposureWords(v.Longest)))
		}
	}
	out = append(out, v.poleWords())
	if v.Plan.Guided && v.Tolerance > 0 {
		out = append(out, fmt.Sprintf("At that distance a guider has to make good up to %s a minute in declination.", sky.KnownWords(sky.Angle(60*GuiderDrift(v.Tolerance)))))
	}
	if !math.IsNaN(v.RefractedRate) && !v.Plan.Guided {
		out = append(out, fmt.Sprintf("Over these hours the air asks for a drive at %.5f of the sidereal rate with the axis at the refracted pole, and at %.5f with it at the true pole.", v.RefractedRate, v.TrueRate))
	}
	return out
}

// aimWords names what is aimed at.
func (v Verdict) aimWords() string {
	if v.Kind == observed.Planned {
		return "the best place for them"
	}
	return fmt.Sprintf("the %s pole", v.Kind)
}

// poleWords says where the axis is best, why, and what the poles do.
func (v Verdict) poleWords() string {
	refracted := observed.Pole(v.Plan.Site, v.Plan.Air, observed.Refracted)
	return fmt.Sprintf("Best for these exposures is an axis %s from the refracted pole, since stars far from the pole are carried by a refraction of their own: they trail by up to %s there, %s with the axis at the refracted pole and %s at the true pole.",
		sky.AngleWords(sky.Separation(v.Best, refracted)), sky.KnownWords(v.AtBest), sky.KnownWords(v.AtRefracted), sky.KnownWords(v.AtTrue))
}

// exposureWords drops digits that mean nothing.
func exposureWords(d time.Duration) time.Duration {
	if d > 10*time.Second {
		return d.Truncate(time.Second)
	}
	return d.Truncate(time.Millisecond)
}
