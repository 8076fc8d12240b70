package watch

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

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
	if !known || f.seen != stampOf(info) || f.unopened && readable(path) {
		s.watcher.changed(path, info, false)
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
