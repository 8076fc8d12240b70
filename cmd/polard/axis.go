package main

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"time"

	"polard/cmd/polard/internal/pipeline"
	"polard/cmd/polard/internal/service"
	"polard/fits"
	"polard/mountmodel"
	"polard/mountmodel/axis"
	"polard/mountmodel/sky"
	"polard/web"

	"github.com/spf13/cobra"
)

// axisFlags are the options of 'polard axis'.
type axisFlags struct {
	site     siteFlags
	hints    hintFlags
	asJSON   bool
	measure  int
	ordinary ordinaryFlags
	ahead    time.Duration
}

func newAxis() *cobra.Command {
	var f axisFlags
	c := &cobra.Command{
		Use:   "axis --lat DEG --lon DEG FRAME.fits ...",
		Short: "tell where the mount's axis points, from frames taken while it turns",
		Long: `axis takes frames that were exposed at two or more angles of the right ascension
axis, with declination, tube and tripod left alone, and prints where the axis points
against the pole and which bolt to turn, which way and how far.

With --measure N the first N frames measure the axis, and each later one is read as
taken while the bolts were being turned.

With --watch the frames are ordinary exposures of a tracking mount, of whatever targets and
nights: they measure the axis with no procedure, the more the longer they last.

Exit status: 0 the axis was found, 1 it was not, 2 the call was wrong.`,
		Example: "  polard axis --lat 46.32 --lon 13.07 --elevation 640 turn1.fits turn2.fits turn3.fits",
		Args:    someFrames,
		RunE:    f.run,
	}
	f.site.add(c)
	f.hints.add(c)
	f.ordinary.add(c, "the frames are ordinary exposures of a tracking mount")
	c.Flags().IntVar(&f.measure, "measure", 0, "the first `N` frames measure the axis, later ones are read as taken while the bolts were being turned")
	c.Flags().BoolVar(&f.asJSON, "json", false, "print one JSON object")
	c.Flags().DurationVar(&f.ahead, "clock-ahead", 0, "the clock that wrote the frames' times is ahead of UTC by this `TIME`, such as 1h or -30m")
	return c
}

func (f *axisFlags) run(c *cobra.Command, args []string) error {
	if f.measure != 0 && f.measure < 2 {
		return wrongCall("--measure %d: two frames are the least that give an axis; leave it out to measure with all", f.measure)
	}
	if f.ordinary.watch && f.measure != 0 {
		return wrongCall("--watch and --measure exclude each other: ordinary exposures have no procedure")
	}
	// What is wrong is reported before the frames are read. Their headers may
	// still give the place.
	if _, _, err := startConfig(c, &f.site); err != nil {
		return err
	}
	outcomes, err := readFrames(c, args, &f.hints)
	if err != nil {
		return err
	}
	report := axisReport{outcomes: outcomes, watched: f.ordinary.watch}
	site, weather := fromHeaders(outcomes)
	cfg, err := f.site.config(c, site, weather)
	if err != nil {
		return err
	}
	if err := f.ordinary.apply(&cfg); err != nil {
		return err
	}
	report.site, report.call = cfg.Site, calledAxis{c, f.ahead}
	cfg.Correction.Ahead = f.ahead
	if f.ordinary.watch {
		report.view, report.failure = mountmodel.Watch(cfg, sightings(outcomes))
	} else {
		report.view, report.failure = mountmodel.Measure(cfg, sightings(outcomes), f.measure)
		if m := report.view.Measured; m != nil {
			report.minute, _ = mountmodel.ClockMinute(cfg, sightings(outcomes), f.measure, m.Axis)
		}
	}
	if err := report.print(c.OutOrStdout(), f.asJSON); err != nil {
		return err
	}
	if report.failure != nil {
		return errNotFound
	}
	return nil
}

// readFrames reads the frames named in a call.
func readFrames(c *cobra.Command, paths []string, hints *hintFlags) ([]pipeline.Outcome, error) {
	p, err := pipeline.New()
	if err != nil {
		return nil, err
	}
	if err := hints.apply(c, p); err != nil {
		return nil, err
	}
	var out []pipeline.Outcome
	for _, path := range paths {
		o := p.ReadFile(c.Context(), path)
		if err := c.Context().Err(); err != nil {
			return nil, err
		}
		out = append(out, o)
	}
	reduceAgain(p, out)
	return out, nil
}

