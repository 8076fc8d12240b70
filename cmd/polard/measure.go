package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"time"

	"polard/cmd/polard/internal/devices"
	"polard/cmd/polard/internal/devices/connect"
	"polard/cmd/polard/internal/devices/frames"
	"polard/cmd/polard/internal/devices/measure"
	"polard/cmd/polard/internal/devices/operate"
	"polard/cmd/polard/internal/pipeline"
	"polard/fits"
	"polard/mountmodel"
	"polard/mountmodel/sky"

	"github.com/spf13/cobra"
)

// limitFlags say what no movement may pass, and which exposure is taken first.
type limitFlags struct {
	exposure, gain               float64
	minAltitude, maxTurn, beyond float64
}

// motionFlags say what may be moved, and how the pictures are taken.
type motionFlags struct {
	limitFlags
	turn     float64
	way      string
	pictures int
	thorough bool
	daylight string
}

func (f *limitFlags) add(c *cobra.Command) {
	l := measure.DefaultLimits()
	c.Flags().Float64Var(&f.exposure, "exposure", measure.DefaultShot().Exposure.Seconds(), "expose `S` seconds at first; that follows what the pictures show")
	c.Flags().Float64Var(&f.gain, "gain", 0, "the camera's gain, as a `NUMBER` of its own scale; without it left as it is")
	c.Flags().Float64Var(&f.minAltitude, "min-altitude", math.Round(l.MinAltitude.Degrees()), "never point the tube lower than `DEG`")
	c.Flags().Float64Var(&f.maxTurn, "max-turn", l.MaxTurn.Degrees(), "never turn further than `DEG` from where the axis began")
	c.Flags().Float64Var(&f.beyond, "beyond-meridian", l.PastMeridian.Degrees(), "never go further than `DEG` beyond the meridian on a side of the pier; 180 for a mount that may cross it")
}

// check gives limits and exposure, or says what is wrong with them.
func (f *limitFlags) check(c *cobra.Command) (measure.Limits, devices.Shot, error) {
	deg := func(x float64) sky.Angle { return sky.Angle(x) * sky.Degree }
	l := measure.Limits{MinAltitude: deg(f.minAltitude), MaxTurn: deg(f.maxTurn), PastMeridian: deg(f.beyond)}
	if err := l.Check(); err != nil {
		return l, devices.Shot{}, callError{err}
	}
	if !(f.exposure > 0 && f.exposure <= 600) {
		return l, devices.Shot{}, wrongCall("--exposure %g: give seconds, above 0 and up to 600", f.exposure)
	}
	shot := devices.Shot{Exposure: time.Duration(f.exposure * float64(time.Second))}
	if c.Flags().Changed("gain") {
		shot.Gain = &f.gain
	}
	return l, shot, nil
}

func (f *motionFlags) add(c *cobra.Command) {
	f.limitFlags.add(c)
	c.Flags().Float64Var(&f.turn, "turn", 0, "turn the axis by `DEG` in all; without it 40, or what the limits leave")
	c.Flags().StringVar(&f.way, "way", "", "turn to the `WAY` west (as the sky turns) or east; without it the one that the limits leave")
	c.Flags().IntVar(&f.pictures, "pictures", 0, "take `N` pictures over the turn; without it 3")
	c.Flags().BoolVar(&f.thorough, "thorough", false, "take pictures at a second declination and on the other side of the pier too, where mount and limits allow that, as 'polard serve --nightly' does")
	c.Flags().StringVar(&f.daylight, "daylight", "", "move while the Sun is up: the `WORD` is "+measure.DaylightWord+", and it is typed by who has seen that tube and finder are capped, or have a certified filter before them")
}

