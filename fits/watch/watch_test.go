package watch

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"polard/fits"
)

// exposure is a small frame that started n minutes into a night.
func exposure(n int) []byte {
	start := time.Date(2026, 3, 7, 20, 0, 0, 0, time.UTC).Add(time.Duration(n) * time.Minute)
	var b bytes.Buffer
	f := &fits.Frame{Width: 64, Height: 48, Pix: make([]float32, 64*48), Start: start, Mid: start.Add(time.Second), Exposure: 2 * time.Second}
	f.Pix[0] = float32(n)
	if err := fits.Write(&b, f); err != nil {
		panic(err)
	}
	return b.Bytes()
}

// blocks are the cards of a header, filled up to whole blocks (FITS Standard 4.0, section 3.3.1).
func blocks(cards ...string) (out []byte) {
	for _, card := range cards {
		out = fmt.Appendf(out, "%-80s", card)
	}
	return append(out, bytes.Repeat([]byte(" "), (2880-len(out)%2880)%2880)...)
}

func put(t testing.TB, path string, data []byte) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, data, 0o644); err != nil {
		t.Fatal(err)
	}
}

// night runs a watcher inside a synctest bubble and collects what it delivers.
type night struct {
	t        *testing.T
	folder   string
	watcher  *Watcher
	mutex    sync.Mutex // tells the race detector what synctest.Wait orders
	arrivals []Arrival
	again    func(Arrival) bool // nil: never
	reports  []error
	cancel   context.CancelFunc
	done     chan error
}

func startNight(t *testing.T, o Options) *night {
	n := &night{t: t, folder: o.Folder}
	o.PollOnly = true
	o.Report = func(err error) {
		n.mutex.Lock()
		defer n.mutex.Unlock()
		n.reports = append(n.reports, err)
	}
	n.watcher = New(o)
	n.start(notices{})
	return n
}

// watchByEvents watches a folder of its own that is not searched: only events tell of files.
func watchByEvents(t *testing.T, events chan event) *night {
	folder := t.TempDir()
	n := &night{t: t, folder: folder, watcher: New(Options{Folder: folder, Rescan: time.Hour})}
	n.start(notices{events: events, watch: func(string) error { return nil }})
	return n
}

// begunFile is such a night with a file of which its creation was told.
func begunFile(t *testing.T, events chan event) (n *night, path string) {
	n = watchByEvents(t, events)
	path = filepath.Join(n.folder, "f.fits")
	n.expect(time.Second, "")
	put(t, path, exposure(0))
	events <- event{path: path, created: true}
	return n, path
}

func (n *night) start(sources notices) {
	ctx, cancel := context.WithCancel(context.Background())
	n.cancel, n.done = cancel, make(chan error, 1)
	go func() {
		n.done <- n.watcher.run(ctx, func(a Arrival) bool {
			n.mutex.Lock()
			defer n.mutex.Unlock()
			kept := a
			if a.Frame != nil { // its pixels are those of the next one soon
				f := *a.Frame
				f.Pix = slices.Clone(f.Pix)
				kept.Frame = &f
			}
			n.arrivals = append(n.arrivals, kept)
			return n.again != nil && n.again(a)
		}, sources)
	}()
}

func (n *night) stop() {
	n.t.Helper()
	n.cancel()
	if err := <-n.done; err != nil {
		n.t.Error(err)
	}
}

// after lets time pass and gives what has been delivered so far, as file names
// with the kind of error.
func (n *night) after(d time.Duration) string {
	time.Sleep(d)
	synctest.Wait()
	n.mutex.Lock()
	defer n.mutex.Unlock()
	var s []string
	for _, a := range n.arrivals {
		name, err := filepath.Rel(n.folder, a.Path)
		if err != nil {
			n.t.Error(err)
		}
		for kind, word := range map[error]string{fits.ErrIncomplete: "incomplete", fits.ErrMalformed: "malformed", fits.ErrUnsupported: "unsupported", ErrRepeated: "repeated", ErrSuperseded: "superseded", os.ErrPermission: "closed"} {
			if errors.Is(a.Err, kind) {
				name += "(" + word + ")"
			}
		}
		if (a.Err == nil) == (a.Frame == nil) {
			n.t.Errorf("%s: frame %v with error %v", a.Path, a.Frame, a.Err)
		}
		s = append(s, filepath.ToSlash(name))
	}
	return strings.Join(s, " ")
}

