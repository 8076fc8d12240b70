package watch

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"testing/synctest"
	"time"
)

// Each event starts the quiet time anew; no search is needed for a file that
// events tell of.
func TestEventsRestartQuietTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		events := make(chan event)
		n, path := begunFile(t, events)
		defer n.stop()
		for range 20 {
			n.expect(DefaultQuiet-time.Millisecond, "")
			events <- event{path: path}
		}
		n.expect(DefaultQuiet-time.Millisecond, "")
		n.expect(2*time.Millisecond, "f.fits")
		// Rights changed by an indexer do not matter; rewriting with another
		// content does, even if size and time are the same.
		events <- event{path: path, rights: true}
		n.expect(time.Second, "f.fits")
		info, err := os.Stat(path)
		if err != nil {
			t.Fatal(err)
		}
		put(t, path, exposure(1))
		if err := os.Chtimes(path, info.ModTime(), info.ModTime()); err != nil {
			t.Fatal(err)
		}
		events <- event{path: path}
		n.expect(time.Second, "f.fits f.fits")
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
		events <- event{path: path}
		n.expect(time.Second, "f.fits f.fits")
	})
}

// Lost events are made good by a search; a source that ends leaves the
// searches.
func TestEventsLost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		events, failures := make(chan event), make(chan error)
		n := &night{t: t, folder: folder, watcher: New(Options{Folder: folder, Rescan: time.Minute})}
		n.start(notices{events: events, errors: failures, watch: func(string) error { return errors.New("no more watches") }})
		defer n.stop()
		n.expect(time.Second, "")
		put(t, filepath.Join(folder, "0.fits"), exposure(0))
		n.expect(time.Second, "")
		failures <- errors.New("overflow")
		n.expect(time.Second, "0.fits")
		close(events)
		close(failures)
		put(t, filepath.Join(folder, "1.fits"), exposure(1))
		n.expect(2*time.Minute, "0.fits 1.fits")
	})
}

// The real thing: the operating system's events, real time, files written in
// pieces by another goroutine, folders made on the way.
func TestRealEvents(t *testing.T) {
	folder := t.TempDir()
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	const frames = 12
	written := make(chan struct{})
	go func() {
		defer close(written)
		time.Sleep(100 * time.Millisecond)
		for i := range frames {
			path := filepath.Join(folder, fmt.Sprintf("night %d", i/4), fmt.Sprintf("%d.fits", i))
			if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
				t.Error(err)
				return
			}
			f, err := os.Create(path)
			if err != nil {
				t.Error(err)
				return
			}
			for data := exposure(i); len(data) > 0; {
				n := min(len(data), 3000)
				if _, err := f.Write(data[:n]); err != nil {
					t.Error(err)
				}
				data = data[n:]
				time.Sleep(2 * time.Millisecond)
			}
			if err := f.Close(); err != nil {
				t.Error(err)
			}
		}
	}()
	var got []float32
	// Searches so rare that the events must do it.
	err := New(Options{Folder: folder, Quiet: 50 * time.Millisecond, Rescan: time.Hour}).Run(ctx, func(a Arrival) bool {
		if a.Err != nil {
			t.Error(a.Err)
		} else if got = append(got, a.Frame.Pix[0]); len(got) == frames {
			cancel()
		}
		return false
	})
	<-written
	slices.Sort(got)
	if err != nil || len(got) != frames || got[0] != 0 || got[frames-1] != frames-1 {
		t.Errorf("frames %v, error %v", got, err)
	}
}