// reduceAgain takes all frames through the lenses that are in use at the end, so that they can be compared.
func reduceAgain(p *pipeline.Pipeline, outcomes []pipeline.Outcome) {
	for i := range outcomes {
		if outcomes[i].Solution != nil {
			p.Reduce(&outcomes[i])
		}
	}
}

// fromHeaders gives place and air, each of the first header that tells it; nil when none does.
func fromHeaders(outcomes []pipeline.Outcome) (site *sky.Site, weather *fits.Weather) {
	for _, o := range outcomes {
		if o.Frame != nil {
			site, weather = cmp.Or(site, o.Frame.Site), cmp.Or(weather, o.Frame.Weather)
		}
	}
	return site, weather
}

func sightings(outcomes []pipeline.Outcome) []mountmodel.Sighting {
	var out []mountmodel.Sighting
	for _, o := range outcomes {
		out = append(out, o.Sighting)
	}
	return out
}

// axisReport is what the axis command found.
type axisReport struct {
	outcomes []pipeline.Outcome
	view     mountmodel.View
	failure  error
	site     sky.Site  // in use
	watched  bool      // of ordinary exposures
	minute   sky.Angle // by which a minute of the clock moves the axis; 0: not known
	call     calledAxis
}

// The wire form of an axis; units in the keys.
type (
	directionJSON struct {
		AltDeg float64 `json:"alt_deg"`
		AzDeg  float64 `json:"az_deg"`
	}
	poleJSON struct {
		Kind string `json:"kind"`
		directionJSON
	}
	offsetJSON struct {
		AltArcmin   float64 `json:"alt_arcmin"`
		AzArcmin    float64 `json:"az_arcmin"`
		TotalArcmin float64 `json:"total_arcmin"`
	}
	moveJSON struct {
		Altitude       string  `json:"altitude"`
		Azimuth        string  `json:"azimuth"`
		Rotation       string  `json:"rotation,omitempty"`
		AltitudeArcmin float64 `json:"altitude_arcmin"`
		AzimuthArcmin  float64 `json:"azimuth_arcmin"`
	}
	uncertaintyJSON struct {
		AltArcsec   float64 `json:"alt_arcsec"`
		AzArcsec    float64 `json:"az_arcsec"`
		Correlation float64 `json:"correlation"`
		// Stars is the part that the frames themselves show; Allowed is what else
		// has to be allowed for. Both are in the numbers above.
		Stars   fittedJSON  `json:"stars"`
		Allowed allowedJSON `json:"allowed"`
	}
	fittedJSON struct {
		AltArcsec float64 `json:"alt_arcsec"`
		AzArcsec  float64 `json:"az_arcsec"`
	}
	// How far the tube hangs by its weight when level.
	flexureJSON struct {
		LevelArcsec       float64 `json:"level_arcsec"`
		UncertaintyArcsec float64 `json:"uncertainty_arcsec"`
		Bodies            int     `json:"bodies"`
	}
	// Angles between parts of the mount less a right angle, counted as
	// [axis.Squareness] says; uncertainties are one standard deviation.
	squareJSON struct {
		// Of the declination axis to the right ascension axis; absent where the
		// frames do not tell it and the tube's allows for it.
		AxesArcmin            *float64 `json:"axes_arcmin,omitempty"`
		AxesUncertaintyArcsec *float64 `json:"axes_uncertainty_arcsec,omitempty"`
		// Of the tube (the middle of the image) to the declination axis.
		TubeArcmin            float64 `json:"tube_arcmin"`
		TubeUncertaintyArcsec float64 `json:"tube_uncertainty_arcsec"`
	}
	// Semi-major axes on the sky.
	allowedJSON struct {
		MountNoiseArcsec float64 `json:"mount_noise_arcsec"`
		MovementArcsec   float64 `json:"movement_arcsec"`
		FlexureArcsec    float64 `json:"flexure_arcsec"`
		AirArcsec        float64 `json:"air_arcsec"`
	}
	axisFrameJSON struct {
		File           string     `json:"file"`
		Solved         bool       `json:"solved"`
		Status         string     `json:"status"`
		TurnDeg        *float64   `json:"turn_deg,omitempty"`        // of frames of a measurement
		ResidualArcsec *float64   `json:"residual_arcsec,omitempty"` // the same
		Message        string     `json:"message,omitempty"`
		Error          *errorJSON `json:"error,omitempty"`
	}
	adjustJSON struct {
		File        string          `json:"file"`
		Axis        directionJSON   `json:"axis"`
		Offset      offsetJSON      `json:"offset"`
		Move        moveJSON        `json:"move"`
		Uncertainty uncertaintyJSON `json:"uncertainty"`
		Tracking    bool            `json:"tracking"`
		Drive       string          `json:"drive"`
	}
	warningJSON struct {
		Code    string `json:"code"`
		Message string `json:"message"`
		File    string `json:"file,omitempty"`
	}
	axisJSON struct {
		Axis        *directionJSON   `json:"axis,omitempty"`
		Pole        poleJSON         `json:"pole"`
		Offset      *offsetJSON      `json:"offset,omitempty"`
		Move        *moveJSON        `json:"move,omitempty"`
		Uncertainty *uncertaintyJSON `json:"uncertainty,omitempty"`
		TurnDeg     float64          `json:"turn_deg"`
		Chi2Dof     *float64         `json:"chi2_dof,omitempty"`
		Flexure     *flexureJSON     `json:"flexure,omitempty"`     // of frames at several declinations or on both sides of the pier
		Square      *squareJSON      `json:"from_square,omitempty"` // the same
		Frames      []axisFrameJSON  `json:"frames"`
		Adjust      []adjustJSON     `json:"adjust"`
		Watch       *web.Watch       `json:"watch,omitempty"`
		Habits      *web.Habits      `json:"habits,omitempty"` // of the mount, by ordinary exposures
		Warnings    []warningJSON    `json:"warnings"`
		Suggestion  *suggestionJSON  `json:"suggestion,omitempty"` // the likeliest mistake about place or clock
		// What in the frames of the measurement speaks for place and clock: headers, air (to an hour), bolts (to two), nothing. The
		// uncertainty is that of the axis if they are right.
		Confirmed string `json:"place_confirmed_by,omitempty"`
		// By how much the axis lies elsewhere when the clock is a minute off, or the longitude a quarter of a degree.
		ClockMinute float64    `json:"clock_minute_arcsec,omitempty"`
		Error       *errorJSON `json:"error,omitempty"`
	}
)