func (n *night) expect(d time.Duration, want string) {
	n.t.Helper()
	if got := n.after(d); got != want {
		n.t.Errorf("after another %v: %q, want %q", d, got, want)
	}
}

// long is enough for a search and the quiet time.
const long = DefaultRescan + 2*DefaultQuiet

func TestFolderThatIsFull(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		put(t, filepath.Join(folder, "a.fits"), exposure(3))
		put(t, filepath.Join(folder, "b.FIT"), exposure(1))
		put(t, filepath.Join(folder, "2026-03-07", "Light", "z 1.fts"), exposure(0))
		put(t, filepath.Join(folder, "2026-03-07", "Сириус ★.fits"), exposure(2))
		put(t, filepath.Join(folder, ".hidden.fits"), exposure(4))
		put(t, filepath.Join(folder, "notes.txt"), []byte("clear sky"))
		put(t, filepath.Join(folder, "c.fits.part"), exposure(5))
		elsewhere := t.TempDir()
		put(t, filepath.Join(elsewhere, "linked.fits"), exposure(6))
		for link, target := range map[string]string{"link.fits": filepath.Join(elsewhere, "linked.fits"), "loop": folder, "nowhere.fits": filepath.Join(elsewhere, "gone.fits")} {
			if err := os.Symlink(target, filepath.Join(folder, link)); err != nil {
				t.Skipf("no symbolic links here: %v", err)
			}
		}
		n := startNight(t, Options{Folder: folder})
		defer n.stop()
		n.expect(long, "2026-03-07/Light/z 1.fts b.FIT 2026-03-07/Сириус ★.fits a.fits link.fits")
		n.expect(time.Minute, "2026-03-07/Light/z 1.fts b.FIT 2026-03-07/Сириус ★.fits a.fits link.fits")
		for i, a := range n.arrivals {
			if a.Complete.IsZero() || a.Size == 0 || a.Modified.IsZero() || a.Sum == 0 {
				t.Errorf("arrival %d lacks something: %+v", i, a)
			}
		}
	})
}

// A file that its writer has closed is taken at once, one that is opened again next only after the second closing, also
// where the clock of its times shows no difference.
func TestClosedByItsWriter(t *testing.T) {
	for name, c := range map[string]struct{ shown, atOnce bool }{
		"its time changes": {shown: true}, "its time stays": {}, "its time changes, at once": {shown: true, atOnce: true}, "its time stays, at once": {atOnce: true},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				events := make(chan event)
				n, path := begunFile(t, events)
				defer n.stop()
				before, err := os.Stat(path)
				if err != nil {
					t.Fatal(err)
				}
				events <- event{path: path, closed: true}
				n.expect(reopened-time.Millisecond, "")
				put(t, path, exposure(1))
				if !c.shown {
					if err := os.Chtimes(path, before.ModTime(), before.ModTime()); err != nil {
						t.Fatal(err)
					}
				}
				if !c.atOnce {
					events <- event{path: path} // opened again, and written
					n.expect(DefaultQuiet-time.Millisecond, "")
				}
				events <- event{path: path, closed: true}
				n.expect(reopened+time.Millisecond, "f.fits")
				if n.arrivals[0].Frame.Pix[0] != 1 {
					t.Error("what it was before the second closing was delivered")
				}
			})
		})
	}
}

// What waits is told while a frame is being dealt with, and whether it is newer.
func TestWaitingIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		events := make(chan event)
		var mu sync.Mutex
		var told []string
		n := &night{t: t, folder: folder, watcher: New(Options{Folder: folder, Rescan: time.Hour, Waiting: func(files int, newer bool) {
			mu.Lock()
			defer mu.Unlock()
			told = append(told, fmt.Sprint(files, newer))
		}})}
		n.again = func(Arrival) bool { time.Sleep(time.Second); return false }
		n.start(notices{events: events, watch: func(string) error { return nil }})
		defer n.stop()
		for _, i := range []int{1, 0, 2} {
			path := filepath.Join(folder, fmt.Sprintf("%d.fits", i))
			put(t, path, exposure(i))
			events <- event{path: path, closed: true}
			time.Sleep(100 * time.Millisecond)
			synctest.Wait()
		}
		n.expect(10*time.Second, "1.fits 0.fits 2.fits")
		mu.Lock()
		defer mu.Unlock()
		if want := "1 false, 2 false, 3 true, 2 true, 1 false, 0 false"; strings.Join(told, ", ") != want {
			t.Errorf("told %q, want %q", strings.Join(told, ", "), want)
		}
	})
}

