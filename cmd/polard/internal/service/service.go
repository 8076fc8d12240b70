package service

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"syscall"
	"time"

	"polard/cmd/polard/internal/devices/operate"
	"polard/cmd/polard/internal/journal"
	"polard/cmd/polard/internal/pipeline"
	"polard/fits/watch"
	"polard/mountmodel"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"
	"polard/web"
	"polard/web/alarm"

	"golang.org/x/sync/errgroup"
)

// Options of a [Service].
type Options struct {
	Program   string // name and version
	Pipeline  *pipeline.Pipeline
	Config    mountmodel.Config // what the command line says
	Placed    bool              // the site in it is known
	WatchOnly bool              // every frame is an ordinary exposure
	// Header lays what the command line says over a place from a frame's header; nil takes it as it is.
	Header  func(sky.Site) (sky.Site, sky.Air)
	Journal *journal.Journal // nil keeps nothing
	// State is the folder of the program's state, where it is noted which file is being read; empty for nowhere.
	State string
	// Folder is watched. Skip, Taken, Order and Report are added to here.
	Folder watch.Options
	// Arrived hears of a file that was dealt with; nil for nobody.
	Arrived func(path string)
	// Station is the simulated rig of a rehearsal, nil otherwise.
	Station *rehearsal.Station
	// Equipment operates camera and mount themselves, nil where frames come into the folder from elsewhere.
	Equipment Equipment
	// Page says where the page is served and to whom. Operator, notes, probes and metrics are set here.
	Page web.Options
	// Ready is called with the address when the page is served.
	Ready     func(server *web.Server, url string)
	Notifiers *Notifiers // nil: with the default alarms
	// Probe is that of the session, nil but in tests: see mountmodel.Session.Probe.
	Probe func(part string)
	Log   *slog.Logger
}

// Equipment operates the camera and the mount. Its pictures come through the folder, as all others.
type Equipment interface {
	web.Equipment
	// Attach says which session its pictures go to; it comes first.
	Attach(operate.Alignment)
	// Run keeps the connection to the devices; the mount is stopped when ctx ends.
	Run(ctx context.Context) error
	// State is what a page shows.
	State() *web.EquipmentState
	// Heard takes the outcome of each frame, on the goroutine that brings frames.
	Heard(pipeline.Outcome)
}

// Service is everything that runs behind a page.
type Service struct {
	options    Options
	controller *Controller
	watcher    *watch.Watcher
	attempts   *attempts // nil: none are noted
}

// New joins the parts and starts none: see [Service.Run].
func New(o Options) *Service {
	if o.Journal == nil {
		o.Journal = journal.None(o.Log)
	}
	if o.Notifiers == nil {
		o.Notifiers = NewNotifiers(o.Program, alarm.Options{Moved: alarm.DefaultMoved, Unsolved: alarm.DefaultUnsolved}, o.Log)
	}
	s := &Service{options: o, controller: newController(o.Pipeline, o.Journal, o.Log, o.Config, o.Placed)}
	c := s.controller
	o.Journal.Changed = c.refresh
	c.watchOnly, c.alignment.probe = o.WatchOnly, o.Probe
	c.context = web.Around{Program: o.Program, Source: web.Source{Kind: "folder", Folder: o.Folder.Folder}}
	if o.Header != nil {
		c.header = o.Header
	}
	if o.Station != nil {
		c.context.Source.Kind = "rehearsal"
		c.rig, c.taken = rigOf(o.Station, o.Folder.Folder, o.Log), lockOf(o.Station)
	}
	if o.Equipment != nil {
		o.Equipment.Attach(c)
		c.equipment, c.heard = o.Equipment.State, o.Equipment.Heard
	}
	folder, skip := o.Folder, o.Folder.Skip
	folder.Taken, folder.Order, folder.Report = o.Journal.Taken(), c.order, s.report
	folder.Waiting = c.activity.wait
	folder.Skip = func(path string, size int64, modified time.Time) bool {
		return skip != nil && skip(path, size, modified) || o.Journal.Known(path, size, modified)
	}
	if o.State != "" {
		s.attempts = newAttempts(o.State, o.Folder.Folder, o.Log, memoryInUse)
		folder.Attempt = s.attempts.begin
	}
	s.watcher = watch.New(folder)
	return s
}

// Refresh has the page brought up to date, some time after the simulated rig has changed. It does not wait.
func (s *Service) Refresh() { s.controller.refresh() }