func directionOf(d sky.Local) directionJSON {
	alt, az := sky.AltAzFromLocal(d)
	return directionJSON{alt.Degrees(), az.Degrees()}
}

func offsetOf(s axis.Status) offsetJSON {
	return offsetJSON{s.Offset.Alt.Arcminutes(), s.Offset.Az.Arcminutes(), s.Offset.Total.Arcminutes()}
}

func moveOf(s axis.Status) moveJSON {
	return moveJSON{s.Move.Altitude, s.Move.Azimuth, s.Move.Rotation, s.Move.Alt.Arcminutes(), s.Move.Az.Arcminutes()}
}

func uncertaintyOf(s axis.Status) uncertaintyJSON {
	arcsec := func(cov sky.Cov2) float64 { return axis.Major(cov).Arcseconds() }
	return uncertaintyJSON{
		s.Axis.SigmaAlt().Arcseconds(), s.Axis.SigmaAz().Arcseconds(), s.Axis.Correlation(),
		fittedJSON{s.Fitted.SigmaAlt().Arcseconds(), s.Fitted.SigmaAz().Arcseconds()},
		allowedJSON{arcsec(s.Allowance.Noise), arcsec(s.Allowance.Movement), arcsec(s.Allowance.Flexure), arcsec(s.Allowance.Air)},
	}
}

// status is how the axis stands by all frames; nil when they do not tell.
func (r axisReport) status() *axis.Status {
	if r.watched {
		return r.view.Now
	}
	return r.view.Measured
}

// stand adds how the axis stands.
func (r axisReport) stand(out *axisJSON) {
	m := r.status()
	if m == nil {
		return
	}
	out.Axis, out.Offset, out.Move, out.Uncertainty = new(directionOf(m.Axis.Dir)), new(offsetOf(*m)), new(moveOf(*m)), new(uncertaintyOf(*m))
	if !r.watched {
		out.Confirmed, out.ClockMinute = string(r.view.Confirmed), r.minute.Arcseconds()
	}
}

