package service

import (
	"context"
	"errors"
	"log/slog"
	"path/filepath"
	"slices"
	"sync/atomic"
	"time"

	"polard/cmd/polard/internal/journal"
	"polard/cmd/polard/internal/pipeline"
	"polard/fits/watch"
	"polard/mountmodel"
	"polard/mountmodel/logbook"
	"polard/mountmodel/sky"
	"polard/web"
	"polard/web/report"
)

// Controller owns the alignment: frames, the user's commands and changes of a simulated rig reach it as messages, and
// after each it publishes what the page shows. All of that happens on the goroutine of Run; only the stars are read on the
// goroutine that brings the frame.
type Controller struct {
	pipeline *pipeline.Pipeline
	journal  *journal.Journal
	notes    *journal.Notes
	log      *slog.Logger
	now      func() time.Time
	notify   func(*web.State) // puts alarms into a state, and tells of it
	publish  func(web.State)
	preview  func(web.Preview) error
	rig      func() *web.RigState // nil outside a rehearsal
	// equipment is what camera and mount do, nil where the service operates none; heard hears of every outcome.
	equipment func() *web.EquipmentState
	heard     func(pipeline.Outcome)
	// taken is called with every event that the session took.
	taken func(mountmodel.Event) error
	// header lays what the command line says over a place from a frame's header.
	header func(sky.Site) (sky.Site, sky.Air)
	// watchOnly: the command line wants every frame taken as an ordinary exposure.
	watchOnly bool

	messages chan func()
	changed  chan struct{}         // holds one token after the simulated rig or the journal's trouble has changed
	active   chan struct{}         // the same for activity
	turning  atomic.Bool           // the bolts are being turned, as a frame has shown
	solved   atomic.Bool           // a frame was solved, or its lens is known
	rests    atomic.Bool           // the session rests on frames, and so on their lens
	resumed  chan struct{}         // closed when the session goes on where the journal left it
	folder   atomic.Pointer[error] // why the camera's folder cannot be read, as the watcher last said; nil when it can
	ready    atomic.Bool           // the session stands: what the journal holds of it has been gone through

	activity activity
	ahead    *solvedAhead // only the goroutine that brings frames touches it

	// Only the goroutine of Run touches what follows.
	alignment Alignment
	context   web.Around
	state     web.State // as last shown
	// locked is when the bolts were said to be locked in this run, by the clock that does not jump; zero before.
	locked      time.Time
	instruction string // the last logged
	newest      newest
	said        OnceOnly
}

// newController controls an alignment of which nothing is known but a configuration, and its place if placed.
func newController(p *pipeline.Pipeline, j *journal.Journal, log *slog.Logger, config mountmodel.Config, placed bool) *Controller {
	c := &Controller{
		pipeline: p, journal: j, notes: journal.NewNotes(j), log: log, now: time.Now,
		notify: func(*web.State) {}, publish: func(web.State) {}, preview: func(web.Preview) error { return nil },
		taken:    func(mountmodel.Event) error { return nil },
		heard:    func(pipeline.Outcome) {},
		header:   func(site sky.Site) (sky.Site, sky.Air) { return site, sky.StandardAir(site.ElevationM) },
		said:     make(OnceOnly),
		messages: make(chan func()), changed: make(chan struct{}, 1), active: make(chan struct{}, 1),
	}
	if p != nil {
		p.Fixed, p.Deepen = c.rests.Load, c.activity.deepen
	}
	c.resumed = make(chan struct{})
	c.activity.now, c.activity.changed = time.Now, func() { signal(c.active) }
	c.alignment = Alignment{Config: config, Placed: placed, noted: c.notes.Replay}
	return c
}

// Run works until the context ends.
func (c *Controller) Run(ctx context.Context) error {
	if err := c.open(ctx); err != nil {
		return err
	}
	if n := c.alignment.lens; n > 0 && c.pipeline != nil {
		for _, l := range c.alignment.lenses {
			c.pipeline.Resume(lensFrom(&l))
		}
		c.pipeline.Resume(lensFrom(&c.alignment.lenses[n-1])) // that in use is the last
		c.solved.Store(true)
	}
	c.rests.Store(c.alignment.rests())
	close(c.resumed)
	c.show()
	c.ready.Store(true)
	for {
		select {
		case <-ctx.Done():
			return nil
		case message := <-c.messages:
			message()
		case <-c.changed:
			if err := contain(c.log, "showing the session", func() error { c.show(); return nil }); err != nil {
				c.log.Error("the page was not brought up to date", "error", err)
			}
		case <-c.active:
			c.state.Reading = c.activity.wire()
			c.publish(c.state)
		}
	}
}

