package service

import (
	"context"

	"polard/mountmodel"
	"polard/mountmodel/adjust"
	"polard/mountmodel/logbook"
	"polard/mountmodel/observed"
	"polard/mountmodel/plan"
	"polard/mountmodel/sky"
	"polard/web"
)

// What the page can ask for: Controller is the page's web.Operator.

// SetSite says where the mount stands and which pole to aim at. The best axis for the plan is that for the new place.
func (c *Controller) SetSite(ctx context.Context, site sky.Site, air sky.Air, pole observed.PoleKind) error {
	return c.command(ctx, func() (int64, error) {
		config := c.alignment.Config.Placing(site, air)
		config.Pole = pole
		if order := c.alignment.planner.order; pole == observed.Planned && order != nil {
			planned := order.Plan
			planned.Site, planned.Air = site, air
			var err error
			if config.Planned, _, err = planned.Best(); err != nil {
				return 0, err
			}
		}
		return c.do(logbook.Entry{Config: &config})
	})
}

// SetTolerance says how far from the pole is near enough.
func (c *Controller) SetTolerance(ctx context.Context, tolerance sky.Angle) error {
	return c.command(ctx, func() (int64, error) {
		config := c.alignment.Config
		config.Tolerance = tolerance
		if err := config.Check(); err != nil { // the place that is not known yet passes
			return 0, err
		}
		return c.do(logbook.Entry{Config: &config, Unplaced: c.alignment.Session == nil})
	})
}

// Place is where the mount stands; placed is false while nobody has said.
func (c *Controller) Place(ctx context.Context) (site sky.Site, air sky.Air, placed bool, err error) {
	err = c.ask(ctx, func() error {
		site, air, placed = c.alignment.Config.Site, c.alignment.Config.Air, c.alignment.Placed
		return nil
	})
	return site, air, placed, err
}

// AxisStatuses are where the axis stood by the measurement and where it stands by the newest frame, as the page
// shows them.
func (c *Controller) AxisStatuses(ctx context.Context) (measured, now *web.AxisStatus, err error) {
	err = c.ask(ctx, func() error {
		measured, now = c.state.Measured, c.state.Now
		return nil
	})
	return measured, now, err
}

// Changed has the page brought up to date, some time after camera or mount did something. It does not wait.
func (c *Controller) Changed() { c.refresh() }

// Tell passes on what the person did or wants.
func (c *Controller) Tell(ctx context.Context, event mountmodel.Event) error {
	return c.command(ctx, func() (int64, error) {
		if c.alignment.Session == nil {
			return 0, errNoPlace
		}
		switch event {
		case mountmodel.Correct:
			return c.reconfigure(c.alignment.Session.Corrected())
		case mountmodel.FreeHead, mountmodel.TwoBolts:
			config := c.alignment.Config
			config.Free = event == mountmodel.FreeHead
			return c.reconfigure(config, nil)
		case mountmodel.Uncorrect:
			return c.reconfigure(c.alignment.Session.Uncorrected())
		}
		seq, err := c.do(logbook.Entry{Event: event})
		if err != nil {
			return 0, err
		}
		if event == mountmodel.Locked {
			c.locked = c.now()
		}
		return seq, c.taken(event)
	})
}

// reconfigure works the session out anew.
func (c *Controller) reconfigure(config mountmodel.Config, err error) (int64, error) {
	if err != nil {
		return 0, err
	}
	return c.do(logbook.Entry{Config: &config})
}

// Turned passes on which bolt the person turned, and by how much.
func (c *Controller) Turned(ctx context.Context, bolt adjust.Bolt, turns float64) error {
	return c.command(ctx, func() (int64, error) {
		return c.do(logbook.Entry{Stroke: &adjust.Stroke{Bolt: bolt, Turns: turns}})
	})
}

// CountFrame passes on whether a frame of the measurement counts.
func (c *Controller) CountFrame(ctx context.Context, choice mountmodel.FrameChoice) error {
	return c.command(ctx, func() (int64, error) {
		return c.do(logbook.Entry{Choice: &choice})
	})
}

// SetPlan says what exposures are planned. With order.ApplyTolerance the tolerance that they ask for becomes the
// session's, and the axis that is best for them what it aims at, unless that is the true pole on request.
func (c *Controller) SetPlan(ctx context.Context, order web.PlanOrder) error {
	return c.command(ctx, func() (int64, error) {
		order, err := c.alignment.planner.Complete(order)
		if err != nil {
			return 0, err
		}
		if !c.alignment.Placed {
			return 0, errNoPlace
		}
		planned, config := order.Plan, c.alignment.Config
		planned.Site, planned.Air = config.Site, config.Air
		if order.ApplyTolerance && config.Pole == observed.Refracted {
			config.Pole = observed.Planned
		}
		verdict, err := plan.Judge(planned, nil, config.Pole, order.LimitPx)
		if err != nil {
			return 0, err
		}
		if order.ApplyTolerance && verdict.Tolerance == 0 {
			return 0, plan.ErrAirAlone
		}
		seq, err := c.do(logbook.Entry{Plan: &logbook.Planned{Plan: order.Plan, LimitPx: order.LimitPx}})
		if err != nil || !order.ApplyTolerance {
			return seq, err
		}
		config.Tolerance, config.Planned = mountmodel.BelievableTolerance(verdict.Tolerance), verdict.Best
		return c.do(logbook.Entry{Config: &config})
	})
}
