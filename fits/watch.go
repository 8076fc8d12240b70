package fits

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"hash/crc64"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/fsnotify/fsnotify"
)

// Arrival is a file that came to rest in the watched folder: a frame, or the
// reason why it is none.
type Arrival struct {
	Path  string
	Frame *Frame // nil when Err is set
	Err   error
	// Size and Modified are those of the file, Sum is the CRC-64 (ECMA) of its
	// bytes up to the last that is not zero: what Options.Skip and Options.Taken
	// want to know after a restart.
	Size     int64
	Modified time.Time
	Sum      uint64
	// Complete is when the last change of the file was noticed.
	Complete time.Time
}

// ErrRepeated: the file holds the very bytes of a frame that was delivered
// before under another name.
var ErrRepeated = errors.New("frame taken before")

// ErrSuperseded: newer frames were waiting behind this one, and Options.Newest
// asked for those alone.
var ErrSuperseded = errors.New("newer frames were waiting")

// Defaults of [Options].
const (
	// DefaultQuiet bridges the time in which a program that has written the last
	// pixel goes back to put keywords into the header. Longer pauses, before the
	// last pixel, are covered by the length of the file. It adds to the time from
	// the file to the answer.
	DefaultQuiet = 150 * time.Millisecond
	// DefaultRescan finds what no event told of; network folders send none.
	DefaultRescan = 2 * time.Second
	// DefaultPatience is how long an incomplete file that no longer grows
	// counts as being written.
	DefaultPatience = 30 * time.Second
)

// Options of a [Watcher]. Zero values take the defaults.
type Options struct {
	// Folder is watched with everything below it.
	Folder string
	// Quiet is how long a file must not change before it is looked at.
	Quiet time.Duration
	// Rescan is the time between searches of the whole folder; large or slow
	// folders are searched less often, so that it takes a small share of the
	// time.
	Rescan time.Duration
	// Patience is how long to wait for the rest of an incomplete file before it
	// is delivered as an error. If the rest comes later, so does the frame.
	Patience time.Duration
	// Extensions of the files to look at, in lower case.
	Extensions []string
	// PollOnly does without events of the operating system.
	PollOnly bool
	// SkipExisting passes over what the folder holds when Run begins.
	SkipExisting bool
	// Skip, when set, tells files to pass over without opening them.
	Skip func(path string, size int64, modified time.Time) bool
	// Taken holds the sums, with their paths, of frames delivered by an earlier
	// run: these are not delivered again.
	Taken map[uint64]string
	// Newest, when set, is asked before a frame is decoded behind which others of
	// later exposure wait. Where it says yes the frame is delivered with
	// ErrSuperseded: it counts as taken, and costs the reading of its bytes only.
	// It is called on the goroutine of Run.
	Newest func() bool
	// Report, when set, is told when the folder cannot be read, and nil when it
	// can again. It is called on the goroutine of Run.
	Report func(error)
}

// Watcher turns files that arrive in a folder into frames, each exactly once
// (by content), in order of exposure among those that are there together.
//
// A file passes two gates: quiet (no event and no change of size or time for
// Options.Quiet) and whole (as long as its own header says). Files may grow
// slowly, be renamed into place or rewritten in place, have any time of
// modification, lie in folders by date or behind symbolic links; the folder may
// go away and come back.
type Watcher struct {
	options Options
	files   map[string]*watched
	pending map[string]*watched // those with a due time
	ready   []*watched          // whole; the last comes first
	taken   map[uint64]string
	broken  error // what Report was last told
}

// watched is what is known of a file. It is at rest until an event or a search
// shows that it changed.
type watched struct {
	path    string
	seen    fileStamp
	changed time.Time // when the last change was noticed
	due     time.Time // when to look at it
	order   time.Time // middle of the exposure, or else time of modification
	refusal string    // the error that was delivered, so that it is not again
	closed  bool      // it could not be opened; searches try again
	late    bool      // patience is over: deliver what can be read, or why not
	present bool      // found by the current search
}

