package journal

import (
	"context"
	"fmt"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"polard/cmd/polard/internal/harness"
	"polard/mountmodel"
	"polard/mountmodel/logbook"
	"polard/web"
)

func open(t *testing.T, state string) *Journal {
	t.Helper()
	begin := NewSession(time.Now(), "test", "folder", state, mountmodel.Config{}, false, 0)
	return Open(t.Context(), Options{Path: filepath.Join(state, logbook.FileName), Log: harness.Logger(&harness.Output{})}, begin)
}

// Of values that several pages note under one key at the same time, the one that is last in memory is last in the logbook:
// the next start shows what the pages showed.
func TestNotesAtOnce(t *testing.T) {
	state := t.TempDir()
	j := open(t, state)
	ctx, end := context.WithCancel(t.Context())
	var written sync.WaitGroup
	written.Go(func() { j.Run(ctx) })
	notes := NewNotes(j)
	var pages sync.WaitGroup
	for page := range 8 {
		pages.Go(func() {
			for i := range 20 {
				if err := notes.SetNote(ctx, "tripod", fmt.Appendf(nil, `"%d of page %d"`, i, page)); err != nil {
					t.Error(err)
				}
				if err := notes.SetMarks(ctx, web.Marks{Words: fmt.Sprint(page, " ", i)}); err != nil {
					t.Error(err)
				}
			}
		})
	}
	pages.Wait()
	end()
	written.Wait()
	want, _ := notes.Note(t.Context(), "tripod")
	marks, _ := notes.Marks(t.Context())

	j = open(t, state)
	again := NewNotes(j)
	if got, _ := again.Note(t.Context(), "tripod"); string(got) != string(want) {
		t.Errorf("after a restart the note is %s, it was %s", got, want)
	}
	entries := 0
	if _, err := j.Replay(t.Context(), func(e logbook.Entry) error { entries++; again.Replay(e.Note); return nil }); err != nil {
		t.Fatal(err)
	}
	if got, _ := again.Marks(t.Context()); entries != 8*20*2 || got != marks {
		t.Errorf("%d entries; the marks are %+v, they were %+v", entries, got, marks)
	}
}

// A journal that keeps nothing takes everything.
func TestNone(t *testing.T) {
	j := None(harness.Logger(&harness.Output{}))
	j.Run(t.Context())
	notes := NewNotes(j)
	if err := notes.SetNote(t.Context(), "tripod", []byte(`"wet"`)); err != nil {
		t.Fatal(err)
	}
	if got, err := notes.Note(t.Context(), "tripod"); string(got) != `"wet"` || err != nil {
		t.Errorf("%s, %v", got, err)
	}
	if j.Append(logbook.Entry{}) != 0 || j.Trouble() != nil || j.Notices() != nil || j.Session() != nil || len(j.Taken()) != 0 {
		t.Error("it keeps something")
	}
}
