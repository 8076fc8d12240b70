package operate

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"polard/cmd/polard/internal/devices/connect"
	"polard/cmd/polard/internal/devices/measure"
	"polard/mountmodel"
	"polard/mountmodel/sky"
	"polard/web"
)

// A press measures, and frames are taken on and on from there; a second measurement says where the axis stood
// before, over a restart too.
func TestPress(t *testing.T) {
	memory := filepath.Join(t.TempDir(), "equipment.json")
	remember := func(o *Options) { o.Remember = memory }
	synctest.Test(t, func(t *testing.T) {
		p := newPier(t, remember)
		time.Sleep(time.Second)
		if s := p.o.State(); s.Activity != idle || s.Camera != "camera" || s.Mount != "mount" {
			t.Fatalf("%+v", s)
		}
		if err := p.o.Choose(t.Context(), "camera", "mount"); err != nil {
			t.Fatal(err)
		}
		id := p.planned(t)
		if s := p.o.State(); !strings.Contains(s.Plan.Text, "40 degrees to the west") || len(s.Plan.Cautions) < 4 {
			t.Errorf("%+v", s.Plan)
		}
		if err := p.o.Measure(t.Context(), "another", false); !errors.Is(err, errPlan) {
			t.Errorf("another plan: %v", err)
		}
		p.standsAt(12)
		if err := p.o.Measure(t.Context(), id, false); err != nil {
			t.Fatal(err)
		}
		if want := []mountmodel.Event{mountmodel.StartOver, mountmodel.Measured}; !slices.Equal(p.told, want) {
			t.Errorf("the session was told %v", p.told)
		}
		if err := p.o.Measure(t.Context(), id, false); !errors.Is(err, errPlan) {
			t.Errorf("the same plan again: %v", err)
		}
		many := p.pictures()
		time.Sleep(10 * time.Second)
		if s := p.o.State(); !s.Looping || p.pictures() < many+3 || s.Before != nil {
			t.Errorf("%d pictures on: %+v", p.pictures()-many, s)
		}
		// The bolts are turned meanwhile; the loop makes way for a new measurement.
		p.standsAt(3)
		p.home()
		if err := p.o.Measure(t.Context(), p.planned(t), false); err != nil {
			t.Fatal(err)
		}
		if b := p.o.State().Before; b == nil || b.Offset.AltArcmin != 3 {
			t.Errorf("before: %+v", b)
		}
		if err := p.o.Loop(t.Context(), false); err != nil {
			t.Error(err)
		}
		time.Sleep(3 * time.Second)
		if s := p.o.State(); s.Looping || s.Activity != idle {
			t.Errorf("%+v", s)
		}
	})
	synctest.Test(t, func(t *testing.T) {
		p := newPier(t, remember)
		p.standsAt(9)
		time.Sleep(time.Second)
		if err := p.o.Measure(t.Context(), p.planned(t), false); err != nil {
			t.Fatal(err)
		}
		if b := p.o.State().Before; b == nil || b.Offset.AltArcmin != 3 || b.AtUTC == "" {
			t.Errorf("after a restart, before: %+v", b)
		}
	})
}

// stopWithin is the requirement on how soon a mount is told to stop.
const stopWithin = 200 * time.Millisecond