// fileStamp changes when a file does, within the limits of the file system's
// clock; events and the sum of the content cover the rest.
type fileStamp struct {
	size     int64
	modified time.Time
	mode     fs.FileMode
}

func stampOf(info fs.FileInfo) fileStamp {
	return fileStamp{info.Size(), info.ModTime(), info.Mode()}
}

// frameExtensions are the endings of names that camera programs give to FITS
// files.
func frameExtensions() []string {
	return []string{".fits", ".fit", ".fts", ".fits.gz", ".fit.gz", ".fts.gz", ".fits.fz", ".fit.fz"}
}

// IsFrameName tells whether a watcher looks at files of such a name unless told
// otherwise.
func IsFrameName(path string) bool {
	return !hidden(path) && slices.ContainsFunc(frameExtensions(), func(e string) bool {
		return strings.HasSuffix(strings.ToLower(path), e)
	})
}

// NewWatcher prepares a watcher. It starts nothing and looks at nothing; see
// [Watcher.Run].
func NewWatcher(options Options) *Watcher {
	options.Quiet = cmp.Or(options.Quiet, DefaultQuiet)
	options.Rescan = cmp.Or(options.Rescan, DefaultRescan)
	options.Patience = cmp.Or(options.Patience, DefaultPatience)
	if len(options.Extensions) == 0 {
		options.Extensions = frameExtensions()
	}
	if options.Report == nil {
		options.Report = func(error) {}
	}
	w := &Watcher{options: options, files: map[string]*watched{}, pending: map[string]*watched{}, taken: map[uint64]string{}}
	for sum, path := range options.Taken {
		w.taken[sum] = path
	}
	return w
}

// Run watches until the context ends, which is no error. deliver is called on
// the goroutine of Run, so one arrival at a time; what happens meanwhile is
// caught up with. An error means that the folder could not be read to begin
// with. Run may be called again after it has returned, and goes on from where
// it stood; it must not run twice at a time.
func (w *Watcher) Run(ctx context.Context, deliver func(Arrival)) error {
	if w.options.PollOnly {
		return w.run(ctx, deliver, notices{})
	}
	// Without events (no more watches to be had, or a system that has none)
	// the searches do the work.
	n, err := fsnotify.NewWatcher()
	if err != nil {
		return w.run(ctx, deliver, notices{})
	}
	defer n.Close()
	return w.run(ctx, deliver, notices{n.Events, n.Errors, n.Add})
}

// notices are the operating system's events; the zero value has none.
type notices struct {
	events <-chan fsnotify.Event
	errors <-chan error
	watch  func(folder string) error
}

func (w *Watcher) run(ctx context.Context, deliver func(Arrival), n notices) error {
	if info, err := os.Stat(w.options.Folder); err != nil {
		return fmt.Errorf("watch folder: %w", err)
	} else if !info.IsDir() {
		return fmt.Errorf("watch folder: %s is not a folder", w.options.Folder)
	}
	first := w.options.SkipExisting && len(w.files) == 0
	rescan := time.Now()
	timer := time.NewTimer(0)
	defer timer.Stop()
	for ctx.Err() == nil {
		if now := time.Now(); !now.Before(rescan) {
			w.search(n)
			if first {
				first = false
				clear(w.pending)
			}
			// Not more than a twentieth of the time goes into searching.
			rescan = time.Now().Add(max(w.options.Rescan, 20*time.Since(now)))
		}
		w.settle(ctx)

		// With work at hand only glance at the events, else wait for one.
		if len(w.ready) > 0 {
			select {
			case e, open := <-n.events:
				w.notice(e, open, &n)
			case <-n.errors:
				rescan = time.Now() // events were lost
			default:
				w.take(ctx, deliver)
			}
			continue
		}
		timer.Reset(time.Until(w.next(rescan)))
		select {
		case <-ctx.Done():
		case <-timer.C:
		case e, open := <-n.events:
			w.notice(e, open, &n)
		case <-n.errors:
			rescan = time.Now()
		}
	}
	return nil
}

