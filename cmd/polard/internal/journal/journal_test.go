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

// A service that ended before it kept anything, killed or not, has begun the session all the same: what came since is new to
// the next one, whatever its time says, and so is what a later call asks for. Nothing of it shows in the logbook.
func TestEndedBeforeTheFirst(t *testing.T) {
	at := time.Date(2026, 3, 1, 20, 0, 0, 0, time.UTC)
	lay, asked, came := logbook.Stamp{Size: 1, Modified: at.AddDate(0, 0, -40)}, logbook.Stamp{Size: 2, Modified: at.Add(-3 * time.Hour)}, logbook.Stamp{Size: 3, Modified: at.AddDate(-10, 0, 0)}
	state := t.TempDir()
	start := func(at time.Time, older ...logbook.Stamp) (*Journal, context.CancelFunc) {
		begin := NewSession(at, "test", "folder", state, mountmodel.Config{}, false, 0)
		begin.Older = older
		j := Open(t.Context(), Options{Path: filepath.Join(state, logbook.FileName), Log: harness.Logger(&harness.Output{})}, begin)
		ctx, end := context.WithCancel(t.Context())
		var run sync.WaitGroup
		run.Go(func() { j.Run(ctx) })
		return j, func() { end(); run.Wait() }
	}
	check := func(j *Journal, olderCame bool) {
		t.Helper()
		if j.Session() != nil {
			t.Error("a session without entries is gone on with")
		}
		older := j.Older()
		for _, c := range []struct {
			file logbook.Stamp
			want bool
		}{{lay, true}, {asked, false}, {came, olderCame}} {
			if got := older("any", c.file.Size, c.file.Modified); got != c.want {
				t.Errorf("%+v is older: %v, want %v", c.file, got, c.want)
			}
		}
	}
	_, stop := start(at, lay, asked)
	other, stopOther := start(at.Add(time.Minute), lay, came) // of one that still runs nothing is taken
	check(other, true)
	stop()
	stopOther()
	for n := range 2 { // handed on from start to start
		j, stop := start(at.Add(time.Duration(n+2)*time.Minute), lay, came)
		check(j, false)
		stop()
	}
	j, stop := start(at.Add(nightLasts+time.Hour), lay, came) // another night
	check(j, true)
	stop()
	book, err := logbook.Open(t.Context(), filepath.Join(state, logbook.FileName))
	if err != nil {
		t.Fatal(err)
	}
	defer book.Close()
	if sessions, err := book.Sessions(t.Context(), time.Time{}, 0); err != nil || len(sessions) != 0 {
		t.Errorf("%v, %v", sessions, err)
	}
	if unused, err := book.Unused(t.Context(), j.begin.Folder); err != nil || len(unused) != 1 {
		t.Errorf("%d unused sessions lie in the logbook, %v", len(unused), err)
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