// options are what the flags ask for.
func (f *motionFlags) options(c *cobra.Command) (measure.Options, measure.Request, error) {
	opt := measure.Options{Settle: measure.DefaultSettle, Patience: measure.DefaultPatience, Now: time.Now}
	q := measure.Request{Turn: sky.Angle(f.turn) * sky.Degree, Way: measure.Way(f.way), Frames: f.pictures, Thorough: f.thorough}
	switch {
	case f.daylight != "" && f.daylight != measure.DaylightWord:
		return opt, q, wrongCall("--daylight %q: the word to type is %s, once tube and finder are", f.daylight, measure.DaylightWord)
	case c.Flags().Changed("turn") && f.turn == 0:
		return opt, q, wrongCall("--turn 0: give 5 to 150 degrees")
	}
	if err := q.Check(); err != nil {
		return opt, q, callError{err}
	}
	var err error
	opt.Limits, opt.Shot, err = f.check(c)
	opt.Limits.Daylight = f.daylight == measure.DaylightWord
	return opt, q, err
}

const measureLong = `measure takes pictures with a camera while it turns the right ascension axis of a mount,
both reached by an open protocol, and prints where the axis points and which bolt to turn,
like 'polard axis'. Declination is left alone, but with --thorough.

It first says what would move, how far and which way, and moves nothing until that is
confirmed. Ctrl-C stops the mount. With --loop it goes on exposing once it has measured, and
says after each picture what is left to turn, until Ctrl-C. Limits hold before and while it moves: 30 degrees above
the horizon, 75 degrees from where it began, 5 degrees beyond the meridian, and what the mount
itself reports; nothing moves while the Sun is up, unless that is overridden with a typed word,
and never within 30 degrees of the Sun.

The makers' manuals come first. Stay clear of what moves, and look at the cables.

Exit status: 0 the axis was found, 1 it was not, 2 the call was wrong.`

func newMeasure() *cobra.Command {
	var site siteFlags
	var hints hintFlags
	var where deviceFlags
	var motion motionFlags
	var yes, asJSON, dryRun, loop bool
	var folder string
	c := &cobra.Command{
		Use:   "measure --indi HOST[:PORT] | --alpaca HOST[:PORT] | --discover",
		Short: "measure the axis by turning the mount and exposing, hands off",
		Long:  measureLong,
		Example: "  polard measure --indi localhost --lat 46.32 --lon 13.07 --elevation 640\n  polard measure --discover\n" +
			"  polard measure --indi localhost --lat 46.32 --lon 13.07 --turn 40 --way west --yes",
		Args: noArguments,
		RunE: func(c *cobra.Command, _ []string) error {
			opt, request, err := motion.options(c)
			if err != nil {
				return err
			}
			if yes && (request.Turn == 0 || request.Way == measure.EitherWay) {
				return wrongCall("--yes confirms what the call itself says: add how far (--turn DEG) and which way (--way west or east)")
			}
			if _, _, err := startConfig(c, &site); err != nil {
				return err
			}
			if folder != "" {
				if err := checkFolder(folder); err != nil {
					return err
				}
			}
			p, err := pipeline.New()
			if err != nil {
				return err
			}
			if err := hints.apply(c, p); err != nil {
				return err
			}
			h := shellMeasurement{c: c, pipeline: p, opt: opt, request: request, yes: yes, dryRun: dryRun, loop: loop, asJSON: asJSON, folder: folder}
			return where.with(c, func(ctx context.Context, server devices.Server) error {
				return h.run(ctx, server, where.choice, &site)
			})
		},
	}
	where.add(c)
	site.add(c)
	hints.add(c)
	motion.add(c)
	c.Flags().BoolVar(&yes, "yes", false, "do not ask before moving; --turn and --way have to say how far and which way")
	c.Flags().BoolVar(&dryRun, "dry-run", false, "print what would be done, with times, directions and altitudes, and move nothing")
	c.Flags().BoolVar(&loop, "loop", false, "then go on exposing while the bolts are turned, and print what is left to turn, until Ctrl-C")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object, with --loop one for each picture; progress goes to standard error either way")
	c.Flags().StringVar(&folder, "folder", "", "keep the pictures in this `FOLDER`")
	return c
}

