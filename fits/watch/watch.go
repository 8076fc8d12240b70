package watch

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"polard/fits"
)

// Arrival is a file that came to rest in the watched folder: a frame, or the reason why it is none.
type Arrival struct {
	Path  string
	Frame *fits.Frame // nil when Err is set
	Err   error
	// Size and Modified are those of the file, Sum is the CRC-64 (ECMA) of its bytes up to the last that is not zero: what
	// Options.Skip and Options.Taken want to know after a restart.
	Size     int64
	Modified time.Time
	Sum      uint64
	// Complete is when the last change of the file was noticed.
	Complete time.Time
	// Ahead is how many files of earlier exposure wait that this one came before, and that still come.
	Ahead int
}

// ErrRepeated: the file holds the very bytes of a frame that was delivered before under another name.
var ErrRepeated = errors.New("frame taken before")

// ErrSuperseded: a newer frame that waited with this one was taken in its place, as [NewestOnly] asks for.
var ErrSuperseded = errors.New("newer frames were waiting")

// Order says which of several frames that wait comes next.
type Order int

// Orders.
const (
	OldestFirst Order = iota // each, in order of exposure
	NewestFirst              // each, the newest first
	NewestOnly               // the newest; those that wait with it are delivered after it with ErrSuperseded
)

// Defaults of [Options].
const (
	// DefaultQuiet is for systems and folders that do not tell when a writer has closed a file. It bridges the time in which
	// a program that has written the last pixel goes back to put keywords into the header. Longer pauses, before the last
	// pixel, are covered by the length of the file. It adds to the time from the file to the answer.
	DefaultQuiet = 150 * time.Millisecond
	// DefaultRescan finds what no event reported; network folders send none.
	DefaultRescan = 2 * time.Second
	// DefaultPatience is how long an incomplete file that no longer grows counts as being written.
	DefaultPatience = 30 * time.Second
)

// reopened is how long a file that its writer has closed must stay so: a program that opens it again to put keywords into
// the header does that next, within a millisecond or so. Then its closing counts.
const reopened = 10 * time.Millisecond

// Options of a [Watcher]. Zero values take the defaults.
type Options struct {
	// Folder is watched with everything below it.
	Folder string
	// Quiet is how long a file must not change before it is looked at, where nothing tells that its writer has closed it.
	Quiet time.Duration
	// Rescan is the time between searches of the whole folder; large or slow folders are searched less often, so that it
	// takes a small share of the time.
	Rescan time.Duration
	// Patience is how long to wait for the rest of an incomplete file before it is delivered as an error. If the rest comes
	// later, so does the frame.
	Patience time.Duration
	// Extensions of the files to look at, in lower case.
	Extensions []string
	// PollOnly does without events of the operating system.
	PollOnly bool
	// Answers is how long the folder may take over one step before it counts as hanging.
	Answers time.Duration
	// SkipExisting passes over what the folder holds when Run begins.
	SkipExisting bool
	// Skip, when set, tells files to pass over without opening them.
	Skip func(path string, size int64, modified time.Time) bool
	// Attempt, when set, is called beside Run with what is known of a file before it is read (Sum is 0), and again before it is
	// decoded. It refuses it by an error, or gives what is to be called when it was read, or delivered. It returns at once when ctx ends.
	Attempt func(ctx context.Context, a Arrival) (done func(), err error)
	// Taken holds the sums, with their paths, of frames delivered by an earlier run: these are not delivered again.
	Taken map[uint64]string

	// The rest, when set, is called on the goroutine of Run.

	// Order is asked before a file is taken while others wait; nil: OldestFirst.
	Order func() Order
	// Waiting is called with how many files are whole and not yet dealt with, and whether one of them was exposed after the one that
	// is being dealt with.
	Waiting func(files int, newer bool)
	// Report is called when the folder cannot be read, and nil when it can again.
	Report func(error)
}

// Watcher turns files that arrive in a folder into frames, each exactly once (by content), in order of exposure among those
// that are there together unless Options.Order says otherwise.
type Watcher struct {
	options Options
	files   map[string]*watched
	pending map[string]*watched // those with a due time
	ready   []*watched          // whole; the oldest exposure is the last
	current *watched            // being read or dealt with; nil for none
	taken   map[uint64]string
	refused map[uint64]string // contents that are no frames and never will be, with the path they had
	visited map[string]bool   // real paths of the folders that the last search went through
	access  *access
	decode  func(name string, data []byte, room []float32) (*fits.Frame, error)
	bytes   []byte // room for the next file and its frame: that of the last
	pix     []float32
	broken  error // what Report was last called with

	waitingFiles int // what Waiting was last called with
	waitingNewer bool
}

// watched is what is known of a file. It is at rest until an event or a search shows that it changed.
type watched struct {
	path       string
	seen       fileStamp
	changed    time.Time // when the last change was noticed
	due        time.Time // when to look at it
	still      time.Time // until when it must not change once it was closed, though it may have been read
	order      time.Time // middle of the exposure, or else time of modification
	refusal    string    // the error that was delivered, so that it is not again
	unopened   bool      // it could not be opened; searches try again
	late       bool      // patience is over: deliver what can be read, or why not
	present    bool      // found by the current search
	superseded bool      // a newer one was taken in its place
	tried      bool      // ahead of its turn
}

// fileStamp changes when a file does, within the limits of the file system's clock; events and the sum of the content cover
// the rest.
type fileStamp struct {
	size     int64
	modified time.Time
	mode     fs.FileMode
}

