package frames_test

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"polard/cmd/polard/internal/devices"
	"polard/cmd/polard/internal/devices/devicestest"
	"polard/cmd/polard/internal/devices/measure"
	"polard/cmd/polard/internal/pipeline"
	"polard/mountmodel/sky"
)

// killing kills a server at a step of a measurement, once, and starts it again a little later.
type killing struct {
	t      *testing.T
	server *devicestest.Server
	line   *line
	when   func(measure.Progress) (now bool, after time.Duration)

	mu    sync.Mutex
	done  chan struct{} // closed when the server is there again; nil before it was killed
	notes []string      // what was said
	loops int           // pictures that began after that
}

func (k *killing) tell(p measure.Progress) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if p.Note.Text != "" {
		k.notes = append(k.notes, p.Note.Text)
	}
	if k.done != nil {
		if p.Stage == measure.Exposing && p.All == 0 {
			k.loops++
		}
		return
	}
	now, after := k.when(p)
	if !now {
		return
	}
	k.done = make(chan struct{})
	go func() {
		defer close(k.done)
		time.Sleep(after)
		k.server.Kill()
		time.Sleep(time.Second)
		k.server.Start()
	}()
}

// said waits until the server is there again and gives all that was said.
func (k *killing) said() (notes string, loops int) {
	k.mu.Lock()
	done := k.done
	k.mu.Unlock()
	if done == nil {
		k.t.Fatal("the server was never killed")
	}
	<-done
	k.mu.Lock()
	defer k.mu.Unlock()
	return strings.Join(k.notes, "; "), k.loops
}

// The real server is killed at each step and comes back: a sentence says so, a mount that turned is told to stop first
// thing and turns on only after the word was given again, no picture is lost, and it goes on to the end.
func TestServerKilledAtEachStep(t *testing.T) {
	t.Parallel() // mounts turn most of the time
	second := func(stage measure.Stage) func(measure.Progress) bool {
		return func(p measure.Progress) bool { return p.Stage == stage && p.Number == 2 }
	}
	for name, c := range map[string]struct {
		when   func(measure.Progress) bool
		after  time.Duration
		turned bool // the word is asked for again
		short  bool
	}{
		"exposing":    {second(measure.Exposing), 300 * time.Millisecond, false, false},
		"downloading": {second(measure.Exposing), 0, false, false},
		"reading":     {second(measure.Reading), 0, false, false},
		"turning":     {func(p measure.Progress) bool { return p.Stage == measure.Turning && p.Turned.Abs() >= 5*sky.Degree }, 0, true, true},
		// It stands within two seconds from then, and is to settle for three.
		"settling": {func(p measure.Progress) bool { return p.Stage == measure.Turning && p.Turned.Abs() >= 10*sky.Degree }, 2500 * time.Millisecond, false, false},
		"looping":  {func(p measure.Progress) bool { return p.Stage == measure.Exposing && p.All == 0 && p.Number == 2 }, 300 * time.Millisecond, false, true},
	} {
		t.Run(name, func(t *testing.T) {
			if testing.Short() && !c.short {
				t.Skip("the other steps are tried")
			}
			t.Parallel()
			killedAt(t, name, c.when, c.after, c.turned)
		})
	}
}

// killedAt measures, and loops, with a server that is killed at a step, and looks at what that led to.
func killedAt(t *testing.T, step string, when func(measure.Progress) bool, after time.Duration, turned bool) {
	config := devicestest.MidnightRig(time.Now())
	behind := devicestest.RigServer(t, config)
	line := newLine(t, behind.Addr)
	p, err := pipeline.New()
	if err != nil {
		t.Fatal(err)
	}
	h := &through{site: config.Site, air: config.Air, p: p}
	k := &killing{t: t, server: behind, line: line}
	k.when = func(p measure.Progress) (bool, time.Duration) {
		if !when(p) {
			return false, 0
		}
		if step == "downloading" { // a picture takes five times as many bytes
			line.CutAfter(1 << 20)
			return true, time.Second
		}
		return true, after
	}
	asked := 0
	cl := client(t, line.Addr)
	m := measure.New(cl.Camera(devicestest.RehearsedCamera), cl.Mount(devicestest.RehearsedMount), measure.Options{
		Site: config.Site, Air: config.Air, Limits: measure.DefaultLimits(), Shot: devices.Shot{Exposure: 600 * time.Millisecond},
		Settle: 3 * time.Second, Patience: time.Minute, Read: h.read, Now: time.Now, Tell: k.tell,
		GoOn: func(context.Context, string) error { asked++; return nil },
	})
	plan, err := m.Propose(t.Context(), measure.Request{Turn: 30 * sky.Degree, Way: measure.West, Frames: 3})
	if err != nil {
		t.Fatal(err)
	}
	aborts := strings.Count(behind.Log(), "abort")
	seen, err := m.Measure(t.Context(), plan)
	if err != nil || len(seen) < 3 {
		t.Fatalf("%d pictures, %v; problems %q; log %s", len(seen), err, h.problems, behind.Log())
	}
	if step == "looping" {
		k.loop(m)
	}
	notes, _ := k.said()
	t.Log(notes)
	// While stars are read nobody needs the server; it may be back before it is missed.
	if told := strings.Contains(notes, "connection"); !told && step != "reading" || strings.Contains(notes, line.Addr) || strings.Contains(notes, behind.Addr) {
		t.Errorf("it is said: %q", notes)
	}
	if turned && (asked != 1 || strings.Count(behind.Log(), "abort") <= aborts) {
		t.Errorf("the word was asked for %d times; the mount was told to stop %d times", asked, strings.Count(behind.Log(), "abort")-aborts)
	}
	solved := 0
	for _, s := range seen {
		if s.Solved {
			solved++
		}
	}
	if solved != 3 {
		t.Errorf("%d pictures were solved", solved)
	}
}

// loop takes frames on and on until two have begun after the server was there again.
func (k *killing) loop(m *measure.Measurer) {
	ctx, end := context.WithTimeout(k.t.Context(), time.Minute)
	defer end()
	go func() {
		for ctx.Err() == nil {
			k.mu.Lock()
			loops := k.loops
			k.mu.Unlock()
			if loops >= 2 {
				end()
			}
			time.Sleep(20 * time.Millisecond)
		}
	}()
	if err := m.Loop(ctx); err != nil {
		k.t.Error(err)
	}
	if _, loops := k.said(); loops < 2 {
		k.t.Errorf("%d pictures after the server was there again", loops)
	}
}

// While the server is not there that is said, without its address; and what waits for it goes on when it is.
func TestServerKilledBefore(t *testing.T) {
	config := devicestest.MidnightRig(time.Now())
	behind := devicestest.RigServer(t, config)
	behind.Kill()
	cl := client(t, behind.Addr)
	if _, err := cl.Devices(t.Context(), time.Second); err == nil || strings.Contains(err.Error(), behind.Addr) || !strings.Contains(err.Error(), "no connection to the INDI server") {
		t.Errorf("without a server: %v", err)
	}
	started := make(chan struct{})
	go func() { defer close(started); time.Sleep(time.Second); behind.Start() }()
	s, err := cl.Mount(devicestest.RehearsedMount).State(t.Context())
	<-started
	if err != nil && !errors.Is(err, devices.ErrLost) {
		t.Errorf("when it was started: %v", err)
	}
	if err == nil && s.At.IsZero() {
		t.Errorf("no report: %+v", s)
	}
}
