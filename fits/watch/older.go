package watch

import (
	"context"
	"time"

	"polard/fits"
)

// Stamp tells whether a file is still the one it was.
type Stamp struct {
	Size     int64
	Modified time.Time
}

// WrittenBefore lists the files below a folder that were last written before a time, as far as a [Watcher] looks.
// Its error is ErrStalled.
func WrittenBefore(folder string, limit time.Time) (map[string]Stamp, error) {
	return ask(context.Background(), newAccess(DefaultAnswers), func(step func()) map[string]Stamp {
		w := walk{wanted: func(string) bool { return true }, step: step, visited: make(map[string]bool)}
		_ = w.folder(folder, 0) // what cannot be read the watcher reports
		old := make(map[string]Stamp)
		for _, f := range w.files {
			if written := fits.Written(f.info); written.Before(limit) {
				old[f.path] = Stamp{f.info.Size(), written}
			}
		}
		return old
	})
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
