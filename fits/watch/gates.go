package watch

import (
	"cmp"
	"context"
	"errors"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"polard/fits"
)

// notice takes in an event.
func (w *Watcher) notice(ctx context.Context, e event, open bool, n *notices) error {
	if !open { // the system has stopped sending; the searches go on
		*n = notices{}
		return nil
	}
	info, err := w.access.stat(ctx, e.path)
	switch {
	case unanswered(ctx, err):
		return err
	case err != nil:
		// Gone: removed, or renamed to a name that has its own event.
		w.forget(e.path)
	case info.IsDir():
		if e.created && !hidden(e.path) {
			return w.searchBelow(ctx, e.path, *n)
		}
	case w.wanted(e.path):
		f, known := w.files[e.path]
		if known && e.rights && !e.closed && w.pending[e.path] == nil && !f.unopened {
			f.seen = stampOf(info)
			return nil // rights or access time of a file that has been dealt with
		}
		w.changed(e.path, info, e.closed)
	}
	return nil
}

// changed notes that a file appeared or changed and when to look at it: at once when its
// writer has closed it, or else after its quiet time.
func (w *Watcher) changed(path string, info fs.FileInfo, closed bool) {
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
	f.present, f.late, f.superseded, f.tried, f.seen, f.changed = true, false, false, false, stampOf(info), time.Now()
	f.due, f.still = f.changed.Add(w.options.Quiet), f.changed
	if closed { // it is read meanwhile
		f.due, f.still = f.changed, f.changed.Add(min(reopened, w.options.Quiet))
	}
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

// wanted tells by its name whether a file may be a frame. Hidden files are
// others' work in progress.
func (w *Watcher) wanted(path string) bool {
	name := strings.ToLower(filepath.Base(path))
	return !hidden(name) && slices.ContainsFunc(w.options.Extensions, func(e string) bool { return strings.HasSuffix(name, e) })
}

// stalled notes that the folder does not answer. Files wait for the search that finds that it does again.
func (w *Watcher) stalled(err error) {
	if errors.Is(err, ErrStalled) {
		w.report(err)
		for _, f := range w.pending {
			f.due = latest(f.due, time.Now().Add(w.options.Rescan))
		}
	}
}

func latest(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
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
		info, err := w.access.stat(ctx, path)
		switch {
		case unanswered(ctx, err):
			w.stalled(err)
			continue
		case err != nil:
			w.forget(path)
			continue
		case f.seen != stampOf(info):
			w.changed(path, info, false)
			continue
		case w.options.Skip != nil && w.options.Skip(path, f.seen.size, f.seen.modified):
			delete(w.pending, path)
			continue
		}
		type peeked struct {
			mid time.Time
			err error
		}
		size := f.seen.size
		p, err := ask(ctx, w.access, func(step func()) peeked {
			mid, err := fits.Peek(path, size, step)
			return peeked{mid, err}
		})
		if err != nil {
			w.stalled(err)
			continue
		}
		if errors.Is(p.err, fits.ErrIncomplete) && w.wait(f) {
			continue
		}
		if f.order = p.mid; f.order.IsZero() {
			f.order = f.seen.modified
		}
		delete(w.pending, path)
		w.ready = append(w.ready, f)
	}
	if len(w.ready) > before {
		w.sort()
	}
}

// sort puts the files that are whole into order, the newest first.
func (w *Watcher) sort() {
	slices.SortFunc(w.ready, func(a, b *watched) int {
		return cmp.Or(b.order.Compare(a.order), cmp.Compare(b.path, a.path))
	})
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
