package main

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"polard/cmd/polard/internal/service"
	"polard/fits/watch"
	"polard/mountmodel"
	"polard/mountmodel/observed"
	"polard/mountmodel/plan"
	"polard/mountmodel/sky"
	"polard/web"

	"github.com/spf13/cobra"
	"gonum.org/v1/gonum/spatial/r3"
)

// trailFlags are the options that describe the exposures planned.
type trailFlags struct {
	focal, pixel, dec, from, to, guideStar, limit float64
	width, height                                 int
	exposure                                      time.Duration
	guided                                        bool
	offAlt, offAz                                 float64
}

func (f *trailFlags) add(c *cobra.Command) {
	c.Flags().Float64Var(&f.focal, "focal", 0, "focal length in `MM`; without it that of the frames named")
	c.Flags().Float64Var(&f.pixel, "pixel", 0, "size of a pixel in `MICROMETRES`, after binning; without it that of the frames named")
	c.Flags().IntVar(&f.width, "width", 0, "width of the frame in `PIXELS`; without it that of the frames named")
	c.Flags().IntVar(&f.height, "height", 0, "height of the frame in `PIXELS`")
	c.Flags().DurationVar(&f.exposure, "exposure", 0, "length of one exposure (`DURATION`, such as 30s or 5m)")
	c.Flags().Float64Var(&f.dec, "dec", 0, "declination of the target in `DEG`")
	c.Flags().Float64Var(&f.from, "from", 0, "hour angle of the target at the start, in `HOURS` from the meridian, west positive")
	c.Flags().Float64Var(&f.to, "to", 0, "hour angle at the end, in `HOURS`")
	c.Flags().Float64Var(&f.guideStar, "guide-star", 0, "guided on a star so many `ARCMIN` from the middle of the frame")
	c.Flags().BoolVar(&f.guided, "guided", false, "guided, on a star in the middle unless --guide-star says otherwise")
	c.Flags().Float64Var(&f.limit, "limit", service.DefaultLimitPx, "longest trail that is allowed, in `PIXELS`")
	c.Flags().Float64Var(&f.offAlt, "above", 0, "the axis stands so many `ARCMIN` above the pole (negative: below)")
	c.Flags().Float64Var(&f.offAz, "east", 0, "the axis stands so many `ARCMIN` east of the pole on the sky (negative: west)")
}

// order is the plan that the options describe.
func (f *trailFlags) order(c *cobra.Command) (web.PlanOrder, error) {
	for _, name := range []string{"exposure", "dec", "from", "to"} {
		if !c.Flags().Changed(name) {
			return web.PlanOrder{}, wrongCall("--%s is missing: %s", name, strings.ReplaceAll(c.Flags().Lookup(name).Usage, "`", ""))
		}
	}
	return web.PlanOrder{LimitPx: f.limit, Plan: plan.Plan{
		FocalMm: f.focal, PixelUm: f.pixel, Width: f.width, Height: f.height, Exposure: f.exposure,
		Declination: sky.Angle(f.dec) * sky.Degree, HourFrom: sky.Angle(f.from) * sky.Hour, HourTo: sky.Angle(f.to) * sky.Hour,
		Guided: f.guided || c.Flags().Changed("guide-star"), GuideDistance: sky.Angle(f.guideStar) * sky.Arcminute,
	}}, nil
}

// trailCall are the options of 'polard trail'.
type trailCall struct {
	site   siteFlags
	hints  hintFlags
	plan   trailFlags
	asJSON bool
}

func newTrail() *cobra.Command {
	var f trailCall
	c := &cobra.Command{
		Use:   "trail --lat DEG --lon DEG --exposure DURATION --dec DEG --from HOURS --to HOURS [FRAME.fits ...]",
		Short: "tell whether the alignment is good enough for the exposures planned",
		Long: `trail works out how far stars trail during an exposure, because the axis is not at the
pole, because the field rotates, and because the air bends light: in the worst of the
exposures between two hour angles. It prints how far from the pole the axis may be, what
it does as it stands, and the longest exposure for that.

The axis is measured from the frames named, which were taken while it turned, as for
'polard axis'; or given with --above and --east; or left out, to learn the tolerance alone.
Focal length and pixels come from the frames too, where the options do not give them.

An even drive is assumed: its periodic error, wind and flexure come on top.

Exit status: 0 good enough, or no axis given; 1 not good enough, or no axis found; 2 the call was wrong.`,
		Example: "  polard trail --lat 46.32 --lon 13.07 --focal 530 --pixel 3.76 --width 6200 --height 4100 --exposure 3m --dec 41 --from -2 --to 3 --above 4 --east -6",
		RunE:    f.run,
	}
	f.site.add(c)
	pole := c.Flags().Lookup("pole")
	pole.DefValue, pole.Usage = observed.Planned.String(), "`KIND` of pole to aim at: best (the axis for which these exposures trail least), refracted or true"
	f.site.pole = pole.DefValue
	f.hints.add(c)
	f.plan.add(c)
	c.Flags().BoolVar(&f.asJSON, "json", false, "print one JSON object")
	return c
}