// next is when there is something to do.
func (w *Watcher) next(rescan time.Time) time.Time {
	for _, f := range w.pending {
		if f.due.Before(rescan) {
			rescan = f.due
		}
	}
	return rescan
}

// notice takes in an event.
func (w *Watcher) notice(e fsnotify.Event, open bool, n *notices) {
	if !open { // the system has stopped sending; the searches go on
		*n = notices{}
		return
	}
	info, err := os.Stat(e.Name)
	switch {
	case err != nil:
		// Gone: removed, or renamed to a name that has its own event.
		w.forget(e.Name)
	case info.IsDir():
		if e.Has(fsnotify.Create) && !hidden(e.Name) {
			s := search{watcher: w, notices: *n, visited: map[string]bool{}}
			s.folder(e.Name, 1)
		}
	case w.wanted(e.Name):
		f, known := w.files[e.Name]
		if known && e.Op == fsnotify.Chmod && w.pending[e.Name] == nil && !f.closed {
			f.seen = stampOf(info)
			return // rights or access time of a file that has been dealt with
		}
		w.changed(e.Name, info)
	}
}

// changed notes that a file appeared or changed and starts its quiet time.
func (w *Watcher) changed(path string, info fs.FileInfo) {
	if !info.Mode().IsRegular() { // opening a pipe would block
		w.forget(path)
		return
	}
	f, known := w.files[path]
	if !known {
		f = &watched{path: path}
		w.files[path] = f
	}
	w.unready(f)
	f.present, f.late, f.seen, f.changed = true, false, stampOf(info), time.Now()
	f.due = f.changed.Add(w.options.Quiet)
	w.pending[path] = f
}

// forget drops a file that is gone.
func (w *Watcher) forget(path string) {
	if f, known := w.files[path]; known {
		w.unready(f)
		delete(w.files, path)
		delete(w.pending, path)
	}
}

func (w *Watcher) unready(f *watched) {
	if i := slices.Index(w.ready, f); i >= 0 {
		w.ready = slices.Delete(w.ready, i, i+1)
	}
}

func hidden(path string) bool { return strings.HasPrefix(filepath.Base(path), ".") }

// wanted tells by its name whether a file may be a frame. Hidden files are
// others' work in progress.
func (w *Watcher) wanted(path string) bool {
	name := strings.ToLower(filepath.Base(path))
	return !hidden(name) && slices.ContainsFunc(w.options.Extensions, func(e string) bool { return strings.HasSuffix(name, e) })
}

// search walks the folder: it finds what no event told of and asks for events
// of every folder below.
func (w *Watcher) search(n notices) {
	for _, f := range w.files {
		f.present = false
	}
	s := search{watcher: w, notices: n, visited: map[string]bool{}}
	err := s.folder(w.options.Folder, 0)
	if (err == nil) != (w.broken == nil) {
		w.broken = err
		if err != nil {
			err = fmt.Errorf("the folder %s cannot be read; waiting for it: %w", w.options.Folder, err)
		}
		w.options.Report(err)
	}
	if s.failed {
		return // what was not found may be where it was not possible to look
	}
	for path, f := range w.files {
		if !f.present {
			w.forget(path)
		}
	}
}

type search struct {
	watcher *Watcher
	notices notices
	visited map[string]bool // real paths, against loops of symbolic links
	failed  bool
}

// maxDepth bounds the nesting of folders; by year, month, day, target and
// filter makes five.
const maxDepth = 32

