package operate

import (
	"context"
	"log/slog"
	"slices"
	"strconv"
	"sync"
	"time"

	"polard/cmd/polard/internal/devices"
	"polard/cmd/polard/internal/devices/connect"
	"polard/cmd/polard/internal/devices/frames"
	"polard/cmd/polard/internal/devices/measure"
	"polard/cmd/polard/internal/pipeline"
	"polard/mountmodel"
	"polard/mountmodel/sky"
	"polard/web"
)

// Options of an [Operation].
type Options struct {
	Server   devices.Server
	Protocol string // "indi" or "alpaca"
	// Folder is the one that the service watches.
	Folder string
	Limits measure.Limits
	Shot   devices.Shot
	// Choice is what the command line chose; it goes before what is remembered in the file Remember
	// ("": nothing is).
	Choice   connect.Choice
	Remember string
	// Schedule says when it measures with nobody there.
	Schedule Schedule
	Log      *slog.Logger
}

// Alignment is the session that the pictures go to.
type Alignment interface {
	// Place is where the mount stands; placed is false while nobody has said.
	Place(ctx context.Context) (site sky.Site, air sky.Air, placed bool, err error)
	// Tell passes an event on.
	Tell(ctx context.Context, event mountmodel.Event) error
	// Changed has the page brought up to date; it does not wait.
	Changed()
	// AxisStatuses are where the axis stood by the session's measurement and where it stands by its newest
	// frame; nil where that is not known.
	AxisStatuses(ctx context.Context) (measured, now *web.AxisStatus, err error)
}

// Operation is what goes on with camera and mount. It is safe for use by many goroutines.
type Operation struct {
	opt       Options
	alignment Alignment
	shown     web.EquipmentState // of the parts that follow the work
	// seen is what an outcome tells a measurement.
	seen func(pipeline.Outcome, sky.Site, sky.Air) measure.Seen

	mu       sync.Mutex
	choice   connect.Choice
	memory   memory
	looped   bool // frames were taken on and on since the last measurement
	changes  int  // at the pier, that somebody told
	woken    chan struct{}
	found    []devices.Found
	plan     *measure.Plan
	planID   int
	planned  *measure.Measurer // made the plan
	shot     devices.Shot
	work     *work // nil while nothing goes on
	present  time.Time
	awaited  map[string]chan pipeline.Outcome // by the name of the file
	pictures int
}

// Names of what goes on, as the page has them.
const (
	idle     = "idle"
	finding  = "finding"
	stopping = "stopping"
)

// New prepares an operation; Run does the work.
func New(opt Options) *Operation {
	o := &Operation{opt: opt, seen: frames.Seen, shot: opt.Shot, choice: opt.Choice, awaited: make(map[string]chan pipeline.Outcome), woken: make(chan struct{}, 1)}
	o.shown.Protocol, o.shown.Activity, o.shown.Schedule = opt.Protocol, finding, string(opt.Schedule)
	o.memory = o.remembered()
	if o.choice == (connect.Choice{}) {
		o.choice = o.memory.Choice
	}
	return o
}

// Attach says which session the pictures go to. It comes before Run.
func (o *Operation) Attach(a Alignment) { o.alignment = a }

// searchTime is how long devices are looked for, and searchAgain the pause after a search in vain.
const (
	searchTime  = 8 * time.Second
	searchAgain = 5 * time.Second
)

// Run keeps the connection to the devices until ctx ends; the mount is then stopped first.
func (o *Operation) Run(ctx context.Context) error {
	lasting, hangUp := context.WithCancel(context.WithoutCancel(ctx))
	var connection sync.WaitGroup
	connection.Go(func() {
		if err := o.opt.Server.Run(lasting); err != nil {
			o.opt.Log.Error("the connection to the devices ended", "error", err)
		}
	})
	for ctx.Err() == nil && o.Find(ctx) != nil {
		select {
		case <-ctx.Done():
		case <-time.After(searchAgain):
		}
	}
	if o.opt.Schedule != NoSchedule {
		o.unattended(ctx)
	}
	<-ctx.Done()
	o.end()
	hangUp()
	connection.Wait()
	return nil
}

// State is what a page shows.
func (o *Operation) State() *web.EquipmentState {
	o.mu.Lock()
	defer o.mu.Unlock()
	s := o.shown
	s.Cameras, s.Mounts = o.names(devices.KindCamera), o.names(devices.KindMount)
	s.Camera, s.Mount = o.choice.Camera, o.choice.Mount
	s.Due, s.Rests, s.RestsSaid = o.memory.Due, o.memory.Rests, o.memory.RestsSaid
	s.ExposureS = web.Number(o.shot.Exposure.Seconds())
	if g := o.shot.Gain; g != nil {
		s.Gain = new(web.Number(*g))
	}
	if o.plan != nil && time.Since(o.plan.Made) < measure.PlanLife {
		s.Plan = web.PlanOfMotion(strconv.Itoa(o.planID), o.plan.Saying(), o.plan.Cautions)
	}
	return &s
}

