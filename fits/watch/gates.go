package watch

import (
	"cmp"
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"polard/fits"
)

// notice takes in an event.
func (w *Watcher) notice(e event, open bool, n *notices) {
	if !open { // the system has stopped sending; the searches go on
		*n = notices{}
		return
	}
	info, err := os.Stat(e.path)
	switch {
	case err != nil:
		// Gone: removed, or renamed to a name that has its own event.
		w.forget(e.path)
	case info.IsDir():
		if e.created && !hidden(e.path) {
			s := search{watcher: w, notices: *n, visited: map[string]bool{}}
			s.folder(e.path, 1)
		}
	case w.wanted(e.path):
		f, known := w.files[e.path]
		if known && e.rights && !e.closed && w.pending[e.path] == nil && !f.unopened {
			f.seen = stampOf(info)
			return // rights or access time of a file that has been dealt with
		}
		w.changed(e.path, info, e.closed)
	}
}

// changed notes that a file appeared or changed and when to look at it: soon after its
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
	f.due = f.changed.Add(w.options.Quiet)
	if closed {
		f.due = f.changed.Add(min(reopened, w.options.Quiet))
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
			w.changed(path, info, false)
			continue
		case w.options.Skip != nil && w.options.Skip(path, f.seen.size, f.seen.modified):
			delete(w.pending, path)
			continue
		}
		mid, err := fits.Peek(path, f.seen.size)
		if errors.Is(err, fits.ErrIncomplete) && w.wait(f) {
			continue
		}
		if f.order = mid; mid.IsZero() {
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
