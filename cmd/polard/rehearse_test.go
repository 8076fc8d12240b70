package main

import (
	"context"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"polard/cmd/polard/internal/harness"
	"polard/mountmodel/rehearsal"
	"polard/web"
)

// The command as a newcomer calls it: it says where to look, takes frames by
// itself, obeys the page's commands, ends within two seconds and leaves nothing
// behind.
func TestRehearse(t *testing.T) {
	for _, c := range []struct {
		name string
		args []string
		says string
	}{
		{"north", []string{"rehearse"}, "Quillmere Heath Observatory"},
		{"south", []string{"rehearse", "--south", "--worn", "--seed", "7"}, "worn at Karrabine Ridge Observatory"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := start(t, c.args...)
			if said := r.Stdout.String(); !strings.Contains(said, c.says) || !strings.Contains(said, r.URL) {
				t.Errorf("says %q, want it to name %q and the page", said, c.says)
			}
			var s *web.State
			harness.Eventually(t, "the first frame", func() (bool, string) {
				s = r.State(t)
				return s != nil && s.Latest != nil, r.Stderr.String()
			})
			if !s.Latest.Solved || s.Rig == nil || s.Source.Kind != "rehearsal" || s.Latest.ClockSuspect {
				t.Errorf("after the first frame: %+v", s.Latest)
			}
			folder := s.Source.Folder
			if frames, err := filepath.Glob(filepath.Join(folder, "*.fits")); err != nil || len(frames) == 0 {
				t.Errorf("no frames in %s (%v)", folder, err)
			}
			before := float64(s.Rig.AltTurned)
			if status, answer := r.Post(t, "rig/altitude-bolt", `{"arcmin":5}`); status != http.StatusNoContent {
				t.Errorf("turning a bolt: %d %s", status, answer)
			}
			harness.Eventually(t, "the bolt to turn", func() (bool, string) {
				s = r.State(t)
				return float64(s.Rig.AltTurned) == before+5, fmt.Sprint(s.Rig.AltTurned)
			})
			// The bolt has its end; what lies beyond is refused in words.
			for range 2 {
				r.Post(t, "rig/altitude-bolt", `{"arcmin":300}`)
			}
			if status, answer := r.Post(t, "rig/altitude-bolt", `{"arcmin":300}`); status != http.StatusConflict || !strings.Contains(answer, "comes to its end") {
				t.Errorf("turning past the end: %d %s", status, answer)
			}
			status, took := r.Stop(t)
			if status != exitDone || took > harness.StopsWithin() {
				t.Errorf("status %d after %v, want %d within %v", status, took, exitDone, harness.StopsWithin())
			}
			if _, err := os.Stat(folder); !os.IsNotExist(err) {
				t.Errorf("the folder %s is left behind (%v)", folder, err)
			}
		})
	}
}

// Of the rehearsed frames the newest stay, so that a rehearsal left alone does
// not fill the disk; what lay in the folder before is not touched.
func TestRehearsedFramesStayFew(t *testing.T) {
	folder := t.TempDir()
	own := filepath.Join(folder, "my own.fits")
	if err := os.WriteFile(own, []byte("mine"), 0o644); err != nil {
		t.Fatal(err)
	}
	config := rehearsal.Quillmere(time.Now())
	config.Camera.Width, config.Camera.Height = 64, 48
	config.Exposure = 5 * time.Millisecond
	r := harness.StartWith(t, func(ctx context.Context, r *harness.Running) int {
		s, _, err := rehearsed{
			config: config, page: &pageFlags{reachFlags: reachFlags{addr: "127.0.0.1:0"}, tolerance: 1}, log: newLogger(&r.Stderr),
			station: rehearsal.StationOptions{Folder: folder, Rest: 20 * time.Millisecond},
			ready:   func(_ *web.Server, url string) { fmt.Fprintln(&r.Stdout, url) },
		}.service(t.Context())
		if err != nil {
			fmt.Fprintln(&r.Stderr, err)
			return exitNot
		}
		if err := s.Run(ctx); err != nil {
			fmt.Fprintln(&r.Stderr, err)
			return exitNot
		}
		return exitDone
	})
	harness.Eventually(t, "many frames", func() (bool, string) {
		s := r.State(t)
		return s != nil && s.Latest != nil && s.Latest.ID > rehearsedFrames+5, r.Stderr.String()
	})
	r.Post(t, "rig/repeat", `{"on":false}`)
	harness.Eventually(t, "the old frames to go", func() (bool, string) {
		frames, err := filepath.Glob(filepath.Join(folder, "2*.fits"))
		return err == nil && len(frames) == rehearsedFrames, fmt.Sprint(len(frames))
	})
	if b, err := os.ReadFile(own); err != nil || string(b) != "mine" {
		t.Errorf("a file that lay there: %q, %v", b, err)
	}
}