// names of a kind; o.mu is held.
func (o *Operation) names(kind devices.Kind) []string {
	out := []string{}
	for _, f := range o.found {
		if f.Kind == kind {
			out = append(out, f.Name)
		}
	}
	return out
}

// change changes what is shown and has the page brought up to date.
func (o *Operation) change(do func(s *web.EquipmentState)) {
	o.mu.Lock()
	do(&o.shown)
	o.mu.Unlock()
	o.alignment.Changed()
}

// Find looks for devices, and chooses where there is nothing to choose between.
func (o *Operation) Find(ctx context.Context) error {
	o.change(func(s *web.EquipmentState) {
		if s.Activity == idle {
			s.Activity = finding
		}
	})
	found, err := o.opt.Server.Devices(ctx, searchTime)
	o.change(func(s *web.EquipmentState) {
		if s.Activity == finding {
			s.Activity = idle
		}
		s.Fail(sky.SayingOf(err))
		if err != nil {
			return
		}
		o.found = found
		if choice, err := connect.Choose(found, o.choice); err == nil {
			o.choice = choice
		}
	})
	return err
}

// Choose takes a camera and a mount, and remembers that.
func (o *Operation) Choose(_ context.Context, camera, mount string) error {
	o.mu.Lock()
	if o.work != nil {
		o.mu.Unlock()
		return errBusy
	}
	if !slices.Contains(o.names(devices.KindCamera), camera) || !slices.Contains(o.names(devices.KindMount), mount) {
		o.mu.Unlock()
		return sky.Refuse(nil, "devices_gone", "there are no such devices: look for them anew")
	}
	o.choice, o.plan, o.planned = connect.Choice{Camera: camera, Mount: mount}, nil, nil
	o.mu.Unlock()
	err := o.remember(func(m *memory) { m.Choice = connect.Choice{Camera: camera, Mount: mount} })
	o.alignment.Changed()
	return err
}

var (
	errBusy     = sky.Refuse(nil, "busy", "something else goes on with camera or mount: stop it first")
	errNoChoice = sky.Refuse(nil, "ask_choice", "choose a camera and a mount first")
	errNoPlace  = sky.Refuse(nil, "ask_place", "say first where the mount stands: latitude and longitude")
	errPlan     = sky.Refuse(nil, "plan_other", "that plan is not the one shown: look at the present one")
	errNoTimes  = sky.Refuse(nil, "no_schedule", "nothing is measured unattended here: start with --nightly or --after-change")
	errGone     = sky.Refuse(nil, "operator_gone", "whoever operates is gone: the mount was stopped")
)

// Propose makes a plan that the page then shows. Whoever asks for one has looked at the mount, and the
// schedule goes on.
func (o *Operation) Propose(ctx context.Context, order web.MotionOrder) error {
	o.goOn()
	return o.proposed(ctx, order)
}

func (o *Operation) proposed(ctx context.Context, order web.MotionOrder) error {
	err := o.propose(ctx, order)
	o.change(func(s *web.EquipmentState) {
		s.Fail(sky.SayingOf(err))
		if err != nil {
			o.plan, o.planned = nil, nil
		}
	})
	return err
}

func (o *Operation) propose(ctx context.Context, order web.MotionOrder) error {
	o.mu.Lock()
	choice, shot, busy := o.choice, o.shot, o.work != nil && !o.work.loop
	o.mu.Unlock()
	if busy {
		return errBusy
	}
	if choice.Camera == "" || choice.Mount == "" {
		return errNoChoice
	}
	site, air, placed, err := o.alignment.Place(ctx)
	if err != nil {
		return err
	}
	if !placed {
		return errNoPlace
	}
	limits := o.opt.Limits
	if order.Daylight != "" && order.Daylight != measure.DaylightWord {
		return sky.Refuse(nil, "word_to_type", "the word to type is “%s”, once tube and finder are", measure.DaylightWord)
	}
	limits.Daylight = order.Daylight == measure.DaylightWord
	m := measure.New(o.opt.Server.Camera(choice.Camera), o.opt.Server.Mount(choice.Mount), measure.Options{
		Site: site, Air: air, Limits: limits, Shot: shot,
		Settle: measure.DefaultSettle, Patience: measure.DefaultPatience, Now: time.Now,
		Read: func(ctx context.Context, picture []byte) (measure.Seen, error) {
			return o.read(ctx, picture, site, air)
		},
		Tell: o.tell,
	})
	plan, err := m.Propose(ctx, measure.Request{Turn: sky.Angle(order.TurnDeg) * sky.Degree, Way: measure.Way(order.Way), Thorough: order.Thorough})
	if err != nil {
		return err
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	o.plan, o.planned = &plan, m
	o.planID++
	return nil
}
