package main

import (
	"context"
	"errors"
	"log/slog"
	"path/filepath"
	"slices"
	"sync/atomic"
	"time"

	"polard/fits"
	"polard/mountmodel"
	"polard/mountmodel/logbook"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
	"polard/solve"
	"polard/web"
)

// desk owns the alignment session: frames, the user's commands and changes of
// a simulated rig reach it as messages, and after each it publishes what the
// page shows. All of that happens on the goroutine of Run; only the stars are
// read on the goroutine that brings the frame.
type desk struct {
	pipeline *pipeline
	publish  func(web.State)
	preview  func(web.Preview) error
	log      *slog.Logger
	now      func() time.Time
	rig      func() *web.RigState // nil outside a rehearsal
	// told hears of every event that the session took.
	told func(mountmodel.Event) error
	// watchCalled: the command line wants every frame taken as an ordinary
	// exposure.
	watchCalled bool
	keeping     *keeping
	memories    *memories // of keeping
	// header lays what the command line says over a place from a frame's header.
	header func(sky.Site) (sky.Site, sky.Air)

	messages chan func()
	changed  chan struct{} // holds one token after the simulated rig has changed
	newest   atomic.Bool   // see newestOnly
	stands   atomic.Bool   // the session stands: what was kept of it has been gone through

	// Only the goroutine of Run touches what follows.
	config  mountmodel.Config
	placed  bool                // the site is known
	session *mountmodel.Session // nil until then
	// watchOnly: the session, once it begins, only watches.
	watchOnly bool
	around    web.Around
	planner   planner
	early     []mountmodel.Sighting // read before the site was known
	frames    int64
	// locked is when the bolts were said to be locked in this run, by the clock
	// that does not jump; zero before.
	locked time.Time
	logged string // the last instruction logged
	said   onceOnly
}

// mostEarly is how many sightings wait for the site.
const mostEarly = 50

// clockSlack is how far the exposure's own time may lie before the arrival of
// its file before the clocks are suspected: files may take a minute over a slow
// network, and a long exposure counts from its middle.
const clockSlack = 10 * time.Minute

func newDesk(p *pipeline, log *slog.Logger, config mountmodel.Config, placed bool) *desk {
	d := &desk{
		pipeline: p, log: log, now: time.Now, config: config, placed: placed,
		publish: func(web.State) {}, preview: func(web.Preview) error { return nil },
		told:     func(mountmodel.Event) error { return nil },
		header:   func(site sky.Site) (sky.Site, sky.Air) { return site, sky.StandardAir(site.ElevationM) },
		said:     make(onceOnly),
		messages: make(chan func()), changed: make(chan struct{}, 1),
	}
	d.keepBy(&keeping{log: log})
	return d
}

// Run works until the context ends.
func (d *desk) Run(ctx context.Context) error {
	if err := d.open(ctx); err != nil {
		return err
	}
	d.show()
	d.stands.Store(true)
	for {
		select {
		case <-ctx.Done():
			return nil
		case message := <-d.messages:
			message()
		case <-d.changed:
			if err := d.contain("showing the session", func() error { d.show(); return nil }); err != nil {
				d.log.Error("the page was not brought up to date", "error", err)
			}
		}
	}
}

// open goes on with the session that is kept, or begins one as the command
// line says.
func (d *desk) open(ctx context.Context) error {
	if err := d.resume(ctx); err != nil || ctx.Err() != nil {
		return err
	}
	if d.watchCalled && !d.watches() {
		if _, err := d.do(logbook.Entry{Event: mountmodel.WatchOnly}); err != nil {
			return err
		}
	}
	if d.placed && d.session == nil {
		config := d.config // the logbook reads it later, on its own goroutine
		if _, err := d.do(logbook.Entry{Config: &config}); err != nil {
			return err
		}
	}
	return nil
}

// watches tells whether every frame is taken as an ordinary exposure.
func (d *desk) watches() bool {
	if d.session == nil {
		return d.watchOnly
	}
	return d.session.View().Phase == mountmodel.Watching
}