func (r axisReport) wire() axisJSON {
	v := r.view
	out := axisJSON{
		Pole:    poleJSON{v.PoleKind.String(), directionOf(v.Pole)},
		TurnDeg: v.Turn.Degrees(),
		Frames:  []axisFrameJSON{}, Adjust: []adjustJSON{}, Warnings: r.warnings(),
	}
	if r.watched {
		out.Watch, out.Habits = web.WatchFromView(v.Watch), web.HabitsFromView(v)
		if v.Watch != nil && v.Watch.Fit != nil {
			out.TurnDeg = v.Watch.Fit.Turn.Degrees()
		}
	}
	if s := web.SuggestionFromView(v); s != nil {
		out.Suggestion = &suggestionJSON{*s, r.call.corrected(*v.Suggested, r.outcomes)}
	}
	r.stand(&out)
	if v.Dof > 0 {
		out.Chi2Dof = new(v.Chi2 / float64(v.Dof))
	}
	if v.HangsSigma > 0 {
		out.Flexure = &flexureJSON{v.Hangs.Arcseconds(), v.HangsSigma.Arcseconds(), v.Bodies}
	}
	out.Square = squareOf(v.Square)
	if r.failure != nil {
		out.Error = &errorJSON{"no_axis", r.failure.Error()}
	}
	measured := make(map[string]axis.FrameReport)
	for _, f := range v.Frames {
		measured[f.Name] = f
	}
	adjusted := make(map[string]bool)
	for _, a := range v.Adjust {
		adjusted[a.Name] = true
		out.Adjust = append(out.Adjust, adjustOf(a))
	}
	for _, o := range r.outcomes {
		line := axisFrameJSON{File: o.Path, Solved: o.Solution != nil}
		if f, ok := measured[o.Path]; ok {
			line.Status, line.Message = string(f.Status), f.Message
			if f.Placed() {
				line.TurnDeg, line.ResidualArcsec = new(f.Turn.Degrees()), new(f.Residual.Arcseconds())
			}
		} else if adjusted[o.Path] {
			continue
		}
		if o.Problem != nil {
			line.Error = &errorJSON{o.Problem.Code, o.Problem.Message}
		}
		out.Frames = append(out.Frames, line)
	}
	return out
}

// warnings are those of the session, and what the headers give to say, each
// once, with the first frame that says it.
func (r axisReport) warnings() []warningJSON {
	out := []warningJSON{}
	for _, w := range r.view.Warnings {
		out = append(out, warningJSON{string(w.Code), w.Message, w.Frame})
	}
	said := make(service.OnceOnly)
	for _, o := range r.outcomes {
		for _, n := range service.HeaderNotices(o.Frame, &r.site) {
			if said.First(n.Message) {
				out = append(out, warningJSON{n.Code, n.Message, o.Path})
			}
		}
	}
	return out
}

func (r axisReport) notes(b *bytes.Buffer) {
	for _, w := range r.warnings() {
		fmt.Fprintf(b, "note: %s\n", oneLine(w.Message))
	}
	if s := r.view.Suggested; s != nil {
		fmt.Fprintf(b, "suggestion: %s\n    %s\n", oneLine(s.Said.Text), shownName(r.call.corrected(*s, r.outcomes)))
	}
}

// statusWords say where the axis points, and what to turn.
func (r axisReport) statusWords(b *bytes.Buffer, what string, s axis.Status) {
	alt, az := sky.AltAzFromLocal(s.Axis.Dir)
	fmt.Fprintf(b, "%s: the axis points to altitude %.4f, azimuth %.4f degrees, %s from the %s pole (known to %s in altitude, %s in azimuth)\n",
		what, alt.Degrees(), roundedAzimuth(az), sky.AngleWords(s.Offset.Total), r.view.PoleKind,
		sky.KnownWords(s.Axis.SigmaAlt()), sky.KnownWords(s.Axis.SigmaAz()))
	rotation := ""
	if s.Move.Rotation != "" {
		rotation = " (" + s.Move.Rotation + ")"
	}
	fmt.Fprintf(b, "    altitude bolt: %s\n    azimuth bolt: %s%s\n", s.Move.Altitude, s.Move.Azimuth, rotation)
}