func TestRenamedMovedAndCopied(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		n := startNight(t, Options{Folder: folder})
		defer n.stop()
		at := func(name string) string { return filepath.Join(folder, name) }
		rename := func(from, to string) {
			if err := os.MkdirAll(filepath.Dir(at(to)), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.Rename(at(from), at(to)); err != nil {
				t.Fatal(err)
			}
		}
		put(t, at("f.fits.tmp"), exposure(0))
		n.expect(10*time.Second, "")
		rename("f.fits.tmp", "f.fits")
		n.expect(long, "f.fits")
		rename("f.fits", "kept/f.fits")
		n.expect(long, "f.fits")
		put(t, at("copy.fits"), exposure(0))
		n.expect(long, "f.fits copy.fits(repeated)")
		n.expect(time.Hour, "f.fits copy.fits(repeated)")
		old := time.Date(2001, 1, 1, 0, 0, 0, 0, time.UTC)
		put(t, at("new.fits"), exposure(1))
		if err := os.Chtimes(at("new.fits"), old, old); err != nil {
			t.Fatal(err)
		}
		n.expect(long, "f.fits copy.fits(repeated) new.fits")
	})
}

// A disk that is unplugged and comes back, once with the folder gone and once
// with an empty mount point.
func TestFolderGoesAndComesBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		parent := t.TempDir()
		folder, aside := filepath.Join(parent, "disk"), filepath.Join(parent, "drawer")
		put(t, filepath.Join(folder, "night", "0.fits"), exposure(0))
		n := startNight(t, Options{Folder: folder})
		defer n.stop()
		n.expect(long, "night/0.fits")
		for i, empty := range []bool{false, true} {
			if err := os.Rename(folder, aside); err != nil {
				t.Fatal(err)
			}
			if empty {
				if err := os.Mkdir(folder, 0o755); err != nil {
					t.Fatal(err)
				}
			}
			n.expect(time.Minute, strings.Join([]string{"night/0.fits", "night/1.fits"}[:i+1], " "))
			if empty {
				if err := os.Remove(folder); err != nil {
					t.Fatal(err)
				}
			}
			put(t, filepath.Join(aside, "night", fmt.Sprintf("%d.fits", i+1)), exposure(i+1))
			if err := os.Rename(aside, folder); err != nil {
				t.Fatal(err)
			}
			n.expect(time.Minute, strings.Join([]string{"night/0.fits", "night/1.fits", "night/2.fits"}[:i+2], " "))
		}
		if len(n.reports) != 2 || n.reports[0] == nil || n.reports[1] != nil {
			t.Errorf("reports %v; want one that the folder is gone and one that it is back", n.reports)
		}
	})
}

func TestWhatIsSkipped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		put(t, filepath.Join(folder, "old.fits"), exposure(0))
		n := startNight(t, Options{Folder: folder, SkipExisting: true})
		n.expect(time.Minute, "")
		put(t, filepath.Join(folder, "new.fits"), exposure(1))
		n.expect(long, "new.fits")
		n.stop()

		put(t, filepath.Join(folder, "later.fits"), exposure(2))
		n = startNight(t, Options{
			Folder: folder,
			Skip:   func(path string, size int64, _ time.Time) bool { return filepath.Base(path) == "old.fits" && size > 0 },
			Taken:  map[uint64]string{n.arrivals[0].Sum: n.arrivals[0].Path},
		})
		n.expect(time.Minute, "later.fits")
		n.stop()
	})
}

// Stop unblocks; twice is harmless; afterwards nothing is delivered; a second
// Run goes on where the first stood.
func TestStopAndGoOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		put(t, filepath.Join(folder, "0.fits"), exposure(0))
		n := startNight(t, Options{Folder: folder})
		n.expect(long, "0.fits")
		n.stop()
		n.cancel()
		put(t, filepath.Join(folder, "1.fits"), exposure(1))
		n.expect(time.Hour, "0.fits")
		n.start(notices{})
		n.expect(long, "0.fits 1.fits")
		n.stop()
	})
}

// Stopping while a full folder is delivered does not wait for its end.
func TestStopAmidFullFolder(t *testing.T) {
	folder := t.TempDir()
	for i := range 20 {
		put(t, filepath.Join(folder, fmt.Sprintf("%d.fits", i)), exposure(i))
	}
	ctx, cancel := context.WithCancel(t.Context())
	count := 0
	err := New(Options{Folder: folder, Quiet: time.Millisecond}).Run(ctx, func(Arrival) bool {
		if count++; count == 3 {
			cancel()
		}
		return false
	})
	if err != nil || count != 3 {
		t.Errorf("%d frames were delivered, error %v", count, err)
	}
}