// A mount that turns is stopped by the word, by a browser that goes, by one that falls silent, and with the service.
func TestStops(t *testing.T) {
	for name, c := range map[string]struct {
		attended bool
		stop     func(p *pier, leave context.CancelFunc)
		within   time.Duration
		want     error
	}{
		"the word":         {false, func(p *pier, _ context.CancelFunc) { _ = p.o.Stop(context.Background()) }, stopWithin, errStopped},
		"a browser goes":   {false, func(_ *pier, leave context.CancelFunc) { leave() }, stopWithin, context.Canceled},
		"the service ends": {false, func(p *pier, _ context.CancelFunc) { p.o.end() }, stopWithin, errStopped},
		"nobody is heard":  {true, func(*pier, context.CancelFunc) {}, presentFor + stopWithin, errGone},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := newPier(t)
				time.Sleep(time.Second)
				id := p.planned(t)
				ctx, leave := context.WithCancel(t.Context())
				defer leave()
				ended := make(chan error, 1)
				go func() { ended <- p.o.Measure(ctx, id, c.attended) }()
				for turning := false; !turning; _, turning = p.turned() {
					time.Sleep(50 * time.Millisecond)
					_ = p.o.Present(ctx)
				}
				if err := p.o.carryOut(ctx, id, false); !errors.Is(err, errPlan) && !errors.Is(err, errBusy) {
					t.Errorf("a second measurement: %v", err)
				}
				at := time.Now()
				c.stop(p, leave)
				if err := <-ended; !errors.Is(err, c.want) {
					t.Errorf("it ended with %v, want %v", err, c.want)
				}
				p.mu.Lock()
				defer p.mu.Unlock()
				if late := p.stoppedAt.Sub(at); p.rate != 0 || late > c.within+measure.DefaultSettle && c.attended || !c.attended && late > c.within {
					t.Errorf("told to stop %v later; moves by %v", late, p.rate)
				}
				if c := slices.Contains(p.told, mountmodel.Measured); c {
					t.Error("a measurement that was stopped counts")
				}
			})
		})
	}
}

// What cannot be done is refused in words, and moves nothing.
func TestRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for name, c := range map[string]struct {
			set   func(*pier)
			do    func(p *pier) error
			words string
		}{
			"no place":        {func(p *pier) { p.placed = false }, func(p *pier) error { return p.o.Propose(t.Context(), web.MotionOrder{}) }, "latitude and longitude"},
			"the wrong word":  {nil, func(p *pier) error { return p.o.Propose(t.Context(), web.MotionOrder{Daylight: "yes"}) }, "covered"},
			"too low":         {func(p *pier) { p.dec = -30 * sky.Degree }, func(p *pier) error { return p.o.Propose(t.Context(), web.MotionOrder{}) }, "lowest allowed"},
			"others":          {nil, func(p *pier) error { return p.o.Choose(t.Context(), "camera", "another") }, "no such devices"},
			"loop first":      {nil, func(p *pier) error { return p.o.Loop(t.Context(), true) }, "measure first"},
			"no schedule":     {nil, func(p *pier) error { return p.o.SomethingChanged(t.Context()) }, "--nightly or --after-change"},
			"a folder's gone": {func(p *pier) { _ = os.RemoveAll(p.o.opt.Folder) }, func(p *pier) error { return p.o.Measure(t.Context(), p.planned(t), false) }, "cannot be kept"},
		} {
			p := newPier(t)
			time.Sleep(time.Second)
			if c.set != nil {
				p.set(c.set)
			}
			if err := c.do(p); err == nil || !strings.Contains(err.Error(), c.words) {
				t.Errorf("%s: %v, want words like %q", name, err, c.words)
			}
			if turns, _ := p.turned(); turns != 0 {
				t.Errorf("%s: it moved", name)
			}
		}
	})
}

// Camera and mount that are found late, and what was chosen before is still chosen.
func TestFoundLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPier(t, func(o *Options) { o.Choice = connect.Choice{Camera: "camera", Mount: "mount"} })
		p.set(func(p *pier) { p.offline = true })
		time.Sleep(time.Minute)
		p.set(func(p *pier) { p.offline = false })
		time.Sleep(10 * time.Second)
		if s := p.o.State(); s.Activity != idle || s.Trouble != "" || s.Mount != "mount" || len(s.Cameras) != 1 {
			t.Errorf("%+v", s)
		}
	})
}

// measuredWithin waits, and looks how many turns the mount has begun meanwhile.
func measuredWithin(t *testing.T, p *pier, d time.Duration, want int, when string) {
	t.Helper()
	before, _ := p.turned()
	time.Sleep(d)
	if turns, _ := p.turned(); turns-before != want {
		t.Errorf("%s: %d turns, want %d; %+v", when, turns-before, want, p.o.State())
	}
	p.home()
}