// squareOf is what the frames tell of the parts of the mount; nil of nothing.
func squareOf(s *axis.Squareness) *squareJSON {
	if s == nil {
		return nil
	}
	out := &squareJSON{TubeArcmin: s.Tube.Arcminutes(), TubeUncertaintyArcsec: s.TubeSigma.Arcseconds()}
	if s.AxesKnown {
		out.AxesArcmin, out.AxesUncertaintyArcsec = new(s.Axes.Arcminutes()), new(s.AxesSigma.Arcseconds())
	}
	return out
}

// squarenessWords says how the parts of the mount stand to each other.
func squarenessWords(s axis.Squareness) string {
	tube := fmt.Sprintf("the tube looks %s (known to %s) off square to the declination axis", sky.AngleWords(s.Tube), sky.KnownWords(s.TubeSigma))
	if !s.AxesKnown {
		return tube + ", which is allowed to be some arcminutes off square to the right ascension axis itself: frames on both sides of the pier and at a further declination tell both"
	}
	return fmt.Sprintf("the declination axis stands %s (known to %s) off square to the right ascension axis, and %s", sky.AngleWords(s.Axes), sky.KnownWords(s.AxesSigma), tube)
}

// unusedWords says how many frames are missing to the axis, as the beginning of a sentence on what one more would bring.
func (r axisReport) unusedWords() string {
	used := 0
	for _, o := range r.outcomes {
		if o.Problem == nil {
			used++
		}
	}
	if used == len(r.outcomes) {
		return ""
	}
	return fmt.Sprintf("with %d of %d frames; ", used, len(r.outcomes))
}

func (r axisReport) print(w io.Writer, asJSON bool) error {
	if asJSON {
		return writeJSON(w, r.wire())
	}
	var b bytes.Buffer
	for _, o := range r.outcomes {
		if o.Problem != nil {
			fmt.Fprintf(&b, "%s: not used: %s\n", shownName(o.Path), o.Problem.Message)
		}
	}
	v := r.view
	if r.failure != nil {
		why := r.failure.Error()
		if errors.Is(r.failure, mountmodel.ErrNotMeasured) {
			why = "give two frames or more, taken with the RA axis turned between them"
		}
		fmt.Fprintf(&b, "no axis: %s\n", why)
		r.notes(&b)
		_, err := b.WriteTo(terminal{w})
		return err
	}
	if r.watched {
		r.statusWords(&b, watchedHead(v.Watch), *v.Now)
		for _, text := range sky.English(v.Watch.Sentences) {
			fmt.Fprintf(&b, "%s\n", text)
		}
		habitsText(&b, v.Habits)
		for _, n := range v.Watch.Before {
			r.statusWords(&b, fmt.Sprintf("the night from %s", n.Since.UTC().Format(nightFormat)), n.Status)
		}
	} else {
		head := fmt.Sprintf("measured over %.1f degrees of turn", v.Turn.Degrees())
		if v.Confirmed == mountmodel.ByNothing {
			head += ", if place and clock are right"
		}
		r.statusWords(&b, head, *v.Measured)
		fmt.Fprintf(&b, "    %s\n", allowedWords(*v.Measured, v.PoleKind))
		if v.Bodies > 1 {
			fmt.Fprintf(&b, "    %s\n", flexureWords(v))
		}
		if v.Square != nil {
			fmt.Fprintf(&b, "    %s\n", squarenessWords(*v.Square))
		}
		fmt.Fprintf(&b, "    %s\n", witnessWords(v.Confirmed, r.minute))
		if v.Measured.Movement() && v.Advice != nil && v.Advice.Back {
			fmt.Fprintf(&b, "    %sa further frame with the RA axis turned back by about %.0f degrees would show whether anything moved: the axis would be known to about %s\n",
				r.unusedWords(), v.Advice.Turn.Degrees(), sky.AngleWords(v.Advice.Uncertainty))
		}
	}
	for _, a := range v.Adjust {
		r.statusWords(&b, shownName(a.Name), a.Status)
	}
	r.notes(&b)
	_, err := b.WriteTo(terminal{w})
	return err
}