// open goes on with the session that the journal holds, or begins one as the command line says.
func (c *Controller) open(ctx context.Context) error {
	alignment, change := resume(ctx, c.journal, c.alignment, c.log)
	if ctx.Err() != nil {
		return nil
	}
	if c.alignment = alignment; change != nil {
		if _, err := c.do(*change); err != nil {
			return err
		}
	}
	if c.watchOnly && !c.alignment.watches() {
		if _, err := c.do(logbook.Entry{Event: mountmodel.WatchOnly}); err != nil {
			return err
		}
	}
	if c.alignment.Placed && c.alignment.Session == nil {
		config := c.alignment.Config // the journal reads it later, on its own goroutine
		if _, err := c.do(logbook.Entry{Config: &config}); err != nil {
			return err
		}
	}
	return nil
}

// ask runs f on the controller's goroutine and waits for its answer.
func (c *Controller) ask(ctx context.Context, f func() error) error {
	answer := make(chan error, 1)
	select {
	case c.messages <- func() { answer <- contain(c.log, "the controller", f) }:
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

// command does something on the controller's goroutine, shows it and waits, not for long, until it is kept under the
// number that do gives.
func (c *Controller) command(ctx context.Context, do func() (int64, error)) error {
	var seq int64
	if err := c.ask(ctx, func() (err error) {
		seq, err = do()
		c.show()
		return err
	}); err != nil {
		return err
	}
	return c.journal.Await(ctx, seq)
}

// do applies an entry now, and keeps it if that went well; it gives its number in the journal.
func (c *Controller) do(e logbook.Entry) (int64, error) {
	e.At = c.stamp()
	if err := c.alignment.Apply(e); err != nil {
		return 0, err
	}
	if c.alignment.Session != nil {
		e.Result = logbook.ResultFromView(c.alignment.View())
	}
	return c.journal.Append(e), nil
}

// keepLens notes the lens through which the frames from now on are taken. How the axis stands does not change by it.
func (c *Controller) keepLens(l *pipeline.Lens) {
	entry := lensEntry(l)
	c.alignment.through(*entry)
	c.journal.Append(logbook.Entry{At: c.stamp(), Lens: entry})
}

// stamp is the present as the journal keeps it: without the monotonic clock, in UTC.
func (c *Controller) stamp() time.Time { return time.Unix(0, c.now().UnixNano()).UTC() }

// refresh has the state published again, some time after a change. It does not wait.
func (c *Controller) refresh() { signal(c.changed) }

// signal puts a token into a channel that holds one.
func signal(to chan struct{}) {
	select {
	case to <- struct{}{}:
	default: // one is waiting already
	}
}

// Arrive takes a file that came to rest in the folder through the whole way to the page. It blocks until that is done or
// ctx ends. A frame that was solved ahead of others of earlier exposure is to come again in its turn: the session takes
// frames in the order of exposure.
func (c *Controller) Arrive(ctx context.Context, a watch.Arrival) (again bool) {
	if errors.Is(a.Err, watch.ErrRepeated) {
		c.log.Info("frame passed over", "file", a.Path, "why", a.Err)
		return false
	}
	c.activity.begin(filepath.Base(a.Path), a.Complete)
	defer c.activity.end()
	select {
	case <-c.resumed: // the lens is known
	case <-ctx.Done():
		return false
	}
	if c.journal.Replayed(a.Sum) {
		c.log.Info("frame passed over", "file", a.Path, "why", "another polard kept it while this one started")
		return false
	}
	if errors.Is(a.Err, watch.ErrSuperseded) {
		_ = c.ask(ctx, func() error { c.passOver(a, whySuperseded); return nil }) // fails when the service stops
		return false
	}
	o := c.read(ctx, a)
	if o.NewLens != nil { // before any frame that was taken through it
		if err := c.ask(ctx, func() error { c.keepLens(o.NewLens); return nil }); err != nil {
			return false // the service stops
		}
	}
	if o.Solution != nil && a.Ahead > 0 {
		o.Frame = nil // it is read again in its turn, and its pixels take much memory
		c.ahead = &solvedAhead{a.Sum, o}
		return true
	}
	var number int64
	if err := c.ask(ctx, func() error { number = c.take(o, a); return nil }); err != nil || o.Frame == nil || number == 0 {
		return false
	}
	// The numbers come first; the picture follows them.
	if err := contain(c.log, a.Path, func() error {
		return c.preview(web.Preview{ID: number, Width: o.Frame.Width, Height: o.Frame.Height, Pix: o.Frame.Pix})
	}); err != nil {
		c.log.Warn("no picture of the frame", "file", o.Path, "error", err)
	}
	return false
}

// solvedAhead is a frame that was solved before its turn.
type solvedAhead struct {
	sum     uint64
	outcome pipeline.Outcome
}

// read takes a frame from its pixels to a sighting, unless that was done ahead of its turn.
func (c *Controller) read(ctx context.Context, a watch.Arrival) (o pipeline.Outcome) {
	if ahead := c.ahead; ahead != nil && ahead.sum == a.Sum {
		c.ahead = nil
		o = ahead.outcome
		o.Frame = a.Frame
		c.pipeline.Reduce(&o) // frames taken meanwhile may have brought another lens
		return o
	}
	if err := contain(c.log, a.Path, func() error { o = c.pipeline.Read(ctx, a.Path, a.Frame, a.Err); return nil }); err != nil {
		o = pipeline.Outcome{Path: a.Path, Frame: a.Frame}
		o.Refuse(pipeline.Problem{Code: "internal", Message: err.Error()})
	}
	if o.Solution != nil {
		c.solved.Store(true)
	}
	defer func() { c.heard(o) }()
	o.Sighting.Name, o.Sighting.Written = filepath.Base(a.Path), a.Modified
	return o
}

// order tells, on any goroutine, which of several frames that wait comes next. While the bolts are being turned only the
// newest is wanted: a number that is some frames old sends them the wrong way. Up to the first frame that shows them turned
// each one may still belong to the measurement, and is taken. Before any frame was solved the newest has the best chance,
// and tells the scale for the others.
func (c *Controller) order() watch.Order {
	switch {
	case c.turning.Load():
		return watch.NewestOnly
	case !c.solved.Load():
		return watch.NewestFirst
	}
	return watch.OldestFirst
}

// passOver keeps a file that the session does not get, so that it is not taken after a restart.
func (c *Controller) passOver(a watch.Arrival, why string) {
	var o pipeline.Outcome
	o.Sighting.Name, o.Sighting.Written = filepath.Base(a.Path), a.Modified
	o.Refuse(pipeline.Problem{Code: CodePassedOver, Message: why})
	c.journal.Append(logbook.Entry{At: c.stamp(), Frame: FrameEntry(o, a, c.now().Sub(a.Complete))})
	c.log.Info("frame passed over", "file", o.Sighting.Name, "why", why)
}

// take gives a frame to the session and shows what it says. It gives the frame's number, 0 when it was passed over.
func (c *Controller) take(o pipeline.Outcome, a watch.Arrival) int64 {
	// Whoever says that the bolts are locked has locked them: what lay there complete by then shows the mount as it stood
	// before.
	if c.alignment.Session != nil && a.Complete.Before(c.locked) && c.alignment.View().Phase == mountmodel.Confirming {
		c.passOver(a, whyBeforeLock)
		return 0
	}
	frame := FrameEntry(o, a, c.now().Sub(a.Complete))
	if err := contain(c.log, a.Path, func() error {
		c.placeFrom(o)
		c.airFrom(o)
		_, err := c.do(logbook.Entry{Frame: frame})
		return err
	}); err != nil {
		// The session broke on it: it is worked out anew without this frame, which is kept as one that could not be used.
		c.alignment.rebuild(c.log)
		o.Solution, o.Sighting.Pairs = nil, nil
		o.Refuse(pipeline.Problem{Code: "internal", Message: err.Error()})
		frame = FrameEntry(o, a, c.now().Sub(a.Complete))
		if _, err := c.do(logbook.Entry{Frame: frame}); err != nil {
			c.log.Error("the frame was not taken", "file", o.Sighting.Name, "error", err)
		}
	}
	c.alignment.count(frame)
	latest := c.alignment.latest
	latest.Stars = brightest(o.Solution)
	latest.TookMs = web.Number(float64(c.now().Sub(a.Complete).Microseconds()) / 1000)
	c.newest = newest{frame: frame, solution: o.Solution}
	c.context.Warnings = c.headerNotices(o)
	c.activity.end()
	c.show()
	c.logFrame(o)
	return c.alignment.frames
}

// placeFrom begins the session at the place in a frame's header, while none is known.
func (c *Controller) placeFrom(o pipeline.Outcome) {
	if o.Frame == nil || o.Frame.Site == nil || c.alignment.Placed {
		return
	}
	config := c.alignment.Config
	config.Site, config.Air = c.header(*o.Frame.Site)
	config.Air = o.Frame.Weather.Fill(config.Air, config.Site.ElevationM)
	if _, err := c.do(logbook.Entry{Config: &config}); err != nil {
		c.log.Error("the place in the frame's header cannot be used", "file", o.Sighting.Name, "error", err)
		return
	}
	c.log.Info("place taken from the frame's header; correct it on the page if it is wrong",
		"lat_deg", config.Site.Latitude.Degrees(), "lon_deg", config.Site.Longitude.Degrees())
}

// airFrom takes the air from the header of a frame with which a measurement begins,
// as far as nobody has said what it is. Later frames find the air as it is.
func (c *Controller) airFrom(o pipeline.Outcome) {
	if o.Frame == nil || !c.alignment.Placed || c.alignment.Session.Phase() != mountmodel.Waiting {
		return
	}
	config := c.alignment.Config
	config.Air = o.Frame.Weather.Fill(config.Air, config.Site.ElevationM)
	if config.Air == c.alignment.Config.Air {
		return
	}
	if _, err := c.do(logbook.Entry{Config: &config}); err != nil {
		c.log.Error("the air in the frame's header cannot be used", "file", o.Sighting.Name, "error", err)
		return
	}
	c.log.Info("air taken from the frame's header", "pressure_hpa", config.Air.PressureHPa, "temperature_c", config.Air.TemperatureC)
}

// headerNotices is what the newest frame's header gives to say. The log tells it once.
func (c *Controller) headerNotices(o pipeline.Outcome) []web.Notice {
	var used *sky.Site
	if c.alignment.Placed {
		used = &c.alignment.Config.Site
	}
	notices := HeaderNotices(o.Frame, used)
	for _, n := range notices {
		if c.said.First(n.Message) {
			c.log.Warn(n.Message, "code", n.Code, "file", o.Sighting.Name)
		}
	}
	return notices
}

// folderNotices is what the page says of the camera's folder.
func (c *Controller) folderNotices() []web.Notice {
	p := c.folder.Load()
	if p == nil {
		return nil
	}
	message := "The camera's folder cannot be read. New frames are taken as soon as it can be."
	if errors.Is(*p, watch.ErrStalled) {
		message = "The camera's folder does not answer: look whether its disk or network is there. New frames are taken as soon as it does."
	}
	return []web.Notice{{Code: "folder", Message: message}}
}

// show publishes the present state.
func (c *Controller) show() {
	a := &c.alignment
	context := c.context
	context.Latest = a.latest
	context.Warnings = slices.Concat(c.journal.Notices(), c.folderNotices(), a.notices(), context.Warnings)
	if c.equipment != nil {
		context.Equipment = c.equipment()
	}
	if c.rig != nil {
		context.Rig = c.rig()
	}
	c.rests.Store(a.rests())
	if a.Session == nil {
		context.Plan = a.planner.state(a.Config, false, nil)
		c.present(web.StateWithoutSite(context))
		return
	}
	v := a.View()
	c.turning.Store(v.Phase == mountmodel.Adjusting && len(v.Adjust) > 0)
	context.Plan = a.planner.state(a.Config, a.Placed, axisOf(v))
	context.Latest = c.newest.shown(a.latest, v)
	state := web.StateFromView(v, context)
	report.AddNights(state.Watch, c.journal.Nights)
	c.present(state)
}

// present publishes a state, with the alarms that it gives cause for.
func (c *Controller) present(state web.State) {
	c.notify(&state)
	state.Reading = c.activity.wire()
	c.state = state
	c.publish(state)
}

// logFrame tells in the terminal what the page shows at large.
func (c *Controller) logFrame(o pipeline.Outcome) {
	if o.Problem != nil {
		c.log.Warn("frame not used", "file", o.Sighting.Name, "why", o.Problem.Message)
		return
	}
	c.log.Info("frame read", "file", o.Sighting.Name, "stars", len(o.Solution.Pairs), "ms", float64((o.ReadFor+o.Times.Detect+o.Times.Match).Round(10*time.Microsecond))/1e6)
	if c.alignment.Session == nil {
		return
	}
	v := c.alignment.View()
	for _, w := range v.Warnings {
		if c.said.First(w.Message) {
			c.log.Warn(w.Message, "code", w.Code)
		}
	}
	if v.Now != nil {
		c.log.Info("axis", "from_pole", sky.AngleWords(v.Now.Offset.Total),
			"altitude_bolt", v.Now.Move.Altitude, "azimuth_bolt", v.Now.Move.Azimuth)
	}
	if v.Instruction != c.instruction {
		c.instruction = v.Instruction
		c.log.Info("now: " + v.Instruction)
	}
}