// Once in each night, once more after a change, not again after a mount that did not turn as told until
// somebody has looked, and a quarter of an hour later where clouds were the reason.
func TestSchedule(t *testing.T) {
	nightly := func(o *Options) { o.Schedule = Nightly }
	changed := func(o *Options) { o.Schedule = AfterChange }
	synctest.Test(t, func(t *testing.T) {
		p := newPier(t, nightly)
		measuredWithin(t, p, 5*time.Minute, 2, "at midnight")
		measuredWithin(t, p, 30*time.Minute, 0, "in the same night")
		if err := p.o.SomethingChanged(t.Context()); err != nil {
			t.Fatal(err)
		}
		measuredWithin(t, p, 5*time.Minute, 2, "after a change")
		measuredWithin(t, p, 30*time.Minute, 0, "after that")
		time.Sleep(12 * time.Hour) // it is day
		if err := p.o.SomethingChanged(t.Context()); err != nil {
			t.Fatal(err)
		}
		if !p.o.State().Due {
			t.Error("it is not said that a measurement is due")
		}
		measuredWithin(t, p, time.Hour, 0, "by day")
		measuredWithin(t, p, 9*time.Hour, 2, "in the next night")
		if p.o.State().Due {
			t.Error("a measurement is due still")
		}
	})
	synctest.Test(t, func(t *testing.T) {
		p := newPier(t, nightly)
		for p.o.State().Activity != "turning" {
			time.Sleep(100 * time.Millisecond)
		}
		if err := p.o.SomethingChanged(t.Context()); err != nil {
			t.Fatal(err)
		}
		time.Sleep(10 * time.Minute)
		if turns, _ := p.turned(); turns != 4 {
			t.Errorf("changed while the schedule measured: %d turns, want 4; %+v", turns, p.o.State())
		}
		if p.o.State().Due {
			t.Error("a measurement is due still")
		}
	})
	synctest.Test(t, func(t *testing.T) {
		p := newPier(t, changed)
		measuredWithin(t, p, time.Hour, 0, "without a change")
		if err := p.o.SomethingChanged(t.Context()); err != nil {
			t.Fatal(err)
		}
		measuredWithin(t, p, 5*time.Minute, 2, "after a change")
		measuredWithin(t, p, 24*time.Hour, 0, "the next night")
	})
	synctest.Test(t, func(t *testing.T) {
		p := newPier(t, nightly)
		p.set(func(p *pier) { p.stalls = true })
		measuredWithin(t, p, 5*time.Minute, 1, "a mount that stalls")
		if s := p.o.State(); !strings.Contains(s.Rests, "stands still") || !strings.Contains(s.Trouble, "until somebody has looked") {
			t.Errorf("%+v", s)
		}
		measuredWithin(t, p, 26*time.Hour, 0, "until somebody has looked, the next night too")
		p.set(func(p *pier) { p.stalls = false })
		p.planned(t)
		measuredWithin(t, p, 10*time.Minute, 2, "when somebody has")
	})
	synctest.Test(t, func(t *testing.T) {
		p := newPier(t, nightly)
		p.set(func(p *pier) { p.cloudy = true })
		measuredWithin(t, p, 10*time.Minute, 0, "under clouds")
		if s := p.o.State(); s.Rests != "" || !strings.Contains(s.Trouble, "tried again at") {
			t.Errorf("%+v", s)
		}
		p.set(func(p *pier) { p.cloudy = false })
		measuredWithin(t, p, 20*time.Minute, 2, "when they have gone")
	})
}

// What the schedule has done outlives a restart: in the same night it does not move the mount again.
func TestScheduleOverRestart(t *testing.T) {
	memory := filepath.Join(t.TempDir(), "equipment.json")
	nightly := func(o *Options) { o.Schedule, o.Remember = Nightly, memory }
	for i, want := range []int{2, 0} {
		synctest.Test(t, func(t *testing.T) {
			p := newPier(t, nightly)
			time.Sleep(5 * time.Minute)
			if turns, _ := p.turned(); turns != want {
				t.Errorf("run %d: %d turns, want %d; %+v", i+1, turns, want, p.o.State())
			}
		})
	}
}
