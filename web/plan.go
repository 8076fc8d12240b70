package web

import (
	"math"
	"time"

	"polard/mountmodel/axis"
	"polard/mountmodel/observed"
	"polard/mountmodel/plan"
	"polard/mountmodel/sky"
)

// Plan is the use that is planned, and whether the alignment is good enough
// for it. Before a plan is made, its numbers are what the newest frame offers,
// null where that does not tell, and Planned is false.
type Plan struct {
	Planned           bool    `json:"planned"`
	FocalMm           Number  `json:"focal_mm"`
	PixelUm           Number  `json:"pixel_um"`
	WidthPx           Number  `json:"width_px"`
	HeightPx          Number  `json:"height_px"`
	ExposureS         Number  `json:"exposure_s"`
	Guided            bool    `json:"guided"`
	GuideOffsetArcmin Number  `json:"guide_offset_arcmin"` // of the guide star from the frame's centre
	DecDeg            Number  `json:"dec_deg"`
	HAFromDeg         Number  `json:"ha_from_deg"` // hour angle, west positive
	HAToDeg           Number  `json:"ha_to_deg"`
	LimitPx           Number  `json:"limit_px"` // longest trail allowed
	Problem           *Notice `json:"problem,omitempty"`

	// What follows is null while it is not known: all but the tolerance is
	// about the axis as it stands. Each is that of its worst exposure.
	GoodEnough       bool   `json:"good_enough"`
	ToleranceArcmin  Number `json:"tolerance_arcmin"` // 0: the air alone is too much
	DriftRAArcsec    Number `json:"drift_ra_arcsec"`  // of a star at the centre
	DriftDecArcsec   Number `json:"drift_dec_arcsec"`
	DriftArcsec      Number `json:"drift_arcsec"` // the larger of the two
	DriftPx          Number `json:"drift_px"`
	RotationArcsec   Number `json:"rotation_arcsec"` // rotation of the field, at the corner
	RotationPx       Number `json:"rotation_px"`
	TrailArcsec      Number `json:"trail_arcsec"` // longest of any star, from everything together
	TrailPx          Number `json:"trail_px"`
	LongestExposureS Number `json:"longest_exposure_s"`
	// Longest trails with the axis at either pole, and where it is best, by how far
	// that is from the refracted pole.
	AtRefractedArcsec Number  `json:"at_refracted_arcsec"`
	AtTrueArcsec      Number  `json:"at_true_arcsec"`
	AtBestArcsec      Number  `json:"at_best_arcsec"`
	Best              *Offset `json:"best,omitempty"`

	Sentences []string `json:"sentences,omitempty"`
	Said      []Said   `json:"said,omitempty"` // the same by their codes
}

// planRequest is a plan as it is sent. Of the optics and the frame's size, what
// is left out is taken from the newest frame.
type planRequest struct {
	FocalMm           *float64 `json:"focal_mm"`
	PixelUm           *float64 `json:"pixel_um"`
	WidthPx           *float64 `json:"width_px"`
	HeightPx          *float64 `json:"height_px"`
	ExposureS         *float64 `json:"exposure_s"`
	Guided            bool     `json:"guided"`
	GuideOffsetArcmin *float64 `json:"guide_offset_arcmin"`
	DecDeg            *float64 `json:"dec_deg"`
	HAFromDeg         *float64 `json:"ha_from_deg"`
	HAToDeg           *float64 `json:"ha_to_deg"`
	LimitPx           *float64 `json:"limit_px"`
	ApplyTolerance    bool     `json:"apply_tolerance"`
}

// longestExposureS keeps an exposure within what a time.Duration holds; what is
// sensible is for [mountmodel.Plan.Check] to say.
const longestExposureS = 1e6

// PlanOrder is a plan as the person made it. Its site and air are the
// session's; 0 in optics or frame size means: as the newest frame has it.
type PlanOrder struct {
	Plan           plan.Plan
	LimitPx        float64 // longest trail allowed
	ApplyTolerance bool    // the tolerance that the plan asks for becomes the session's
}

