package plan

import (
	"errors"
	"math"
	"strings"
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
	// true pole. See apparentRate. NaN next to the pole, where a star wants none.
	RefractedRate, TrueRate float64
	// Best is the axis for which these exposures trail least. AtRefracted, AtTrue and
	// AtBest are the longest trails with the axis on each pole and there.
	Best                        sky.Local
	AtRefracted, AtTrue, AtBest sky.Angle
	Sentences                   []sky.Saying
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
		return Verdict{}, sky.Refuse(nil, "plan_limit", "that is no limit: give a length above 0 and up to %d pixels, for example 1", largestLimitPx)
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
		if r, err := apparentRate(p.Site, p.Air, observed.Pole(p.Site, p.Air, k), p.Declination, p.HourFrom, p.HourTo); err == nil {
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

func (v Verdict) words() []sky.Saying {
	var out []sky.Saying
	say := func(code, format string, args ...any) { out = append(out, sky.Say(code, format, args...)) }
	limit, px, aim := sky.Known(v.Limit), round(float64(v.Limit/v.Plan.Scale()), 3), v.aimWords()
	switch {
	case v.Tolerance == 0:
		say("plan_air_alone", "Refraction alone moves the stars too far: expose for a shorter time, stay higher, or guide nearer to the target. With the axis at %s the longest trail would be %s, more than %s (%s px).", aim, sky.Known(v.Perfect.Trail.Size), limit, px)
	case v.Tolerance >= mostTolerance:
		say("plan_wide", "Stars stay within %s (%s px) even with the axis %s from %s.", limit, px, sky.Whole(mostTolerance), aim)
	default:
		say("plan_within", "Stars stay within %s (%s px) as long as the axis is within %s of %s.", limit, px, sky.Amount(v.Tolerance), aim)
	}
	if v.Motion != nil {
		verdict := sky.Say("plan_good", "That is good enough.")
		if !v.GoodEnough() {
			verdict = sky.Say("plan_bad", "That is too much.")
		}
		say("plan_stands", "As the axis now stands: %s %s", v.Motion.Sentence(v.Plan), verdict)
		switch {
		case v.Longest == 0:
			say("plan_none_short", "No exposure is short enough for the limit.")
		case v.Longest >= v.Plan.Exposure:
			say("plan_up_to", "Exposures up to %s s would do.", seconds(v.Longest))
		default:
			say("plan_longest", "The longest exposure that stays within the limit is %s s.", seconds(v.Longest))
		}
	}
	refracted := observed.Pole(v.Plan.Site, v.Plan.Air, observed.Refracted)
	say("plan_best", "Best for these exposures is an axis %s from the refracted pole, since stars far from the pole are carried by a refraction of their own: they trail by up to %s there, %s with the axis at the refracted pole and %s at the true pole.",
		sky.Amount(sky.Separation(v.Best, refracted)), sky.Known(v.AtBest), sky.Known(v.AtRefracted), sky.Known(v.AtTrue))
	if v.Plan.Guided && v.Tolerance > 0 {
		say("plan_guider", "At that distance a guider has to make good up to %s a minute in declination.", sky.Known(sky.Angle(60*guiderDrift(v.Tolerance))))
	}
	if !math.IsNaN(v.RefractedRate) && !v.Plan.Guided {
		say("plan_rates", "Over these hours the air asks for a drive at %s of the sidereal rate with the axis at the refracted pole, and at %s with it at the true pole.", sky.Decimal{Value: v.RefractedRate, Digits: 5}, sky.Decimal{Value: v.TrueRate, Digits: 5})
	}
	return out
}

// aimWords names what is aimed at.
func (v Verdict) aimWords() sky.Saying {
	switch v.Kind {
	case observed.Planned:
		return sky.Say("aim_best", "the best place for them")
	case observed.True:
		return sky.Say("aim_true", "the true pole")
	}
	return sky.Say("aim_refracted", "the refracted pole")
}

// seconds of an exposure, without digits that mean nothing: whole ones from ten on, else three digits.
func seconds(d time.Duration) sky.Decimal {
	if d > 10*time.Second {
		return sky.Decimal{Value: math.Trunc(d.Seconds())}
	}
	return round(float64(d.Truncate(time.Millisecond))/float64(time.Second), 3)
}

// round gives a number at most so many digits behind the point.
func round(x float64, most int) sky.Decimal {
	d := sky.Decimal{Value: x, Digits: most}
	for d.Digits > 0 && strings.HasSuffix(d.String(), "0") {
		d.Digits--
	}
	return d
}
