package operate

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"time"

	"polard/cmd/polard/internal/devices/frames"
	"polard/cmd/polard/internal/devices/measure"
	"polard/cmd/polard/internal/pipeline"
	"polard/mountmodel"
	"polard/mountmodel/sky"
	"polard/web"
)

// work is what goes on with camera and mount.
type work struct {
	loop   bool
	cancel context.CancelCauseFunc
	done   chan struct{}
	m      *measure.Measurer
}

// Times of the work.
const (
	// presentFor is how long whoever operates may not be heard. The page speaks each second.
	presentFor = 3 * time.Second
	// readFor is how long a picture in the folder may take until its stars are read: searches of the
	// whole sky take tens of seconds on small machines.
	readFor = 3 * time.Minute
	// endFor is how long the work may take to end once it was told to.
	endFor = 1200 * time.Millisecond
)

// errStopped is the cause of an end that was asked for.
var errStopped = sky.Refuse(nil, "stopped", "stopped")

// begin takes the place of what goes on. A loop makes way, anything else does not.
func (o *Operation) begin(ctx context.Context, loop bool, m *measure.Measurer) (context.Context, *work, error) {
	for {
		o.mu.Lock()
		old := o.work
		if old == nil {
			ctx, cancel := context.WithCancelCause(ctx)
			w := &work{loop: loop, cancel: cancel, done: make(chan struct{}), m: m}
			o.work = w
			o.mu.Unlock()
			return ctx, w, nil
		}
		o.mu.Unlock()
		if !old.loop {
			return nil, nil, errBusy
		}
		old.cancel(errStopped)
		select {
		case <-old.done:
		case <-ctx.Done():
			return nil, nil, ctx.Err()
		}
	}
}

// finish makes room.
func (o *Operation) finish(w *work, trouble error) {
	w.cancel(nil)
	o.change(func(s *web.EquipmentState) {
		o.work = nil
		o.shot = w.m.Shot()
		s.Activity, s.Looping, s.TurnedDeg, s.OfDeg, s.Number, s.All = idle, false, 0, 0, 0, 0
		if trouble != nil {
			s.Fail(sky.SayingOf(trouble))
		}
	})
	close(w.done)
}

// Measure carries out the plan that the page shows, and exposes on and on from there.
func (o *Operation) Measure(ctx context.Context, plan string, attended bool) error {
	if err := o.carryOut(ctx, plan, attended); err != nil {
		return err
	}
	return o.Loop(ctx, true)
}

// carryOut carries out the plan of an id.
func (o *Operation) carryOut(ctx context.Context, plan string, attended bool) error {
	o.mu.Lock()
	known, m, same := o.plan, o.planned, fmt.Sprint(o.planID) == plan
	o.mu.Unlock()
	if known == nil || !same {
		return errPlan
	}
	ctx, w, err := o.begin(ctx, false, m)
	if err != nil {
		return err
	}
	o.opt.Log.Info("measuring hands off", "plan", known.Saying().Text)
	o.change(func(s *web.EquipmentState) { o.plan = nil; s.Fail(sky.Saying{}); s.Tell(sky.Saying{}) })
	if attended {
		o.heard()
		go o.attend(ctx, w)
	}
	err = o.measure(ctx, m, *known)
	if cause := context.Cause(ctx); err != nil && cause != nil && !errors.Is(cause, context.Canceled) {
		err = cause
	}
	o.finish(w, err)
	if err != nil {
		o.opt.Log.Warn("the measurement ended", "why", err)
	}
	return err
}

func (o *Operation) measure(ctx context.Context, m *measure.Measurer, plan measure.Plan) error {
	before := o.before(ctx)
	// A logbook that cannot be written is told elsewhere, and is no reason to move nothing.
	if err := o.alignment.Tell(ctx, mountmodel.StartOver); err != nil && !errors.Is(err, web.ErrNotLogged) {
		return err
	}
	o.change(func(s *web.EquipmentState) { s.Before = before })
	seen, err := m.Measure(ctx, plan)
	if err != nil && (ctx.Err() != nil || solved(seen) < plan.First) {
		return err
	}
	// Where a further part failed, what was measured before it stands. The session may have come to
	// that by itself.
	if err := o.alignment.Tell(ctx, mountmodel.Measured); err != nil {
		o.opt.Log.Info("the session goes on measuring", "why", err)
	}
	o.note(ctx)
	return err
}

// solved counts the pictures whose stars were read.
func solved(seen []measure.Seen) (n int) {
	for _, s := range seen {
		if s.Solved {
			n++
		}
	}
	return n
}

// before is where the axis was last known to stand: by the newest frame where frames were taken on
// while bolts were being turned, or else by the measurement before.
func (o *Operation) before(ctx context.Context) *web.AxisBefore {
	o.mu.Lock()
	looped, last := o.looped, o.memory.Axis
	o.looped = false
	o.mu.Unlock()
	if !looped {
		return last
	}
	if _, now, err := o.alignment.AxisStatuses(ctx); err == nil && now != nil {
		return axisBefore(*now, time.Now())
	}
	return last
}