// report takes what the watcher tells of the folder.
func (s *Service) report(err error) {
	if err == nil {
		s.controller.folder.Store(nil)
		s.controller.refresh()
		s.options.Log.Info("the folder can be read again", "folder", s.options.Folder.Folder)
		return
	}
	s.controller.folder.Store(&err)
	s.controller.refresh()
	s.options.Log.Error("the folder cannot be read; trying again", "folder", s.options.Folder.Folder, "error", err)
}

// lastWrites is how long the end waits for what is still to be written, to the logbook and of the file being read: a disk that
// hangs never takes it.
const lastWrites = 600 * time.Millisecond

// Run starts all parts and stops them together, within two seconds of the end of ctx.
func (s *Service) Run(ctx context.Context) error {
	o, c := s.options, s.controller
	page := o.Page
	page.Operator, page.Notes, page.Nights, page.Logger = c, c.notes, c.notes, o.Log
	page.Healthy, page.Able, page.Metrics = s.healthy, s.able, o.Notifiers.metrics.Handler()
	if o.Station != nil {
		page.Rig = o.Station
	}
	if o.Equipment != nil {
		page.Equipment = o.Equipment
	}
	var server *web.Server
	page.Ready = func(url string) { o.Ready(server, url) }
	server, err := web.New(page)
	if err != nil {
		return err
	}
	c.notify = o.Notifiers.pass
	c.publish = func(state web.State) {
		if err := server.Publish(state); err != nil {
			o.Log.Error("the page cannot be brought up to date", "error", err)
		}
	}
	c.preview = server.PublishPreview
	// What is written is so to the end of the others, who still have things to keep.
	writing := []*part{start(context.WithoutCancel(ctx), o.Journal.Run)}
	if s.attempts != nil {
		s.attempts.runs.Store(true)
		writing = append(writing, start(context.WithoutCancel(ctx), s.attempts.run))
	}
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error { return server.Run(ctx) })
	group.Go(func() error { return c.Run(ctx) })
	group.Go(func() error { return o.Notifiers.Run(ctx) })
	group.Go(func() error {
		return s.watcher.Run(ctx, func(a watch.Arrival) (again bool) {
			again = c.Arrive(ctx, a)
			if o.Arrived != nil && !again {
				o.Arrived(a.Path)
			}
			return again
		})
	})
	if o.Station != nil {
		group.Go(func() error { return o.Station.Run(ctx) })
	}
	if o.Equipment != nil {
		group.Go(func() error { return o.Equipment.Run(ctx) })
	}
	err = group.Wait()
	if !stop(writing, lastWrites) {
		o.Log.Error("the disk of the logbook does not answer: the last of the session may be missing there; its frames are still in their folder")
	}
	if errors.Is(err, syscall.EADDRINUSE) {
		return fmt.Errorf("%s is in use, perhaps by another polard: choose another with --addr, or 127.0.0.1:0 for any free one", page.Addr)
	}
	return err
}

// part is something that runs on a goroutine of its own.
type part struct {
	end  context.CancelFunc
	done chan struct{}
}

func start(ctx context.Context, run func(context.Context)) *part {
	ctx, end := context.WithCancel(ctx)
	p := &part{end, make(chan struct{})}
	go func() {
		defer close(p.done)
		run(ctx)
	}()
	return p
}

// stop ends parts, and tells whether they did within a time.
func stop(parts []*part, within time.Duration) bool {
	for _, p := range parts {
		p.end()
	}
	end := time.After(within)
	for _, p := range parts {
		select {
		case <-p.done:
		case <-end:
			return false
		}
	}
	return true
}

// healthy tells whether the controller still answers. While it goes on with a long session it does not yet, and to start it
// anew would only make that longer.
func (s *Service) healthy(ctx context.Context) error {
	if !s.controller.ready.Load() {
		return nil
	}
	if err := s.controller.ask(ctx, func() error { return nil }); err != nil {
		return errors.New("the session does not answer: restart the service, and report this with its log")
	}
	return nil
}

// able tells whether a frame that came into the folder now would lead to numbers. Of the folder it says what the watcher
// found last: who asks a folder that hangs hangs too.
func (s *Service) able(ctx context.Context) error {
	if p := s.controller.folder.Load(); p != nil {
		return *p
	}
	var placed bool
	var lost error
	c := s.controller
	if err := c.ask(ctx, func() error { placed, lost = c.alignment.Placed, c.journal.Trouble(); return nil }); err != nil {
		if !c.ready.Load() {
			return errors.New("it still goes through what the logbook holds of the session: wait a moment")
		}
		return errors.New("the session does not answer")
	}
	if lost != nil {
		return lost
	}
	if !placed {
		return errors.New("nobody said yet where the mount stands: --lat and --lon, the page, or the frames' headers")
	}
	return nil
}
