package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"polard/cmd/polard/internal/pipeline"
	"polard/fits/watch"
	"polard/mountmodel"
	"polard/mountmodel/adjust"
	"polard/mountmodel/sky"
	"polard/web"

	"github.com/spf13/cobra"
)

// watchFlags are the options of 'polard watch'.
type watchFlags struct {
	site           siteFlags
	hints          hintFlags
	frames         framesFlags
	ordinary       ordinaryFlags
	measure, count int
	since          time.Duration
	poll           bool
}

func newWatch() *cobra.Command {
	var f watchFlags
	c := &cobra.Command{
		Use:   "watch FOLDER",
		Short: "print one JSON line for each frame that comes into a folder, for scripts",
		Long: `watch reads each frame that the camera program writes into a folder and prints one JSON
object a line on standard output: what 'polard solve --json' prints of it, the time of
mid-exposure, and as "axis", once a place is known, what 'polard axis --json' prints with
the frames so far (of them only the newest is listed). With --watch, "watch" holds what
ordinary exposures tell, as in the state of the API.

The place comes from --lat and --lon or from the frames' headers.
It runs until Ctrl-C, or until --count frames have come.

Exit status: 0, or 1 when --count frames were asked for and some were not solved,
2 the call was wrong.`,
		Example: `  polard watch /data/tonight --lat 46.32 --lon 13.07 | jq -r .axis.offset.total_arcmin`,
		Args:    mostOneFolder, Annotations: map[string]string{configured: "yes"},
		RunE: f.run,
	}
	f.site.add(c)
	f.hints.add(c)
	f.frames.add(c)
	f.ordinary.add(c, "take every frame as an ordinary exposure of a tracking mount, and watch the axis")
	c.Flags().IntVar(&f.measure, "measure", 0, "take exactly `N` frames for the measurement; 0 leaves it to the session")
	c.Flags().IntVar(&f.count, "count", 0, "end after `N` frames; 0 goes on until stopped")
	c.Flags().DurationVar(&f.since, "since", 0, "of the frames that are there already, take those written within this time (`DURATION`, such as 30m)")
	c.Flags().BoolVar(&f.poll, "poll", false, "look into the folder now and then instead of waiting for the system's events")
	return c
}

func (f *watchFlags) run(c *cobra.Command, args []string) error {
	called := time.Now() // frames that come while the catalogue is being opened are new
	folder, err := f.frames.folder(c, args)
	if err != nil {
		return err
	}
	cfg, placed, err := startConfig(c, &f.site)
	if err != nil {
		return err
	}
	if err := f.ordinary.apply(&cfg); err != nil {
		return err
	}
	if f.since < 0 {
		return wrongCall("--since %v: give a time such as 30m, or 0 to take new frames only", f.since)
	}
	if f.count < 0 {
		return wrongCall("--count %d: give a number of frames, or 0 to go on until stopped", f.count)
	}
	if cfg.MeasureFrames = f.measure; cfg.Check() != nil {
		return callError{cfg.Check()}
	}
	p, err := pipeline.New()
	if err != nil {
		return err
	}
	if err := f.hints.apply(c, p); err != nil {
		return err
	}
	w := framePrinter{
		config: cfg, ordinary: f.ordinary.watch, now: time.Now, left: f.count,
		header: func(s sky.Site) (sky.Site, sky.Air) { return f.site.over(c, s) },
	}
	if placed {
		if err := w.begin(); err != nil {
			return err
		}
	}
	return w.run(c, p, folder, called.Add(-f.since), f.poll)
}

// framePrinter prints a line a frame.
type framePrinter struct {
	config   mountmodel.Config
	ordinary bool // every frame is an ordinary exposure
	now      func() time.Time
	header   func(sky.Site) (sky.Site, sky.Air)
	session  *mountmodel.Session // nil while the place is not known
	left     int                 // frames to come; 0: no end
}

func (l *framePrinter) begin() error {
	session, err := mountmodel.NewSession(l.config)
	if err != nil {
		return err
	}
	if l.ordinary {
		if err := session.Do(l.now(), mountmodel.WatchOnly); err != nil {
			return err
		}
	}
	l.session = session
	return nil
}

