package watch

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"strings"

	"polard/fits"
)

// search walks the folder: it finds what no event reported and asks for events
// of every folder below.
func (w *Watcher) search(ctx context.Context, n notices) {
	out := w.newWalk(n)
	s, err := ask(ctx, w.access, func(step func()) *walk {
		out.step = step
		out.err = out.folder(w.options.Folder, 0)
		return out
	})
	if ctx.Err() != nil {
		return
	}
	if err == nil {
		err = s.err
	}
	w.report(err)
	if unanswered(ctx, err) {
		return
	}
	w.visited = s.visited
	for _, f := range w.files {
		f.present = false
	}
	w.found(s)
	if s.failed {
		return // what was not found may be where it was not possible to look
	}
	for path, f := range w.files {
		if !f.present {
			w.forget(path)
		}
	}
}

// report tells whether the folder can be read, when that has changed.
func (w *Watcher) report(err error) {
	kindOf := func(err error) int {
		switch {
		case err == nil:
			return 0
		case errors.Is(err, ErrStalled):
			return 1
		}
		return 2
	}
	if kindOf(err) == kindOf(w.broken) {
		return
	}
	if w.broken = err; err != nil {
		err = fmt.Errorf("the folder %s cannot be read; waiting for it: %w", w.options.Folder, err)
	}
	w.options.Report(err)
}

// searchBelow walks a folder that has appeared below, but not what the last search found elsewhere: it may be a link to
// where that lies.
func (w *Watcher) searchBelow(ctx context.Context, path string, n notices) error {
	out := w.newWalk(n)
	maps.Copy(out.visited, w.visited)
	s, err := ask(ctx, w.access, func(step func()) *walk {
		out.step = step
		if real, err := filepath.EvalSymlinks(path); err == nil {
			maps.DeleteFunc(out.visited, func(folder string, _ bool) bool {
				return path == real && (folder == real || strings.HasPrefix(folder, real+string(filepath.Separator)))
			})
		}
		_ = out.folder(path, 1)
		return out
	})
	if err == nil {
		w.found(s)
	}
	return err
}

// newWalk is a walk that knows which files could not be opened.
func (w *Watcher) newWalk(n notices) *walk {
	s := &walk{wanted: w.wanted, watch: n.watch, visited: make(map[string]bool), unopened: make(map[string]bool)}
	for path, f := range w.files {
		if f.unopened {
			s.unopened[path] = true
		}
	}
	return s
}

// found takes in what a walk found.
func (w *Watcher) found(s *walk) {
	for _, o := range s.files {
		f, known := w.files[o.path]
		if known {
			f.present = true
		}
		if !known || f.seen != stampOf(o.info) || f.unopened && o.readable {
			w.changed(o.path, o.info, false)
		}
	}
}

// walk goes through folders; it touches nothing of the watcher's.
type walk struct {
	wanted   func(path string) bool
	watch    func(folder string) error
	step     func()
	unopened map[string]bool // files that could not be opened before

	visited map[string]bool // real paths, against loops of symbolic links
	files   []object
	failed  bool
	err     error
}

// object is a file that a walk found.
type object struct {
	path     string
	info     fs.FileInfo
	readable bool // one that could not be opened before
}

// maxDepth bounds the nesting of folders; by year, month, day, target and
// filter makes five.
const maxDepth = 32

func (s *walk) folder(path string, depth int) error {
	s.step()
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		s.failed = true
		return err
	}
	if s.visited[real] || depth > maxDepth {
		return nil
	}
	s.visited[real] = true
	if s.watch != nil {
		// First the watch, then the look: a file between the two is seen twice
		// rather than never. A refused watch leaves the searches.
		_ = s.watch(path)
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
		if !e.IsDir() && !link && !s.wanted(full) {
			continue
		}
		s.step()
		info, infoErr := e.Info()
		if link {
			info, infoErr = os.Stat(full)
		}
		switch {
		case infoErr != nil: // gone again, or a link to nowhere
		case info.IsDir():
			// A folder below that cannot be read does not make the whole unreadable.
			_ = s.folder(full, depth+1)
		case s.wanted(full):
			s.files = append(s.files, object{full, info, s.unopened[full] && fits.Readable(full)})
		}
	}
	return err
}