func TestRunNeedsFolder(t *testing.T) {
	folder := t.TempDir()
	file := filepath.Join(folder, "f.fits")
	put(t, file, exposure(0))
	for _, path := range []string{filepath.Join(folder, "none"), file, ""} {
		if err := New(Options{Folder: path}).Run(t.Context(), func(Arrival) bool { return false }); err == nil || !strings.Contains(err.Error(), "watch folder") {
			t.Errorf("%q: %v", path, err)
		}
	}
}

// A folder with 20,000 files: those to be passed over are never opened, the few
// that are new come in order, and a search costs a small share of the time.
func TestManyFiles(t *testing.T) {
	folder := t.TempDir()
	const files = 20000
	for i := range files {
		name := filepath.Join(folder, fmt.Sprintf("old %d", i/1000), fmt.Sprintf("%d.fits", i))
		if i%1000 == 0 {
			if err := os.Mkdir(filepath.Dir(name), 0o755); err != nil {
				t.Fatal(err)
			}
		}
		if err := os.WriteFile(name, nil, 0o000); err != nil { // could not be opened by most
			t.Fatal(err)
		}
	}
	for i := range 3 {
		put(t, filepath.Join(folder, fmt.Sprintf("new %d.fits", 3-i)), exposure(i))
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	var got []float32
	err := New(Options{
		Folder: folder,
		Skip:   func(path string, size int64, _ time.Time) bool { return size == 0 },
	}).Run(ctx, func(a Arrival) bool {
		if a.Err != nil {
			t.Errorf("%s: %v", a.Path, a.Err)
			cancel()
		} else if got = append(got, a.Frame.Pix[0]); len(got) == 3 {
			cancel()
		}
		return false
	})
	if err != nil || !slices.Equal(got, []float32{0, 1, 2}) {
		t.Errorf("frames %v, error %v", got, err)
	}
}

// Files whose times lie in the future or long past, as after a jump of a clock:
// each is taken once, and in order of its own exposure.
func TestClocksThatJump(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		n := startNight(t, Options{Folder: folder})
		defer n.stop()
		n.expect(time.Second, "")
		for i, at := range []time.Time{time.Date(2090, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(1970, 1, 2, 0, 0, 0, 0, time.UTC), time.Now()} {
			path := filepath.Join(folder, fmt.Sprintf("%d.fits", i))
			put(t, path, exposure(i))
			if err := os.Chtimes(path, at, at); err != nil {
				t.Fatal(err)
			}
		}
		n.expect(long, "0.fits 1.fits 2.fits")
		n.expect(time.Hour, "0.fits 1.fits 2.fits")
	})
}

// A file that is slow to decode does not hold up the end of the program, and is not lost: the next run begins with it.
func TestSlowFileHoldsNothingUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		put(t, filepath.Join(folder, "slow.fits"), exposure(0))
		put(t, filepath.Join(folder, "next.fits"), exposure(1))
		n := &night{t: t, folder: folder, watcher: New(Options{Folder: folder, PollOnly: true})}
		n.watcher.decode = func(name string, data []byte, _ []float32) (*fits.Frame, error) {
			time.Sleep(time.Minute)
			return fits.Decode(name, data)
		}
		n.start(notices{})
		n.expect(long, "")
		begin := time.Now()
		n.stop()
		if took := time.Since(begin); took > 0 {
			t.Errorf("it stopped after %v", took)
		}
		n.start(notices{})
		defer n.stop()
		n.expect(time.Hour, "slow.fits next.fits")
	})
}

// BenchmarkFullFolder is a folder of 1000 small frames from the start of Run to
// the last delivery, the quiet time taken off.
func BenchmarkFullFolder(b *testing.B) {
	const files, quiet = 1000, 10 * time.Millisecond
	folder := b.TempDir()
	for i := range files {
		put(b, filepath.Join(folder, fmt.Sprintf("%04d.fits", i)), exposure(i))
	}
	for b.Loop() {
		ctx, cancel := context.WithCancel(b.Context())
		count, start := 0, time.Now()
		err := New(Options{Folder: folder, Quiet: quiet}).Run(ctx, func(Arrival) bool {
			if count++; count == files {
				cancel()
			}
			return false
		})
		if err != nil || count != files {
			b.Fatal(count, err)
		}
		b.ReportMetric(float64(time.Since(start)-quiet)/files, "ns/file")
	}
}
