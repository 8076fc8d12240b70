package service

import (
	"math"

	"polard/mountmodel"
	"polard/mountmodel/logbook"
	"polard/mountmodel/observed"
	"polard/mountmodel/plan"
	"polard/mountmodel/sky"
	"polard/web"
)

// Planner holds the use that is planned and what it asks of the alignment.
type Planner struct {
	order *web.PlanOrder // nil until one was made
	// optics is what the newest solved frame tells: focal length, pixel, size.
	optics plan.Plan

	judged  judgement    // what verdict and problem are about
	asked   plan.Verdict // what the plan asks for, whatever the axis
	verdict plan.Verdict
	problem error
}

// judgement is all that a verdict depends on.
type judgement struct {
	order web.PlanOrder
	site  sky.Site
	air   sky.Air
	pole  observed.PoleKind
	known bool
	axis  sky.Local
}

// See takes from a frame what it tells of the optics.
func (p *Planner) See(f *logbook.Frame) {
	if f.ScaleArcsec == 0 {
		return
	}
	p.optics.Width, p.optics.Height = f.Width, f.Height
	p.optics.PixelUm, p.optics.FocalMm = f.PixelUm, 0
	if f.PixelUm > 0 {
		scale := sky.Angle(f.ScaleArcsec) * sky.Arcsecond
		p.optics.FocalMm = f.PixelUm * 1e-3 / math.Tan(scale.Radians())
	}
}

// Complete fills in what an order leaves to the newest frame.
func (p *Planner) Complete(o web.PlanOrder) (web.PlanOrder, error) {
	for _, x := range []struct {
		value      *float64
		offers     float64
		code, name string
	}{
		{&o.Plan.FocalMm, p.optics.FocalMm, "ask_focal", "focal length in millimetres"},
		{&o.Plan.PixelUm, p.optics.PixelUm, "ask_pixel", "size of a pixel in micrometres, after binning"},
	} {
		if *x.value == 0 {
			*x.value = x.offers
		}
		if *x.value == 0 {
			return o, sky.Refuse(nil, x.code, "the newest frame does not tell it: give the %s", x.name)
		}
	}
	if o.Plan.Width == 0 && o.Plan.Height == 0 {
		o.Plan.Width, o.Plan.Height = p.optics.Width, p.optics.Height
	}
	if o.Plan.Width == 0 || o.Plan.Height == 0 {
		return o, sky.Refuse(nil, "ask_frame_size", "there is no frame to take it from: give width and height of the frame in pixels")
	}
	return o, nil
}

// judge brings the verdict up to date with the configuration and the axis as
// it stands; nil: unknown.
func (p *Planner) judge(cfg mountmodel.Config, axis *sky.Local) {
	now := judgement{order: *p.order, site: cfg.Site, air: cfg.Air, pole: cfg.Pole}
	if axis != nil {
		now.known, now.axis = true, *axis
	}
	if now == p.judged {
		return
	}
	same := p.judged
	same.known, same.axis = now.known, now.axis
	if p.judged = now; same != now {
		planned := p.order.Plan
		planned.Site, planned.Air = cfg.Site, cfg.Air
		p.asked, p.problem = plan.Judge(planned, nil, cfg.Pole, p.order.LimitPx)
	}
	if p.verdict = p.asked; p.problem == nil && axis != nil {
		p.verdict, p.problem = p.asked.Of(*axis)
	}
}

// state is the plan as the page shows it; nil while nothing is known of one.
func (p *Planner) state(cfg mountmodel.Config, placed bool, axis *sky.Local) *web.Plan {
	if p.order == nil {
		if p.optics.Width == 0 {
			return nil
		}
		offer := web.PlanFromOrder(web.PlanOrder{Plan: p.optics, LimitPx: DefaultLimitPx})
		offer.ExposureS, offer.DecDeg, offer.HAFromDeg, offer.HAToDeg = web.Unknown, web.Unknown, web.Unknown, web.Unknown
		return offer
	}
	out := web.PlanFromOrder(*p.order)
	if !placed {
		out.Planned = true
		out.Problem = &web.Notice{Code: "place", Message: "Say where the mount stands: before that nothing can be said about the plan.", Said: web.SaidFrom(sky.Say("ask_place", "Say where the mount stands: before that nothing can be said about the plan."))}
		return out
	}
	p.judge(cfg, axis)
	if p.problem != nil {
		out.Planned = true
		out.Problem = &web.Notice{Code: "plan", Message: p.problem.Error(), Said: web.SaidFrom(sky.SayingOf(p.problem))}
		return out
	}
	out.Judged(p.verdict)
	return out
}

// DefaultLimitPx is the trail that is allowed unless the user says otherwise:
// one pixel. Common practice.
const DefaultLimitPx = 1