func (f *trailCall) run(c *cobra.Command, args []string) error {
	order, err := f.plan.order(c)
	if err != nil {
		return err
	}
	given := c.Flags().Changed("above") || c.Flags().Changed("east")
	if given && len(args) > 0 {
		return wrongCall("either frames or --above and --east tell where the axis stands, not both")
	}
	aim := f.aim()
	if _, _, err := startConfig(c, &f.site); err != nil {
		return err
	}
	outcomes, err := readFrames(c, args, &f.hints)
	if err != nil {
		return err
	}
	var p service.Planner
	for _, o := range outcomes {
		p.See(service.FrameEntry(o, watch.Arrival{}, 0))
	}
	site, weather := fromHeaders(outcomes)
	cfg, err := f.site.config(c, site, weather)
	if err != nil {
		return err
	}
	var axis *sky.Local
	switch {
	case given:
		axis = new(axisBeside(cfg, sky.Angle(f.plan.offAlt)*sky.Arcminute, sky.Angle(f.plan.offAz)*sky.Arcminute))
	case len(outcomes) > 1: // one frame tells the optics alone
		report := axisReport{outcomes: outcomes, site: cfg.Site}
		if report.view, report.failure = mountmodel.Measure(cfg, sightings(outcomes), 0); report.failure != nil {
			if err := report.print(c.OutOrStdout(), f.asJSON); err != nil {
				return err
			}
			return errNotFound
		}
		axis = &report.view.Measured.Axis.Dir
	}
	if order, err = p.Complete(order); err != nil {
		return callError{err}
	}
	order.Plan.Site, order.Plan.Air = cfg.Site, cfg.Air
	if aim == observed.Planned.String() {
		cfg.Pole = observed.Planned
	}
	verdict, err := plan.Judge(order.Plan, axis, cfg.Pole, order.LimitPx)
	if err != nil {
		return callError{err}
	}
	if err := printTrail(c.OutOrStdout(), order, verdict, f.asJSON); err != nil {
		return err
	}
	if axis != nil && !verdict.GoodEnough() {
		return errNotFound
	}
	return nil
}

// aim is the kind of pole asked for. Where the axis stands is held against a pole:
// for the best place, which the plan tells, the refracted one stands in.
func (f *trailCall) aim() string {
	asked := f.site.pole
	if asked == observed.Planned.String() {
		f.site.pole = observed.Refracted.String()
	}
	return asked
}

// axisBeside is an axis so far above and east of the pole aimed at, on the sky.
func axisBeside(cfg mountmodel.Config, above, east sky.Angle) sky.Local {
	pole := observed.Pole(cfg.Site, cfg.Air, cfg.Pole)
	across, up := sky.Tangents(pole)
	if cfg.Site.South() { // azimuth grows towards the west there
		east = -east
	}
	// Along the great circle that leaves the pole in that direction.
	by := sky.Angle(math.Hypot(float64(above), float64(east)))
	if by == 0 {
		return pole
	}
	side := r3.Add(r3.Scale(float64(above/by), up), r3.Scale(float64(east/by), across))
	return sky.Local(r3.Add(r3.Scale(by.Cos(), sky.Vec(pole)), r3.Scale(by.Sin(), side)))
}

func printTrail(w io.Writer, order web.PlanOrder, v plan.Verdict, asJSON bool) error {
	if asJSON {
		out := web.PlanFromOrder(order)
		out.Judged(v)
		return writeJSON(w, out)
	}
	for _, text := range v.Sentences {
		if _, err := fmt.Fprintln(w, text); err != nil {
			return err
		}
	}
	return nil
}