// shellMeasurement is one measurement from the shell.
type shellMeasurement struct {
	c        *cobra.Command
	pipeline *pipeline.Pipeline
	opt      measure.Options
	request  measure.Request
	yes      bool
	dryRun   bool
	loop     bool
	asJSON   bool
	folder   string
	config   mountmodel.Config
	outcomes []pipeline.Outcome
	taken    int
	measured int // outcomes that belong to the measurement; 0 while it goes on
}

func (h *shellMeasurement) say(format string, args ...any) {
	fmt.Fprintf(terminal{h.c.ErrOrStderr()}, format+"\n", args...)
}

func (h *shellMeasurement) run(ctx context.Context, server devices.Server, choice connect.Choice, site *siteFlags) error {
	m, err := h.measurer(ctx, server, choice, site)
	if err != nil {
		return err
	}
	if h.dryRun && h.request.Thorough {
		if err := h.atFirstDark(); err != nil {
			return err
		}
	}
	plan, err := m.Propose(ctx, h.request)
	if err != nil {
		return err
	}
	if h.dryRun {
		return h.printPlan(plan)
	}
	for _, text := range plan.Cautions {
		h.say("- %s", text)
	}
	if err := h.confirm(ctx, plan.Saying().Text); err != nil {
		return err
	}
	_, failure := m.Measure(ctx, plan)
	if ctx.Err() != nil {
		h.say("The mount was told to stop.")
		return failure
	}
	if failure != nil {
		h.say("%v", failure)
	}
	report := h.report(0)
	if report.failure == nil && failure != nil {
		report.failure = failure // what was taken does not make the measurement that was asked for
	}
	if err := report.print(h.c.OutOrStdout(), h.asJSON); err != nil {
		return err
	}
	if report.failure != nil {
		return errNotFound
	}
	if h.loop {
		return h.goOn(ctx, m)
	}
	return nil
}

// atFirstDark has the plan made for when a schedule would begin.
func (h *shellMeasurement) atFirstDark() error {
	now := h.opt.Now()
	at, dark, err := operate.NextDark(h.opt.Site, h.opt.Air, now)
	switch {
	case err != nil:
		return err
	case !dark:
		return errors.New("it does not get dark here within a day: a schedule ('polard serve --nightly') waits until the Sun is 12 degrees below the horizon")
	case at.After(now):
		h.say("For the first dark, %s UTC, when 'polard serve --nightly' begins, from where the mount stands now:", at.UTC().Format("2 January 15:04"))
		h.request.At = at
	}
	return nil
}

// measurer finds camera and mount, and the place where they stand.
func (h *shellMeasurement) measurer(ctx context.Context, server devices.Server, choice connect.Choice, site *siteFlags) (*measure.Measurer, error) {
	found, err := server.Devices(ctx, searchTime)
	if err != nil {
		return nil, err
	}
	if choice, err = connect.Choose(found, choice); err != nil {
		if errors.Is(err, devices.ErrMissing) {
			return nil, err
		}
		return nil, callError{err}
	}
	camera, mount := server.Camera(choice.Camera), server.Mount(choice.Mount)
	state, err := mount.State(ctx)
	if err != nil {
		return nil, err
	}
	if h.config, err = site.config(h.c, state.Site, nil); err != nil {
		return nil, err
	}
	if !site.given(h.c) {
		h.say("The place is the one set in the mount: latitude %.3f, longitude %.3f.", h.config.Site.Latitude.Degrees(), h.config.Site.Longitude.Degrees())
	}
	h.opt.Site, h.opt.Air = h.config.Site, h.config.Air
	h.opt.Read, h.opt.Tell, h.opt.GoOn = h.read, h.progress, h.confirm
	return measure.New(camera, mount, h.opt), nil
}

// report is what the pictures tell, of which the first measured (0: all) measure and the rest were taken
// while bolts were being turned.
func (h *shellMeasurement) report(measured int) axisReport {
	reduceAgain(h.pipeline, h.outcomes)
	r := axisReport{outcomes: h.outcomes, site: h.config.Site}
	r.view, r.failure = mountmodel.Measure(h.config, sightings(h.outcomes), measured)
	return r
}