func (s *search) folder(path string, depth int) error {
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		s.failed = true
		return err
	}
	if s.visited[real] || depth > maxDepth {
		return nil
	}
	s.visited[real] = true
	if s.notices.watch != nil {
		// First the watch, then the look: a file between the two is seen twice
		// rather than never. A refused watch leaves the searches.
		_ = s.notices.watch(path)
	}
	entries, err := os.ReadDir(path)
	if err != nil {
		s.failed = true
	}
	for _, e := range entries {
		full := filepath.Join(path, e.Name())
		if hidden(full) {
			continue
		}
		link := e.Type()&fs.ModeSymlink != 0
		if !e.IsDir() && !link && !s.watcher.wanted(full) {
			continue
		}
		info, infoErr := e.Info()
		if link {
			info, infoErr = os.Stat(full)
		}
		switch {
		case infoErr != nil: // gone again, or a link to nowhere
		case info.IsDir():
			// A folder below that cannot be read does not make the whole unreadable.
			_ = s.folder(full, depth+1)
		case s.watcher.wanted(full):
			s.file(full, info)
		}
	}
	return err
}

func (s *search) file(path string, info fs.FileInfo) {
	f, known := s.watcher.files[path]
	if known {
		f.present = true
	}
	if !known || f.seen != stampOf(info) || f.closed && readable(path) {
		s.watcher.changed(path, info)
	}
}

func readable(path string) bool {
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	f.Close()
	return true
}

// settle looks at the files whose quiet time is over and moves those that are
// whole to the ready ones, which it keeps sorted.
func (w *Watcher) settle(ctx context.Context) {
	now := time.Now()
	before := len(w.ready)
	for path, f := range w.pending {
		if ctx.Err() != nil {
			return
		}
		if now.Before(f.due) {
			continue
		}
		info, err := os.Stat(path)
		switch {
		case err != nil:
			w.forget(path)
			continue
		case f.seen != stampOf(info):
			w.changed(path, info)
			continue
		case w.options.Skip != nil && w.options.Skip(path, f.seen.size, f.seen.modified):
			delete(w.pending, path)
			continue
		}
		mid, err := peek(path, f.seen.size)
		if errors.Is(err, ErrIncomplete) && w.wait(f) {
			continue
		}
		if f.order = mid; mid.IsZero() {
			f.order = f.seen.modified
		}
		delete(w.pending, path)
		w.ready = append(w.ready, f)
	}
	if len(w.ready) > before {
		slices.SortFunc(w.ready, func(a, b *watched) int {
			return cmp.Or(b.order.Compare(a.order), cmp.Compare(b.path, a.path))
		})
	}
}

// wait puts off an incomplete file, as long as patience lasts.
func (w *Watcher) wait(f *watched) bool {
	now := time.Now()
	waited := now.Sub(f.changed)
	if waited >= w.options.Patience {
		f.late = true
		return false
	}
	// Longer and longer pauses, so that a folder of broken files costs little.
	f.due = now.Add(min(max(w.options.Quiet, waited/2), w.options.Patience-waited))
	w.pending[f.path] = f
	return true
}

