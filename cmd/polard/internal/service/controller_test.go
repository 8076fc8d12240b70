package service

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"polard/cmd/polard/internal/harness"
	"polard/cmd/polard/internal/journal"
	"polard/cmd/polard/internal/pipeline"
	"polard/fits"
	"polard/fits/watch"
	"polard/mountmodel"
	"polard/mountmodel/sky"
	"polard/solve"
	"polard/web"
)

// runningController works at the place of a practice set until the test ends.
func runningController(t *testing.T, set harness.PracticeSet, cfg mountmodel.Config) (context.Context, *Controller, *harness.Output) {
	t.Helper()
	cfg.Site = sky.Site{Latitude: sky.Angle(set.Site.Lat) * sky.Degree, Longitude: sky.Angle(set.Site.Lon) * sky.Degree, ElevationM: set.Site.Elev}
	cfg.Air, cfg.Tolerance = sky.StandardAir(cfg.Site.ElevationM), mountmodel.DefaultTolerance
	p, err := pipeline.New()
	if err != nil {
		t.Fatal(err)
	}
	log := new(harness.Output)
	d := newController(p, journal.None(harness.Logger(log)), harness.Logger(log), cfg, true)
	go d.Run(t.Context())
	return t.Context(), d, log
}

// A frame that lay there complete when the lock was told, and is read after it,
// shows the mount before the lock: it does not confirm.
func TestFramesBeforeTheLock(t *testing.T) {
	harness.NotUnderRace(t)
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	ctx, d, log := runningController(t, set, mountmodel.Config{MeasureFrames: set.Measure})
	arrive := func(k int, complete time.Time) (view mountmodel.View, frames int64) {
		path := set.Paths()[k]
		frame, err := fits.ReadFile(path)
		d.Arrive(ctx, watch.Arrival{Path: path, Frame: frame, Err: err, Complete: complete})
		if err := d.ask(ctx, func() error { view, frames = d.alignment.Session.View(), d.alignment.frames; return nil }); err != nil {
			t.Fatal(err)
		}
		return view, frames
	}
	for k := range set.Measure + 1 {
		arrive(k, time.Now())
	}
	before := time.Now()
	if err := d.Tell(ctx, mountmodel.Locked); err != nil {
		t.Fatal(err)
	}
	read := int64(set.Measure + 1)
	if v, frames := arrive(set.Measure+1, before); v.Phase != mountmodel.Confirming || len(v.Frames) != 0 || frames != read {
		t.Errorf("complete before the lock: %s, %+v, %d frames counted", v.Phase, v.Frames, frames)
	}
	if !strings.Contains(log.String(), whyBeforeLock) {
		t.Errorf("the log does not tell: %s", log.String())
	}
	if v, frames := arrive(set.Measure+2, time.Now()); len(v.Frames) != 1 || frames != read+1 {
		t.Errorf("complete after the lock: %+v, %d frames counted", v.Frames, frames)
	}
}

// What is put right of the clock is kept in the logbook, works out the frames already
// taken anew, and is taken back by another event.
func TestClockPutRight(t *testing.T) {
	harness.NotUnderRace(t)
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	ctx, d, _ := runningController(t, set, mountmodel.Config{AnyHour: true})
	var first time.Time
	for k := range 3 {
		path := set.Paths()[k]
		frame, err := fits.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		// The headers run an hour ahead of the clock by which the frames come.
		if k == 0 {
			first = frame.Mid
		}
		complete := frame.Mid.Add(-time.Hour + 5*time.Second)
		d.now = func() time.Time { return complete }
		d.Arrive(ctx, watch.Arrival{Path: path, Frame: frame, Complete: complete, Modified: complete})
	}
	view := func() (v mountmodel.View) {
		t.Helper()
		if err := d.ask(ctx, func() error { v = d.alignment.Session.View(); return nil }); err != nil {
			t.Fatal(err)
		}
		return v
	}
	v := view()
	if v.Suggested == nil || v.Suggested.Ahead != time.Hour || v.Correction.Ahead != 0 {
		t.Fatalf("suggested: %+v; %+v", v.Suggested, v.Warnings)
	}
	if err := d.Tell(ctx, mountmodel.Correct); err != nil {
		t.Fatal(err)
	}
	v = view()
	if v.Suggested != nil || v.Correction.Ahead != time.Hour || len(v.Frames) < 2 || !v.Frames[0].Mid.Equal(first.Add(-time.Hour)) {
		t.Errorf("put right: %+v, %+v, %+v", v.Suggested, v.Correction, v.Frames)
	}
	if err := d.ask(ctx, func() error {
		if d.alignment.Config.Correction.Ahead != time.Hour || d.state.Corrected == nil || float64(*d.state.Corrected.AheadS) != 3600 {
			return fmt.Errorf("kept: %+v, shown: %+v", d.alignment.Config.Correction, d.state.Corrected)
		}
		return nil
	}); err != nil {
		t.Error(err)
	}
	if err := d.Tell(ctx, mountmodel.Correct); err == nil {
		t.Error("put right twice")
	}
	if err := d.Tell(ctx, mountmodel.Uncorrect); err != nil {
		t.Fatal(err)
	}
	if v := view(); v.Correction != (mountmodel.Correction{}) || v.Suggested == nil || !v.Frames[0].Mid.Equal(first) {
		t.Errorf("taken back: %+v, %+v", v.Correction, v.Suggested)
	}
}