var errEnough = errors.New("all frames asked for have come")

// run takes the frames of a folder that were written since a time.
func (l *framePrinter) run(c *cobra.Command, p *pipeline.Pipeline, folder string, since time.Time, poll bool) error {
	ctx, stop := context.WithCancelCause(c.Context())
	defer stop(nil)
	log := loggerOf(c)
	var queue pipeline.Queue
	p.Deepen = queue.Deepen
	p.Fixed = func() bool { return l.session != nil && l.session.Phase() != mountmodel.Waiting }
	watcher := watch.New(watch.Options{
		Waiting: func(_ int, newer bool) { queue.Waiting(newer) },
		Folder:  folder, PollOnly: poll,
		Skip: watch.SkipWrittenBefore(folder, since),
		Report: func(err error) {
			if err != nil {
				log.Error("the folder cannot be read; trying again", "folder", folder, "error", err)
			} else {
				log.Info("the folder can be read again", "folder", folder)
			}
		},
	})
	out := json.NewEncoder(c.OutOrStdout())
	out.SetEscapeHTML(false)
	failed := false
	err := watcher.Run(ctx, func(a watch.Arrival) bool {
		if errors.Is(a.Err, watch.ErrRepeated) || ctx.Err() != nil {
			return false
		}
		o := p.Read(ctx, a.Path, a.Frame, a.Err)
		queue.Done()
		if ctx.Err() != nil {
			return false
		}
		failed = failed || o.Solution == nil
		if err := out.Encode(l.line(o)); err != nil {
			stop(fmt.Errorf("nobody reads the lines any more: %w", err))
			return false
		}
		if l.left--; l.left == 0 {
			stop(errEnough)
		}
		return false
	})
	switch cause := context.Cause(ctx); {
	case errors.Is(cause, errEnough) && failed:
		return errNotFound
	case errors.Is(cause, errEnough):
		return nil
	case cause != nil && c.Context().Err() == nil:
		return cause
	}
	return err
}

// watchLine is what is printed for a frame: the object of a solved or unsolved
// one, with more beside it.
type (
	moreJSON struct {
		TimeUTC string     `json:"time_utc,omitempty"`
		Axis    *axisJSON  `json:"axis,omitempty"`
		Watch   *web.Watch `json:"watch,omitempty"`
	}
	solvedLine struct {
		solvedJSON
		moreJSON
	}
	unsolvedLine struct {
		unsolvedJSON
		moreJSON
	}
)

// line takes a frame into the session and gives what is printed of it.
func (l *framePrinter) line(o pipeline.Outcome) any {
	more := moreJSON{TimeUTC: web.UTC(o.Sighting.Mid)}
	if o.Frame != nil && o.Frame.Site != nil && l.session == nil {
		l.config.Site, l.config.Air = l.header(*o.Frame.Site)
		l.config.Air = o.Frame.Weather.Fill(l.config.Air, l.config.Site.ElevationM)
		if err := l.begin(); err != nil {
			more.Axis = &axisJSON{Error: &errorJSON{"no_place", "the place in the frame's header cannot be used: " + err.Error()}}
		}
	}
	if l.session != nil {
		l.session.Take(l.now(), o.Sighting)
		v := l.session.View()
		if l.ordinary {
			more.Watch = web.StateFromView(v, web.Around{}).Watch
		} else {
			more.Axis = new(axisReport{outcomes: []pipeline.Outcome{o}, view: newestOnly(v, o.Path)}.wire())
		}
	}
	if o.Solution == nil {
		return unsolvedLine{unsolvedOf(o), more}
	}
	return solvedLine{solvedOf(o, ""), more}
}

// newestOnly leaves of the frames read while bolts were turned the one named.
func newestOnly(v mountmodel.View, name string) mountmodel.View {
	v.Adjust = slices.DeleteFunc(slices.Clone(v.Adjust), func(a adjust.Report) bool { return a.Name != name })
	return v
}
