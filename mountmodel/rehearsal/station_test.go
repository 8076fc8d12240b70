package rehearsal_test

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"polard/fits"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"
)

// small is a station with a tiny camera, so that its frames cost nothing.
func small(t *testing.T, opt rehearsal.StationOptions) (*rehearsal.Station, *rehearsal.Rig) {
	t.Helper()
	c := rehearsal.Quillmere(time.Now())
	c.Camera.Width, c.Camera.Height, c.Camera.HotPixels = 64, 48, 0
	c.Exposure = 2 * time.Second
	rig := newRig(t, fewStars{}, c)
	if opt.Folder == "" {
		opt.Folder = t.TempDir()
	}
	opt.Now = time.Now
	station, err := rehearsal.NewStation(rig, opt)
	if err != nil {
		t.Fatal(err)
	}
	return station, rig
}

// start runs a station; stop ends it and waits.
func start(t *testing.T, s *rehearsal.Station) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	return func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run: %v", err)
		}
	}
}

func framesIn(t *testing.T, folder string) []*fits.Frame {
	t.Helper()
	entries, err := os.ReadDir(folder)
	if err != nil {
		t.Fatal(err)
	}
	var frames []*fits.Frame
	for _, e := range entries {
		if filepath.Ext(e.Name()) != ".fits" {
			t.Errorf("%s was left behind", e.Name())
			continue
		}
		f, err := fits.ReadFile(filepath.Join(folder, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		frames = append(frames, f)
	}
	return frames
}

// An exposure of 2 s and a rest of 1 s: frames begin every 3 s.
func TestStationRepeats(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		s, _ := small(t, rehearsal.StationOptions{Folder: folder, Rest: time.Second})
		begin := time.Now()
		stop := start(t, s)
		time.Sleep(10 * time.Second)
		stop()
		frames := framesIn(t, folder)
		if len(frames) != 3 { // begun at 0, 3 and 6 s; that of 9 s was cut short
			t.Fatalf("%d frames, want 3", len(frames))
		}
		for i, f := range frames {
			if want := begin.Add(time.Duration(i) * 3 * time.Second); !f.Start.Equal(want) {
				t.Errorf("frame %d begins at %v, want %v", i, f.Start, want)
			}
		}
		state := s.State()
		if state.Written != 3 || state.Exposing || state.Trouble != nil || !state.Repeating || !state.Tracking {
			t.Errorf("state %+v", state)
		}
	})
}

// A frame during which something was turned is thrown away; the next begins
// when the rig has been left alone for the time to settle.
func TestStationNeverExposesWhileTurned(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		s, rig := small(t, rehearsal.StationOptions{Folder: folder, Rest: time.Second, Settle: 500 * time.Millisecond})
		begin := time.Now()
		stop := start(t, s)
		ctx := t.Context()
		time.Sleep(time.Second) // half the first exposure
		turns := []func() error{
			func() error { return s.TurnRA(ctx, 15*sky.Degree) },
			func() error { return s.TurnAltitudeBolt(ctx, 13*sky.Arcminute) },
			func() error { return s.TurnAzimuthBolt(ctx, -19*sky.Arcminute) },
			func() error { return s.SetDrive(ctx, false) },
		}
		for _, turn := range turns {
			if err := turn(); err != nil {
				t.Fatal(err)
			}
			time.Sleep(400 * time.Millisecond)
		}
		// The last touch was at 2.2 s.
		time.Sleep(3 * time.Second)
		stop()
		frames := framesIn(t, folder)
		if len(frames) != 1 {
			t.Fatalf("%d frames, want 1", len(frames))
		}
		if want := begin.Add(2700 * time.Millisecond); !frames[0].Start.Equal(want) {
			t.Errorf("the frame begins at %v, want %v", frames[0].Start.Sub(begin), want.Sub(begin))
		}
		state := s.State()
		if state.TurnedAlt != 13*sky.Arcminute || state.TurnedAz != -19*sky.Arcminute || state.Tracking {
			t.Errorf("state %+v", state)
		}
		m := rig.Config().Mount
		truth := rig.Truth(time.Now())
		near(t, "altitude", truth.Offset.Alt, m.OffsetAlt+13*sky.Arcminute, exact)
		near(t, "azimuth", truth.Offset.Az, m.OffsetAz-19*sky.Arcminute, exact)
	})
}