// take reads the ready file that comes first in order of exposure and
// delivers it.
func (w *Watcher) take(ctx context.Context, deliver func(Arrival)) {
	last := len(w.ready) - 1
	f := w.ready[last]
	w.ready = w.ready[:last]

	data, err := readBytes(f.path)
	if errors.Is(err, fs.ErrNotExist) {
		w.forget(f.path)
		return
	}
	if info, statErr := os.Stat(f.path); statErr == nil && f.seen != stampOf(info) {
		w.changed(f.path, info) // it changed while it was being read
		return
	}
	a := Arrival{Path: f.path, Size: f.seen.size, Modified: f.seen.modified, Complete: f.changed, Err: err}
	f.closed = err != nil && !errors.Is(err, ErrUnsupported)
	if err == nil {
		// Without the zeros at the end: those that fill the last block may come
		// after the frame was delivered, or never.
		a.Sum = crc64.Checksum(bytes.TrimRight(data, "\x00"), sumTable)
		before, taken := w.taken[a.Sum]
		switch {
		case taken && before == f.path:
			return // touched, or written again as it was
		case taken && !exists(before):
			w.taken[a.Sum] = f.path // moved
			return
		case taken:
			a.Err = fmt.Errorf("%s: %w: the same bytes as %s", filepath.Base(f.path), ErrRepeated, filepath.Base(before))
		case w.superseded(f):
			w.taken[a.Sum] = f.path
			a.Err = fmt.Errorf("%s: %w", filepath.Base(f.path), ErrSuperseded)
			deliver(a)
			return
		default:
			a.Frame, a.Err = decodeUntil(ctx, filepath.Base(f.path), data)
		}
	}
	if ctx.Err() != nil {
		w.ready = append(w.ready, f) // the next Run begins with it
		return
	}
	switch {
	case a.Err == nil:
		f.refusal = ""
		w.taken[a.Sum] = f.path
	case errors.Is(a.Err, ErrIncomplete) && !f.late && w.wait(f):
		return
	case f.refusal == a.Err.Error():
		return // said before
	default:
		f.refusal = a.Err.Error()
	}
	deliver(a)
}

// superseded tells whether a frame is to be passed over for newer ones. A copy
// of it, which has the same time, is not newer.
func (w *Watcher) superseded(f *watched) bool {
	return w.options.Newest != nil && slices.ContainsFunc(w.ready, func(o *watched) bool { return o.order.After(f.order) }) && w.options.Newest()
}

// decodeUntil is Decode, but does not wait for it when ctx ends: a file made to
// be slow must not hold up the end of the program.
func decodeUntil(ctx context.Context, name string, data []byte) (*Frame, error) {
	type answer struct {
		frame *Frame
		err   error
	}
	answers := make(chan answer, 1)
	go func() {
		frame, err := Decode(name, data)
		answers <- answer{frame, err}
	}()
	select {
	case a := <-answers:
		return a.frame, a.err
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

var sumTable = crc64.MakeTable(crc64.ECMA)

// peek reads as much of a file as tells whether it is whole and when it was
// exposed. Errors other than incompleteness are left to the reading, and so is
// whether a packed file is whole.
func peek(path string, size int64) (mid time.Time, err error) {
	f, err := os.Open(path)
	if err != nil || size > maxFileBytes {
		return time.Time{}, nil
	}
	defer f.Close()
	defer func() {
		if r := recover(); r != nil {
			mid, err = time.Time{}, nil // told when the file is read
		}
	}()
	var found imageFound
	for start := 0; start == 0 || start < int(size); {
		u, err := unitAt(f, start, int(size))
		if errors.Is(err, ErrIncomplete) {
			return time.Time{}, err
		}
		if err != nil {
			break
		}
		if start == 0 {
			found.primary = u
		}
		if found.image == nil && (u.kind == imageUnit || u.kind == tilesUnit) {
			_ = found.take(u) // what cannot be read is told when it is read
		}
		if int(size)-u.dataStart < u.dataSize {
			return time.Time{}, fmt.Errorf("%w: %d of at least %d bytes are there", ErrIncomplete, size, u.dataStart+u.dataSize)
		}
		start = u.end()
	}
	if found.image == nil {
		return time.Time{}, nil
	}
	h, err := found.keywords()
	if err != nil {
		return time.Time{}, nil
	}
	return readMoment(h).mid, nil
}

// unitAt reads the header at an offset of a file, in pieces that grow until it
// is whole.
func unitAt(f *os.File, start, size int) (*unit, error) {
	for length := 4 * blockSize; ; length *= 4 {
		data := make([]byte, min(length, size-start))
		n, err := f.ReadAt(data, int64(start))
		if err != nil && !errors.Is(err, io.EOF) {
			return nil, err
		}
		u, err := readUnit(data[:n], start)
		if !errors.Is(err, ErrIncomplete) || length >= size-start {
			return u, err
		}
	}
}