func (r planRequest) order() (PlanOrder, error) {
	value := func(x *float64) float64 {
		if x == nil {
			return 0
		}
		return *x
	}
	switch {
	case r.ExposureS == nil:
		return PlanOrder{}, badCall("ask_exposure", "give the exposure in seconds")
	case !(math.Abs(*r.ExposureS) <= longestExposureS):
		return PlanOrder{}, badCall("ask_shorter", "that exposure is too long")
	case r.DecDeg == nil || r.HAFromDeg == nil || r.HAToDeg == nil:
		return PlanOrder{}, badCall("ask_target", "give the target's declination, and its hour angles at the start and at the end")
	case r.Guided && r.GuideOffsetArcmin == nil:
		return PlanOrder{}, badCall("ask_guide", "say how far the guide star is from the middle of the frame")
	}
	for _, x := range []*float64{r.WidthPx, r.HeightPx} {
		if v := value(x); v != math.Trunc(v) || math.Abs(v) > math.MaxInt32 {
			return PlanOrder{}, badCall("ask_size", "width and height of the frame are whole numbers of pixels")
		}
	}
	o := PlanOrder{LimitPx: 1, ApplyTolerance: r.ApplyTolerance, Plan: plan.Plan{
		FocalMm: value(r.FocalMm), PixelUm: value(r.PixelUm), Width: int(value(r.WidthPx)), Height: int(value(r.HeightPx)),
		Exposure:    time.Duration(*r.ExposureS * float64(time.Second)),
		Guided:      r.Guided,
		Declination: sky.Angle(*r.DecDeg) * sky.Degree,
		HourFrom:    sky.Angle(*r.HAFromDeg) * sky.Degree, HourTo: sky.Angle(*r.HAToDeg) * sky.Degree,
	}}
	if r.Guided {
		o.Plan.GuideDistance = sky.Angle(*r.GuideOffsetArcmin) * sky.Arcminute
	}
	if r.LimitPx != nil {
		o.LimitPx = *r.LimitPx
	}
	return o, nil
}

// Unknown is a number that is not known; it travels as null.
var Unknown = Number(math.NaN())

// PlanFromOrder is a plan in wire form, without its verdict. What is not known
// of it is null.
func PlanFromOrder(o PlanOrder) *Plan {
	p := o.Plan
	positive := func(x float64) Number {
		if !(x > 0) {
			return Unknown
		}
		return Number(x)
	}
	return &Plan{
		FocalMm: positive(p.FocalMm), PixelUm: positive(p.PixelUm),
		WidthPx: positive(float64(p.Width)), HeightPx: positive(float64(p.Height)),
		ExposureS: positive(p.Exposure.Seconds()), Guided: p.Guided, GuideOffsetArcmin: Number(p.GuideDistance.Arcminutes()),
		DecDeg: Number(p.Declination.Degrees()), HAFromDeg: Number(p.HourFrom.Degrees()), HAToDeg: Number(p.HourTo.Degrees()),
		LimitPx:         Number(o.LimitPx),
		ToleranceArcmin: Unknown, DriftRAArcsec: Unknown, DriftDecArcsec: Unknown, DriftArcsec: Unknown, DriftPx: Unknown,
		RotationArcsec: Unknown, RotationPx: Unknown, TrailArcsec: Unknown, TrailPx: Unknown, LongestExposureS: Unknown,
		AtRefractedArcsec: Unknown, AtTrueArcsec: Unknown, AtBestArcsec: Unknown,
	}
}

// Judged adds the verdict.
func (p *Plan) Judged(v plan.Verdict) {
	p.Planned, p.GoodEnough = true, v.GoodEnough()
	p.ToleranceArcmin = Number(v.Tolerance.Arcminutes())
	p.AtRefractedArcsec, p.AtTrueArcsec, p.AtBestArcsec = Number(v.AtRefracted.Arcseconds()), Number(v.AtTrue.Arcseconds()), Number(v.AtBest.Arcseconds())
	p.Best = new(offsetWire(axis.OffsetBetween(v.Best, observed.Pole(v.Plan.Site, v.Plan.Air, observed.Refracted))))
	p.Sentences, p.Said = sky.English(v.Sentences), saidAll(v.Sentences)
	if m := v.Motion; m != nil {
		drift := max(m.RA.Size, m.Dec.Size)
		p.DriftRAArcsec, p.DriftDecArcsec = Number(m.RA.Size.Arcseconds()), Number(m.Dec.Size.Arcseconds())
		p.DriftArcsec, p.DriftPx = Number(drift.Arcseconds()), Number(m.Pixels(drift))
		p.RotationArcsec, p.RotationPx = Number(m.Corner.Size.Arcseconds()), Number(m.Pixels(m.Corner.Size))
		p.TrailArcsec, p.TrailPx = Number(m.Trail.Size.Arcseconds()), Number(m.Pixels(m.Trail.Size))
		p.LongestExposureS = Number(v.Longest.Seconds())
	}
}