// The camera's clock is suspected only when neither the file's own time nor
// its arrival fits it.
func TestClockSuspect(t *testing.T) {
	now := time.Date(2026, 3, 14, 21, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		name               string
		mid, written, came time.Duration // before now
		want               bool
	}{
		{"fresh", 5 * time.Second, time.Second, 0, false},
		{"lay there for an hour", time.Hour, time.Hour, 0, false},
		{"copied an hour later", time.Hour, 0, 0, true},
		{"kept its time through a late copy", time.Hour, time.Hour - time.Minute, 0, false},
		{"clock an hour slow", time.Hour, time.Second, 0, true},
		{"clock an hour fast", -time.Hour, time.Second, 0, true},
		{"clock off by a day, lay there", 25 * time.Hour, time.Hour, 0, true},
	} {
		o := pipeline.Outcome{Frame: &fits.Frame{Mid: now.Add(-c.mid), Exposure: 2 * time.Second}}
		f := FrameEntry(o, watch.Arrival{Complete: now.Add(-c.came), Modified: now.Add(-c.written)}, 0)
		if f.ClockSuspect != c.want {
			t.Errorf("%s: suspected %v", c.name, f.ClockSuspect)
		}
	}
}

// A search for stars that does not end holds up neither the service's end nor
// the page's commands, and a panic in it costs one frame.
func TestHopelessFrame(t *testing.T) {
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	folder := t.TempDir()
	p, err := pipeline.New()
	if err != nil {
		t.Fatal(err)
	}
	search := p.Search
	begun, release := make(chan struct{}), make(chan struct{})
	defer close(release)
	p.Search = func(ctx context.Context, i solve.Image, h solve.Hint) (*solve.Solution, error) {
		switch {
		case i.Width == 64: // the hopeless frame
			close(begun)
			select {
			case <-release:
				return nil, &solve.Failure{Code: "no_match"}
			case <-ctx.Done():
				return nil, ctx.Err()
			}
		case i.Width == 65:
			panic("a mistake of ours")
		}
		return search(ctx, i, h)
	}
	cfg := mountmodel.Config{Tolerance: mountmodel.DefaultTolerance, Air: sky.StandardAir(0)}
	r := harness.StartWith(t, func(ctx context.Context, r *harness.Running) int {
		err := New(Options{
			Pipeline: p, Config: cfg, Placed: true, Log: harness.Logger(&r.Stderr), Page: web.Options{Addr: "127.0.0.1:0"},
			Folder: watch.Options{Folder: folder}, Ready: func(_ *web.Server, url string) { fmt.Fprintln(&r.Stdout, url) },
		}).Run(ctx)
		if err != nil {
			fmt.Fprintln(&r.Stderr, err)
			return 1
		}
		return 0
	})
	empty := func(name string, width int) {
		t.Helper()
		var b bytes.Buffer
		if err := fits.Write(&b, &fits.Frame{Width: width, Height: 64, Pix: make([]float32, width*64), Mid: time.Now()}); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(folder, name), b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	empty("panic.fits", 65)
	if s := r.After(t, "panic.fits"); s.Latest.Problem == nil || s.Latest.Problem.Code != "internal" || !strings.Contains(s.Latest.Problem.Message, "our fault") {
		t.Errorf("after a panic: %+v", s.Latest)
	}
	harness.WriteFrame(t, set.Paths()[1], filepath.Join(folder, "good.fits"))
	if s := r.After(t, "good.fits"); !s.Latest.Solved {
		t.Errorf("after a panic the next frame was not read: %+v", s.Latest)
	}
	empty("hopeless.fits", 64)
	<-begun
	if status, answer := r.Post(t, "tolerance", `{"arcmin":3}`); status != http.StatusNoContent {
		t.Errorf("while a frame is searched: %d %s", status, answer)
	}
	if status, took := r.Stop(t); status != 0 || took > harness.StopsWithin() {
		t.Errorf("status %d after %v, want %d within %v", status, took, 0, harness.StopsWithin())
	}
}

// A service that still goes through a long session is healthy, but not ready: a
// supervisor that ended it would have it begin again. One whose session stood, and
// no longer answers, is neither.
func TestProbesWhileGoingOn(t *testing.T) {
	s := New(Options{Log: harness.Logger(&harness.Output{}), Folder: watch.Options{Folder: t.TempDir()}}) // it does not run
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if err := s.healthy(ctx); err != nil {
		t.Errorf("healthy: %v", err)
	}
	if err := s.able(ctx); err == nil || !strings.Contains(err.Error(), "logbook") {
		t.Errorf("ready: %v", err)
	}
	s.controller.ready.Store(true)
	if err := s.healthy(ctx); err == nil || !strings.Contains(err.Error(), "restart") {
		t.Errorf("healthy, though it is stuck: %v", err)
	}
	if err := s.able(ctx); err == nil || !strings.Contains(err.Error(), "does not answer") {
		t.Errorf("ready, though it is stuck: %v", err)
	}
}

// While a frame is not solved at once the state says that the search goes on, and which frame it is about. The next frame
// ends it: the first is told as not solved, and the search goes on with the newer.
func TestSearchIsToldAndGivesWay(t *testing.T) {
	folder := t.TempDir()
	p, err := pipeline.New()
	if err != nil {
		t.Fatal(err)
	}
	p.Search = func(context.Context, solve.Image, solve.Hint) (*solve.Solution, error) {
		return nil, &solve.Failure{Code: "no_match", Message: "clouds", Deeper: func(ctx context.Context) (*solve.Solution, error) {
			<-ctx.Done()
			return nil, ctx.Err()
		}}
	}
	cfg := mountmodel.Config{Tolerance: mountmodel.DefaultTolerance, Air: sky.StandardAir(0)}
	r := harness.StartWith(t, func(ctx context.Context, r *harness.Running) int {
		if err := New(Options{
			Pipeline: p, Config: cfg, Placed: true, Log: harness.Logger(&r.Stderr), Page: web.Options{Addr: "127.0.0.1:0"},
			Folder: watch.Options{Folder: folder}, Ready: func(_ *web.Server, url string) { fmt.Fprintln(&r.Stdout, url) },
		}).Run(ctx); err != nil {
			return 1
		}
		return 0
	})
	begin := time.Now().Truncate(time.Second)
	searching := func(name string, minute int) (s *web.State) {
		t.Helper()
		mid := begin.Add(time.Duration(minute) * time.Minute)
		var b bytes.Buffer
		if err := fits.Write(&b, &fits.Frame{Width: 64, Height: 48, Pix: make([]float32, 64*48), Start: mid, Mid: mid}); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(folder, name), b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
		harness.Eventually(t, "the search for "+name, func() (bool, string) {
			if s = r.State(t); s == nil {
				return false, "no state yet"
			}
			return s.Reading != nil && s.Reading.File == name && s.Reading.Stage == web.StageSearching, fmt.Sprintf("%+v", s.Reading)
		})
		return s
	}
	s := searching("a.fits", 0)
	if s.Latest != nil || s.Reading.Waiting != 0 || s.Reading.SinceMs < s.Reading.ArrivedMs || s.Reading.ArrivedMs < begin.UnixMilli() {
		t.Errorf("while the first is searched: %+v, latest %+v", s.Reading, s.Latest)
	}
	s = searching("b.fits", 1)
	if s.Latest == nil || s.Latest.File != "a.fits" || s.Latest.Solved || !strings.Contains(s.Latest.Problem.Message, "newer frame") {
		t.Errorf("while the second is searched: latest %+v", s.Latest)
	}
	if status, took := r.Stop(t); status != 0 || took > harness.StopsWithin() {
		t.Errorf("status %d after %v", status, took)
	}
}