// A turn while the station rests delays the next exposure.
func TestStationSettlesAfterATurnAtRest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		s, _ := small(t, rehearsal.StationOptions{Folder: folder, Rest: time.Second, Settle: 2 * time.Second})
		begin := time.Now()
		stop := start(t, s)
		time.Sleep(2500 * time.Millisecond)
		if err := s.TurnRA(t.Context(), sky.Degree); err != nil {
			t.Fatal(err)
		}
		time.Sleep(5 * time.Second)
		stop()
		frames := framesIn(t, folder)
		if len(frames) != 2 {
			t.Fatalf("%d frames, want 2", len(frames))
		}
		if got := frames[1].Start.Sub(begin); got != 4500*time.Millisecond {
			t.Errorf("the second frame begins after %v, want 4.5s", got)
		}
	})
}

func TestStationSingleFrames(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		s, _ := small(t, rehearsal.StationOptions{Folder: folder})
		ctx := t.Context()
		if err := s.SetRepeating(ctx, false); err != nil {
			t.Fatal(err)
		}
		stop := start(t, s)
		time.Sleep(time.Minute)
		if n := len(framesIn(t, folder)); n != 0 {
			t.Fatalf("%d frames that nobody asked for", n)
		}
		if err := s.Expose(ctx); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Second)
		if !s.State().Exposing {
			t.Error("the shutter is closed during the exposure")
		}
		// Touched: the frame that was asked for comes all the same.
		if err := s.TurnRA(ctx, sky.Degree); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Minute)
		if n := len(framesIn(t, folder)); n != 1 {
			t.Fatalf("%d frames, want the one", n)
		}
		if err := s.SetRepeating(ctx, true); err != nil {
			t.Fatal(err)
		}
		time.Sleep(2500 * time.Millisecond)
		if n := len(framesIn(t, folder)); n != 2 {
			t.Fatalf("%d frames, want a second", n)
		}
		stop()
	})
}

// A folder that vanishes is told, and the station goes on when it is back.
func TestStationTellsTrouble(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := filepath.Join(t.TempDir(), "frames")
		if err := os.Mkdir(folder, 0o755); err != nil {
			t.Fatal(err)
		}
		s, _ := small(t, rehearsal.StationOptions{Folder: folder})
		if err := os.Remove(folder); err != nil {
			t.Fatal(err)
		}
		stop := start(t, s)
		time.Sleep(2500 * time.Millisecond)
		if s.State().Trouble == nil || s.State().Written != 0 {
			t.Errorf("state %+v", s.State())
		}
		if err := os.Mkdir(folder, 0o755); err != nil {
			t.Fatal(err)
		}
		time.Sleep(3 * time.Second)
		if s.State().Trouble != nil || s.State().Written != 1 {
			t.Errorf("state %+v", s.State())
		}
		stop()
	})
}

// Turned by many hands at once, while frames are drawn and the state is read:
// for the race detector, and nothing may be lost.
func TestStationManyHands(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		changes := 0
		s, rig := small(t, rehearsal.StationOptions{Changed: func() { mu.Lock(); changes++; mu.Unlock() }})
		stop := start(t, s)
		var wg sync.WaitGroup
		for range 8 {
			wg.Go(func() {
				for range 25 {
					if err := s.TurnRA(t.Context(), sky.Degree); err != nil {
						t.Error(err)
					}
					s.State()
					time.Sleep(300 * time.Millisecond)
				}
			})
		}
		wg.Wait()
		stop()
		if changes < 200 {
			t.Errorf("%d changes were told, want at least one for each of 200 turns", changes)
		}
		c := rig.Config()
		got := s.State().HourAngle
		want := c.Mount.HourAngle + 200*sky.Degree + sky.Angle(15.041067*time.Since(c.Start).Hours())*sky.Degree
		near(t, "hour angle", got, want.Positive(), sky.Arcsecond/10)
	})
}

// Stopping before the first frame, at once and twice is harmless, and so is
// turning afterwards.
func TestStationStops(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, _ := small(t, rehearsal.StationOptions{})
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		for range 2 {
			if err := s.Run(ctx); err != nil {
				t.Errorf("Run: %v", err)
			}
		}
		if s.State().Written != 0 {
			t.Error("a stopped station wrote a frame")
		}
		if err := s.TurnRA(t.Context(), sky.Degree); err != nil {
			t.Error(err)
		}
		if err := s.Expose(t.Context()); err != nil {
			t.Error(err)
		}
	})
}

func TestNewStationRefuses(t *testing.T) {
	rig := newRig(t, fewStars{}, rehearsal.Quillmere(evening))
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	for name, opt := range map[string]rehearsal.StationOptions{
		"folder":   {Folder: filepath.Join(t.TempDir(), "missing"), Now: time.Now},
		"a folder": {Folder: file, Now: time.Now},
		"clock":    {Folder: t.TempDir()},
	} {
		if _, err := rehearsal.NewStation(rig, opt); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
