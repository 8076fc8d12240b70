package watch

import (
	"context"
	"os"
	"path/filepath"
	"time"

	"polard/fits"
)

// Stamp tells whether a file is still the one it was.
type Stamp struct {
	Size     int64
	Modified time.Time
}

// WrittenBefore lists the files below a folder that were last written before a time. It looks where a [Watcher] looks, so
// it follows symbolic links.
// Its error is ErrStalled.
func WrittenBefore(folder string, limit time.Time) (map[string]Stamp, error) {
	return ask(context.Background(), newAccess(DefaultAnswers), func(step func()) map[string]Stamp { return writtenBefore(folder, limit, step) })
}

func writtenBefore(folder string, limit time.Time, step func()) map[string]Stamp {
	old := make(map[string]Stamp)
	visited := make(map[string]bool) // against loops of links
	var look func(folder string)
	look = func(folder string) {
		real, err := filepath.EvalSymlinks(folder)
		if err != nil || visited[real] {
			return
		}
		visited[real] = true
		entries, err := os.ReadDir(folder)
		if err != nil {
			return // the watcher will tell
		}
		for _, entry := range entries {
			path := filepath.Join(folder, entry.Name())
			step()
			info, err := os.Stat(path)
			switch {
			case err != nil: // gone meanwhile, or a link to nowhere
			case info.IsDir():
				look(path)
			case fits.Written(info).Before(limit):
				old[path] = Stamp{info.Size(), fits.Written(info)}
			}
		}
	}
	look(folder)
	return old
}

// SkipWrittenBefore is an Options.Skip that passes over the files that WrittenBefore lists now, until they change; where the
// folder does not answer now, over all that were written before.
func SkipWrittenBefore(folder string, limit time.Time) func(path string, size int64, modified time.Time) bool {
	old, err := WrittenBefore(folder, limit)
	if err != nil {
		return func(_ string, _ int64, modified time.Time) bool { return modified.Before(limit) }
	}
	return func(path string, size int64, modified time.Time) bool {
		s, isOld := old[path]
		return isOld && s.Size == size && s.Modified.Equal(modified)
	}
}