// note remembers where the axis stands by the measurement that has just ended.
func (o *Operation) note(ctx context.Context) {
	measured, _, err := o.alignment.AxisStatuses(ctx)
	if err != nil || measured == nil {
		return // the page says why
	}
	o.keep(func(m *memory) { m.Axis = axisBefore(*measured, time.Now()) })
}

func axisBefore(s web.AxisStatus, at time.Time) *web.AxisBefore {
	return &web.AxisBefore{Offset: s.Offset, Uncertainty: s.Uncertainty, AtUTC: at.UTC().Format(time.RFC3339)}
}

// attend ends the work when whoever operates is not heard any more.
func (o *Operation) attend(ctx context.Context, w *work) {
	ticker := time.NewTicker(100 * time.Millisecond)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
		o.mu.Lock()
		silent := time.Since(o.present)
		o.mu.Unlock()
		if silent > presentFor {
			w.cancel(errGone)
			return
		}
	}
}

func (o *Operation) heard() {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.present = time.Now()
}

// Present tells that whoever operates is there.
func (o *Operation) Present(context.Context) error { o.heard(); return nil }

// Loop exposes again and again, or ends that.
func (o *Operation) Loop(ctx context.Context, on bool) error {
	o.mu.Lock()
	w, m := o.work, o.planned
	o.mu.Unlock()
	if !on {
		if w != nil && w.loop {
			w.cancel(errStopped)
		}
		return nil
	}
	if m == nil {
		return sky.Refuse(nil, "measure_first_loop", "measure first: the loop goes on from there")
	}
	// It outlives the request, and ends by Stop, by Loop or with the service.
	ctx, w, err := o.begin(context.WithoutCancel(ctx), true, m)
	if err != nil {
		return err
	}
	o.change(func(s *web.EquipmentState) { o.looped, s.Looping = true, true })
	go func() {
		err := m.Loop(ctx)
		o.finish(w, err)
	}()
	return nil
}

// Stop stops the mount, before anything else, and ends what goes on.
func (o *Operation) Stop(ctx context.Context) error {
	o.mu.Lock()
	w, m, mount := o.work, o.planned, o.choice.Mount
	o.mu.Unlock()
	if w != nil {
		w.cancel(errStopped)
	}
	var err error
	switch {
	case m != nil:
		err = m.Stop()
	case mount != "":
		err = o.opt.Server.Mount(mount).Stop(ctx)
	}
	o.change(func(s *web.EquipmentState) {
		if o.work != nil {
			s.Activity = stopping
		}
		s.Fail(sky.SayingOf(err))
	})
	o.opt.Log.Info("the mount was told to stop", "error", err)
	return err
}

// end ends what goes on with the service.
func (o *Operation) end() {
	o.mu.Lock()
	w := o.work
	o.mu.Unlock()
	if w == nil {
		return
	}
	w.cancel(errStopped)
	if !w.loop {
		if err := w.m.Stop(); err != nil {
			o.opt.Log.Error("the mount could not be told to stop: be ready to switch it off", "error", err)
		}
	}
	select {
	case <-w.done:
	case <-time.After(endFor):
	}
}

// tell shows how the work goes on.
func (o *Operation) tell(p measure.Progress) {
	o.change(func(s *web.EquipmentState) {
		if s.Activity != stopping {
			switch p.Stage {
			case measure.Measured:
				s.Activity = idle
			case measure.Looping: // only says something
			default:
				s.Activity = string(p.Stage)
			}
		}
		s.Number, s.All = p.Number, p.All
		s.TurnedDeg, s.OfDeg = web.Number(p.Turned.Degrees()), web.Number(p.Of.Degrees())
		if p.Note.Text != "" {
			s.Tell(p.Note)
		}
		if w := o.work; w != nil {
			o.shot = w.m.Shot()
		}
	})
	if p.Note.Text != "" {
		o.opt.Log.Info(p.Note.Text)
	}
}

// read puts a picture into the folder and waits until its stars were read there.
func (o *Operation) read(ctx context.Context, picture []byte, site sky.Site, air sky.Air) (measure.Seen, error) {
	o.mu.Lock()
	o.pictures++
	name := fmt.Sprintf("%s_%04d.fits", time.Now().UTC().Format("20060102T150405.000"), o.pictures)
	outcome := make(chan pipeline.Outcome, 1)
	o.awaited[name] = outcome
	o.mu.Unlock()
	defer func() {
		o.mu.Lock()
		delete(o.awaited, name)
		o.mu.Unlock()
	}()
	if err := frames.Keep(filepath.Join(o.opt.Folder, name), picture); err != nil {
		return measure.Seen{}, err
	}
	select {
	case got := <-outcome:
		return o.seen(got, site, air), nil
	case <-ctx.Done():
		return measure.Seen{}, ctx.Err()
	case <-time.After(readFor):
		return measure.Seen{Why: sky.Say("frame_late", "its stars were not read in time")}, nil
	}
}

// Heard takes the outcome of every frame that the service has read.
func (o *Operation) Heard(got pipeline.Outcome) {
	o.mu.Lock()
	waiting := o.awaited[filepath.Base(got.Path)]
	o.mu.Unlock()
	if waiting == nil {
		return
	}
	select {
	case waiting <- got:
	default: // it was heard already
	}
}