// stopTakes is about how long settling and a picture take together: what times of a plan that was not
// begun are reckoned with.
const stopTakes = 15 * time.Second

// turnsAt is about how fast mounts turn, for the same.
const turnsAt = 2 * sky.Degree

// printPlan prints what would be done.
func (h *shellMeasurement) printPlan(plan measure.Plan) error {
	out := terminal{h.c.OutOrStdout()}
	fmt.Fprintf(out, "%s\n", plan.Saying().Text)
	at := plan.Made
	for i, s := range plan.Stops {
		for _, move := range s.Moves {
			fmt.Fprintf(out, "then       about %s UTC  %s\n", at.UTC().Format("15:04:05"), move.Words())
			at = at.Add(time.Duration(float64(move.By.Abs()) / float64(turnsAt) * float64(time.Second)))
		}
		to, beyond := s.Pointing(), ""
		if s.Beyond() {
			beyond = "  on the other side of the pier"
		}
		fmt.Fprintf(out, "picture %d  about %s UTC  hour angle %+6.1f  declination %+6.1f  altitude %5.1f  azimuth %5.1f%s\n", i+1,
			at.UTC().Format("15:04:05"), to.Hour.Degrees(), to.Dec.Degrees(), s.Alt.Degrees(), s.Az.Degrees(), beyond)
		at = at.Add(stopTakes)
	}
	_, err := fmt.Fprintln(out, "Nothing was moved.")
	return err
}

// errNotConfirmed: the user did not want it, or could not be asked.
var errNotConfirmed = errors.New("that was not confirmed; nothing is moved")

// confirm says what will move and waits for the word of the user.
func (h *shellMeasurement) confirm(ctx context.Context, sentence string) error {
	h.say("%s", sentence)
	if h.yes {
		return nil
	}
	h.say("Type go and press Enter to begin. Ctrl-C stops the mount at any time.")
	answers := make(chan string, 1)
	go func() {
		line, _ := bufio.NewReader(h.c.InOrStdin()).ReadString('\n') // what came before the end counts
		answers <- strings.TrimSpace(line)
	}()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case word := <-answers:
		if !strings.EqualFold(word, "go") {
			return errNotConfirmed
		}
		return nil
	}
}

// read takes a picture through the way of every frame, and keeps it where that was asked for.
func (h *shellMeasurement) read(ctx context.Context, picture []byte) (measure.Seen, error) {
	h.taken++
	name := fmt.Sprintf("picture_%d.fits", h.taken)
	if h.folder != "" {
		name = filepath.Join(h.folder, time.Now().UTC().Format("20060102T150405.000")+".fits")
		if err := frames.Keep(name, picture); err != nil {
			return measure.Seen{}, err
		}
	}
	frame, err := fits.Decode(filepath.Base(name), picture)
	o := h.pipeline.Read(ctx, name, frame, err)
	if err := ctx.Err(); err != nil {
		return measure.Seen{}, err
	}
	if o.Frame != nil {
		o.Frame.Pix = nil // of all pictures together they would fill the memory
	}
	h.outcomes = append(h.outcomes, o)
	if h.measured > 0 {
		h.live()
	}
	return frames.Seen(o, h.opt.Site, h.opt.Air), nil
}

func (h *shellMeasurement) progress(p measure.Progress) {
	of, axis := "", ""
	if p.All > 0 {
		of = fmt.Sprintf(" of %d", p.All)
	}
	if p.Axis == measure.Declination {
		axis = " in declination"
	}
	switch {
	case p.Note.Text != "":
		h.say("%s", oneLine(p.Note.Text))
	case p.Stage == measure.Exposing:
		h.say("picture %d%s: exposing %.1f s", p.Number, of, p.Exposure.Seconds())
	case p.Stage == measure.Reading:
		h.say("picture %d%s: reading its stars", p.Number, of)
	case p.Stage == measure.Turning:
		h.say("turning%s: %.0f of %.0f degrees", axis, p.Turned.Abs().Degrees(), p.Of.Abs().Degrees())
	case p.Stage == measure.Measured:
		h.say("measured")
	}
}