func stampOf(info fs.FileInfo) fileStamp {
	return fileStamp{info.Size(), fits.Written(info), info.Mode()}
}

// frameExtensions are the endings of names that camera programs give to FITS files.
func frameExtensions() []string {
	return []string{".fits", ".fit", ".fts", ".fits.gz", ".fit.gz", ".fts.gz", ".fits.fz", ".fit.fz"}
}

// IsFrameName tells whether a watcher looks at files of such a name unless asked otherwise.
func IsFrameName(path string) bool {
	return !hidden(path) && slices.ContainsFunc(frameExtensions(), func(e string) bool {
		return strings.HasSuffix(strings.ToLower(path), e)
	})
}

// hidden files are others' work in progress.
func hidden(path string) bool { return strings.HasPrefix(filepath.Base(path), ".") }

// New prepares a watcher. It starts nothing and looks at nothing; see [Watcher.Run].
func New(options Options) *Watcher {
	options.Quiet = cmp.Or(options.Quiet, DefaultQuiet)
	options.Rescan = cmp.Or(options.Rescan, DefaultRescan)
	options.Patience = cmp.Or(options.Patience, DefaultPatience)
	options.Answers = cmp.Or(options.Answers, DefaultAnswers)
	if len(options.Extensions) == 0 {
		options.Extensions = frameExtensions()
	}
	if options.Report == nil {
		options.Report = func(error) {}
	}
	if options.Order == nil {
		options.Order = func() Order { return OldestFirst }
	}
	if options.Attempt == nil {
		options.Attempt = func(context.Context, Arrival) (func(), error) { return func() {}, nil }
	}
	if options.Waiting == nil {
		options.Waiting = func(int, bool) {}
	}
	w := &Watcher{options: options, files: map[string]*watched{}, pending: map[string]*watched{}, taken: map[uint64]string{}, refused: map[uint64]string{}, access: newAccess(options.Answers), decode: fits.DecodeInto}
	maps.Copy(w.taken, options.Taken)
	return w
}

// Run watches until the context ends, which is no error. deliver is called on a goroutine beside that of Run, for one
// arrival at a time, and has returned when Run does: the frame's pixels are overwritten by those of the next then. With true it
// keeps them, and asks for a frame that came ahead of others to come once more in its turn. An error means that the folder could not be read to begin with. Run may be called again after it has
// returned, and goes on from where it stood; it must not run twice at a time.
func (w *Watcher) Run(ctx context.Context, deliver func(Arrival) (again bool)) error {
	if w.options.PollOnly {
		return w.run(ctx, deliver, notices{})
	}
	// Without events (no more watches to be had, or a system that has none) the searches do the work.
	n, err := listen()
	if err != nil {
		return w.run(ctx, deliver, notices{})
	}
	defer n.close()
	return w.run(ctx, deliver, n)
}

func (w *Watcher) run(ctx context.Context, deliver func(Arrival) bool, n notices) error {
	if info, err := w.access.stat(ctx, w.options.Folder); unanswered(ctx, err) {
		w.stalled(err)
	} else if err != nil {
		return fmt.Errorf("watch folder: %w", err)
	} else if !info.IsDir() {
		return fmt.Errorf("watch folder: %s is not a folder", w.options.Folder)
	}
	first := w.options.SkipExisting && len(w.files) == 0
	rescan := time.Now()
	timer := time.NewTimer(0)
	defer timer.Stop()
	done := make(chan then, 1)
	do := func(j job) { go func() { done <- j() }() }
	for ctx.Err() == nil {
		if now := time.Now(); !now.Before(rescan) {
			w.search(ctx, n)
			if first && w.broken == nil {
				first = false
				clear(w.pending)
			}
			// Not more than a twentieth of the time goes into searching.
			if rescan = time.Now().Add(max(w.options.Rescan, 20*time.Since(now))); errors.Is(w.broken, ErrStalled) {
				rescan = time.Now().Add(w.options.Rescan) // it was waiting
			}
		}
		w.settle(ctx)
		if w.current == nil && len(w.ready) > 0 {
			do(w.next(ctx, deliver))
		}
		w.reportWaiting()
		timer.Reset(time.Until(w.due(rescan)))
		select {
		case <-ctx.Done():
		case <-timer.C:
		case then := <-done:
			if j := then(); j != nil {
				do(j)
			} else {
				w.current = nil
			}
		case e, open := <-n.events:
			if err := w.notice(ctx, e, open, &n); err != nil {
				w.stalled(err)
				rescan = time.Now().Add(w.options.Rescan) // what it told of is found then
			}
		case <-n.errors:
			rescan = time.Now() // events were lost
		}
	}
	for w.current != nil {
		if j := (<-done)(); j != nil {
			do(j)
		} else {
			w.current = nil
		}
	}
	return nil
}

// due is when there is something to do.
func (w *Watcher) due(rescan time.Time) time.Time {
	for _, f := range w.pending {
		if f.due.Before(rescan) {
			rescan = f.due
		}
	}
	return rescan
}

// reportWaiting says how many files are to be dealt with, when that has changed.
func (w *Watcher) reportWaiting() {
	files, newer := len(w.ready), false
	if w.current != nil {
		files++
		newer = slices.ContainsFunc(w.ready, func(f *watched) bool { return f.order.After(w.current.order) })
	}
	if files != w.waitingFiles || newer != w.waitingNewer {
		w.waitingFiles, w.waitingNewer = files, newer
		w.options.Waiting(files, newer)
	}
}
