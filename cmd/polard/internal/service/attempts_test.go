package service

import (
	"context"
	"errors"
	"log/slog"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"polard/fits/watch"
)

// A file in which the service died twice, by its memory or by a crash of its own, is passed over the third time; one during
// which somebody killed it never is, nor one that it came to the end of in between.
func TestFileThatEndsTheServiceIsPassedOver(t *testing.T) {
	const limit = 1 << 30
	for _, c := range []struct {
		name           string
		used, kills    int64
		crashed, ended bool
		starts         int // at which it is still read
	}{
		{"near the limit", 900 << 20, 0, false, false, 2},
		{"grown by a gigabyte", 2 << 30, 0, false, false, 2},
		{"crashed", 100 << 20, 0, true, false, 2},
		{"killed by the kernel, at once", 100 << 20, 1, false, false, 2},
		{"killed by somebody", 300 << 20, 0, false, false, 10},
		{"came to its end", 900 << 20, 0, false, true, 10},
	} {
		var log strings.Builder
		state, of := t.TempDir(), watch.Arrival{Path: "/frames/a.fits", Sum: 77}
		read, kills := 0, int64(7)
		for range 10 {
			used := int64(200 << 20)
			a := newAttempts(state, "/frames", slog.New(slog.NewTextHandler(&log, nil)), func() memory {
				if c.name == "grown by a gigabyte" {
					return memory{used, 0, kills}
				}
				return memory{used, limit, kills}
			})
			// One time it ends while the file is decoded, the next while it is read.
			now := of
			if now.Sum = 0; read%2 == 0 {
				if done, err := a.begin(t.Context(), now); err == nil {
					done()
				}
				now = of
			}
			done, err := a.begin(t.Context(), now)
			if errors.Is(err, errFileEndsService) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			read++
			a.write()
			used = c.used
			a.write()
			if c.ended {
				done()
				a.write()
			}
			kills += c.kills
			if c.crashed {
				if err := os.WriteFile(a.crash, []byte("fatal error"), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			if _, err := a.begin(t.Context(), watch.Arrival{Path: "/frames/b.fits", Sum: 78}); err != nil {
				t.Errorf("%s: another file: %v", c.name, err)
			}
			a.noted.Reading = nil
		}
		if read != c.starts {
			t.Errorf("%s: read at %d starts, want %d: %s", c.name, read, c.starts, log.String())
		}
		if told := strings.Contains(log.String(), "ended while it read a file"); told != (c.starts == 2) {
			t.Errorf("%s: told %t", c.name, told)
		}
	}
	// A note that is damaged says nothing.
	state := t.TempDir()
	a := newAttempts(state, "/frames", slog.New(slog.DiscardHandler), memoryInUse)
	if err := os.WriteFile(a.file, []byte("{"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := newAttempts(state, "/frames", slog.New(slog.DiscardHandler), memoryInUse).begin(t.Context(), watch.Arrival{Sum: 1}); err != nil {
		t.Error(err)
	}
}

// Where the disk of the note hangs a file waits for it, not for long, and the end of the service waits no more.
func TestNoteOnADiskThatHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for _, c := range []struct{ ends, takes time.Duration }{{time.Hour, notedWithin}, {0, 0}, {notedWithin / 2, notedWithin / 2}} {
			a := newAttempts(t.TempDir(), "/frames", slog.New(slog.DiscardHandler), memoryInUse)
			a.runs.Store(true) // and hangs
			ctx, end := context.WithTimeout(t.Context(), c.ends)
			begun := time.Now()
			if _, err := a.begin(ctx, watch.Arrival{Sum: 1}); err != nil || time.Since(begun) != c.takes {
				t.Errorf("ending after %v: %v after %v", c.ends, err, time.Since(begun))
			}
			end()
		}
	})
}