// ask runs f on the desk's goroutine and waits for its answer.
func (d *desk) ask(ctx context.Context, f func() error) error {
	answer := make(chan error, 1)
	select {
	case d.messages <- func() { answer <- d.contain("the desk", f) }:
	case <-ctx.Done():
		return ctx.Err()
	}
	select {
	case err := <-answer:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// refresh has the state published again, some time after a change of the
// simulated rig. It does not wait.
func (d *desk) refresh() {
	select {
	case d.changed <- struct{}{}:
	default: // one is waiting already
	}
}

// begin starts the session at a place. Frames read before take part in it.
func (d *desk) begin(at time.Time, config mountmodel.Config) error {
	session, err := mountmodel.NewSession(config, at)
	if err != nil {
		return err
	}
	if d.watchOnly {
		if err := session.Do(at, mountmodel.WatchOnly); err != nil {
			return err
		}
	}
	d.config, d.placed, d.session = config, true, session
	for _, s := range d.early {
		d.session.Take(at, s)
	}
	d.early = nil
	return nil
}

// Arrive takes a file that came to rest in the folder through the whole way to
// the page. It blocks until that is done or ctx ends.
func (d *desk) Arrive(ctx context.Context, a fits.Arrival) {
	if errors.Is(a.Err, fits.ErrRepeated) {
		d.log.Info("frame passed over", "file", a.Path, "why", a.Err)
		return
	}
	if errors.Is(a.Err, fits.ErrSuperseded) {
		_ = d.ask(ctx, func() error { d.passOver(a, whySuperseded); return nil }) // fails when the service stops
		return
	}
	var o outcome
	if err := d.contain(a.Path, func() error { o = d.pipeline.read(ctx, a.Path, a.Frame, a.Err); return nil }); err != nil {
		o = outcome{path: a.Path, frame: a.Frame}
		o.refuse(problem{"internal", err.Error()})
	}
	o.sighting.Name, o.sighting.Written = filepath.Base(a.Path), a.Modified
	var number int64
	if err := d.ask(ctx, func() error { number = d.take(o, a); return nil }); err != nil || o.frame == nil || number == 0 {
		return
	}
	// The numbers come first; the picture follows them.
	if err := d.contain(a.Path, func() error {
		return d.preview(web.Preview{ID: number, Width: o.frame.Width, Height: o.frame.Height, Pix: o.frame.Pix})
	}); err != nil {
		d.log.Warn("no picture of the frame", "file", o.path, "error", err)
	}
}

// newestOnly tells, on any goroutine, whether of several frames that wait only
// the newest is wanted: while the bolts are being turned, a number that is some
// frames old sends them the wrong way. Up to the first frame that shows them
// turned each one may still belong to the measurement, and is taken.
func (d *desk) newestOnly() bool { return d.newest.Load() }

// codePassedOver marks a frame of which nothing but the file is kept: it never
// reaches the session.
const codePassedOver = "passed_over"

// Why frames are passed over.
const (
	whySuperseded = "newer frames were waiting while the bolts were being turned"
	whyBeforeLock = "it was taken before the bolts were locked"
)

// passOver keeps a file that the session does not get, so that it is not taken
// after a restart.
func (d *desk) passOver(a fits.Arrival, why string) {
	var o outcome
	o.sighting.Name, o.sighting.Written = filepath.Base(a.Path), a.Modified
	o.refuse(problem{codePassedOver, why})
	d.keeping.append(logbook.Entry{At: d.stamp(), Frame: frameEntry(o, a, d.now().Sub(a.Complete))})
	d.log.Info("frame passed over", "file", o.sighting.Name, "why", o.problem.message)
}

// take gives the frame's number, 0 when it was passed over.
func (d *desk) take(o outcome, a fits.Arrival) int64 {
	// Whoever says that the bolts are locked has locked them: what lay there
	// complete by then shows the mount as it stood before.
	if d.session != nil && a.Complete.Before(d.locked) && d.session.View().Phase == mountmodel.Confirming {
		d.passOver(a, whyBeforeLock)
		return 0
	}
	d.frames++
	if o.frame != nil && o.frame.Site != nil && !d.placed {
		config := d.config
		config.Site, config.Air = d.header(*o.frame.Site)
		if _, err := d.do(logbook.Entry{Config: &config}); err != nil {
			d.log.Error("the place in the frame's header cannot be used", "file", o.sighting.Name, "error", err)
		} else {
			d.log.Info("place taken from the frame's header; correct it on the page if it is wrong",
				"lat_deg", config.Site.Latitude.Degrees(), "lon_deg", config.Site.Longitude.Degrees())
		}
	}
	frame := frameEntry(o, a, d.now().Sub(a.Complete))
	if err := d.contain(a.Path, func() error { _, err := d.do(logbook.Entry{Frame: frame}); return err }); err != nil {
		// The session broke on it: it is worked out anew without this frame, which
		// is kept as one that could not be used.
		d.mend()
		o.solution, o.sighting.Pairs = nil, nil
		o.refuse(problem{"internal", err.Error()})
		frame = frameEntry(o, a, d.now().Sub(a.Complete))
		if _, err := d.do(logbook.Entry{Frame: frame}); err != nil {
			d.log.Error("the frame was not taken", "file", o.sighting.Name, "error", err)
		}
	}
	d.around.Latest = latestFrom(frame, d.frames)
	d.around.Latest.Stars = brightest(o.solution)
	d.around.Latest.TookMs = web.Number(float64(d.now().Sub(a.Complete).Microseconds()) / 1000)
	if d.session != nil {
		v := d.session.View()
		d.around.Latest.Sight = sightOf(frame, v)
		locate(d.around.Latest, o, v)
	}
	d.planner.see(frame)
	d.around.Warnings = d.findings(o)
	d.show()
	d.logFrame(o)
	return d.frames
}

// findings is what the newest frame's header gives to say. The log tells it once.
func (d *desk) findings(o outcome) []web.Notice {
	var used *sky.Site
	if d.placed {
		used = &d.config.Site
	}
	notices := headerNotices(o.frame, used)
	for _, n := range notices {
		if d.said.first(n.Message) {
			d.log.Warn(n.Message, "code", n.Code, "file", o.sighting.Name)
		}
	}
	return notices
}

// brightest are the matched stars to draw on the frame.
func brightest(s *solve.Solution) []web.Star {
	if s == nil {
		return nil
	}
	var stars []web.Star
	for _, p := range s.Pairs[:min(len(s.Pairs), starsShown)] {
		stars = append(stars, web.Star{X: web.Number(p.Pixel.X), Y: web.Number(p.Pixel.Y), V: web.Number(p.V)})
	}
	return stars
}

// clockSuspect tells whether a frame's own time does not fit the moment at
// which its file was written or noticed. A file that lay there already was
// noticed late, and a copy may have been written late.
func clockSuspect(f *fits.Frame, at time.Time) bool {
	late := at.Sub(f.Mid)
	return late > clockSlack+f.Exposure || late < -clockSlack
}

// starsShown is how many matched stars, the brightest, go to the page: more
// would hide the picture they are drawn on.
const starsShown = 120

// show publishes the present state.
func (d *desk) show() {
	around := d.around
	around.Warnings = slices.Concat(d.keeping.notices(), d.around.Warnings)
	if d.rig != nil {
		around.Rig = d.rig()
	}
	if d.session == nil {
		around.Plan = d.planner.state(d.config, false, nil)
		d.publish(web.StateWithoutSite(around))
		return
	}
	v := d.session.View()
	d.newest.Store(v.Phase == mountmodel.Adjusting && len(v.Adjust) > 0)
	var axis *sky.Local
	if v.Now != nil && !v.Doubt {
		axis = &v.Now.Axis.Dir
	}
	around.Plan = d.planner.state(d.config, d.placed, axis)
	state := web.StateFromView(v, around)
	withHistory(state.Watch, d.keeping.nights)
	d.publish(state)
}

// logFrame tells in the terminal what the page shows at large.
func (d *desk) logFrame(o outcome) {
	if o.problem != nil {
		d.log.Warn("frame not used", "file", o.sighting.Name, "why", o.problem.message)
		return
	}
	d.log.Info("frame read", "file", o.sighting.Name, "stars", len(o.solution.Pairs), "ms", o.ms().Total)
	if d.session == nil {
		return
	}
	v := d.session.View()
	for _, w := range v.Warnings {
		if d.said.first(w.Message) {
			d.log.Warn(w.Message, "code", w.Code)
		}
	}
	if v.Now != nil {
		d.log.Info("axis", "from_pole", sky.AngleWords(v.Now.Offset.Total),
			"altitude_bolt", v.Now.Move.Altitude, "azimuth_bolt", v.Now.Move.Azimuth)
	}
	if v.Instruction != d.logged {
		d.logged = v.Instruction
		d.log.Info("now: " + v.Instruction)
	}
}

// SetSite, SetTolerance, Tell, Turned and SetPlan are what the page can ask
// for: desk is the page's web.Operator.

var errNoPlace = errors.New("say first where the mount stands: latitude and longitude")

// SetSite says where the mount stands and which pole to aim at.
func (d *desk) SetSite(ctx context.Context, site sky.Site, air sky.Air, pole observed.PoleKind) error {
	return d.command(ctx, func() (int64, error) {
		config := d.config
		config.Site, config.Air, config.Pole = site, air, pole
		return d.do(logbook.Entry{Config: &config})
	})
}

// SetTolerance says how far from the pole is near enough.
func (d *desk) SetTolerance(ctx context.Context, tolerance sky.Angle) error {
	return d.command(ctx, func() (int64, error) {
		config := d.config
		config.Tolerance = tolerance
		if err := config.Check(); err != nil { // the place that is not known yet passes
			return 0, err
		}
		return d.do(logbook.Entry{Config: &config, Unplaced: d.session == nil})
	})
}

// Tell passes on what the person did or wants.
func (d *desk) Tell(ctx context.Context, event mountmodel.Event) error {
	return d.command(ctx, func() (int64, error) {
		if d.session == nil {
			return 0, errNoPlace
		}
		seq, err := d.do(logbook.Entry{Event: event})
		if err != nil {
			return 0, err
		}
		if event == mountmodel.Locked {
			d.locked = d.now()
		}
		return seq, d.told(event)
	})
}

// command does something on the desk's goroutine, shows it and waits, not for
// long, until it is kept under the number that do gives.
func (d *desk) command(ctx context.Context, do func() (int64, error)) error {
	var seq int64
	if err := d.ask(ctx, func() (err error) {
		seq, err = do()
		d.show()
		return err
	}); err != nil {
		return err
	}
	d.keeping.await(ctx, seq)
	return nil
}
