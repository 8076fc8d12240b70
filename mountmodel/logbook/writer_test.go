package logbook

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"polard/mountmodel/adjust"
)

// shelf is a store in memory that can be told to fail or to hang.
type shelf struct {
	mu      sync.Mutex
	fails   error
	hangs   bool
	begun   []Session
	writers map[int64]string
	entries map[int64][]Entry
}

func newShelf() *shelf {
	return &shelf{writers: make(map[int64]string), entries: make(map[int64][]Entry)}
}

func (s *shelf) open(context.Context) (Store, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s, s.fails
}

func (s *shelf) set(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.fails = err
}

func (s *shelf) Begin(_ context.Context, session Session, writer string) (int64, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.begun = append(s.begun, session)
	id := int64(len(s.begun))
	s.writers[id] = writer
	return id, s.fails
}

func (s *shelf) TakeOver(_ context.Context, id int64, writer string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.writers[id] = writer
	return s.fails
}

func (s *shelf) Append(ctx context.Context, id int64, writer string, entries []Entry) error {
	s.mu.Lock()
	hangs := s.hangs
	s.mu.Unlock()
	if hangs {
		<-ctx.Done()
		return ctx.Err()
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.fails != nil {
		return s.fails
	}
	if s.writers[id] != writer {
		return &Trouble{Code: TroubleTakenOver}
	}
	s.entries[id] = append(s.entries[id], entries...)
	return nil
}

func (s *shelf) Close() error { return nil }

func (s *shelf) Orphaned(context.Context, int64) (bool, error) { return false, nil }
func (s *shelf) Progress(context.Context, int64) (int64, map[uint64]bool, error) {
	return 0, nil, nil
}
func (s *shelf) Release(context.Context, int64, string) error { return nil }

func (s *shelf) kept(id int64) (seqs []int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, e := range s.entries[id] {
		seqs = append(seqs, e.Seq)
	}
	return seqs
}

func noteEntry(text string) Entry { return Entry{At: evening, Note: &Note{"steps", text}} }

// run runs a writer in a synctest bubble until stop is called.
func run(t *testing.T, k *Writer) (stop func() error) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- k.Run(ctx) }()
	return func() error { cancel(); return <-done }
}

// Entries are on the shelf soon, in order, each once; Append and Kept never wait
// for a store that fails; what it refused is written when it works again.
func TestWriterBridgesFailures(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newShelf()
		var told []string
		var k *Writer
		k = NewWriter(s.open, session(), func() {
			if tr := k.Trouble(); tr != nil {
				told = append(told, string(tr.Code))
			} else {
				told = append(told, "kept")
			}
		})
		stop := run(t, k)
		if seq := k.Append(noteEntry("a")); seq != 1 || !k.Written(t.Context(), seq) {
			t.Errorf("entry %d is not kept", seq)
		}
		s.set(&Trouble{Code: TroubleFull, Message: "the disk is full"})
		begin := time.Now()
		for i := range 50 {
			if k.Written(t.Context(), k.Append(noteEntry(fmt.Sprint(i)))) {
				t.Error("kept by a store that fails")
			}
		}
		if waited := time.Since(begin); waited > retryEvery {
			t.Errorf("waited %v for a store that fails", waited)
		}
		time.Sleep(time.Minute)
		if k.Trouble() == nil || k.Trouble().Code != TroubleFull {
			t.Errorf("trouble %v", k.Trouble())
		}
		s.set(&Trouble{Code: TroubleReadOnly})
		time.Sleep(time.Minute)
		s.set(nil)
		time.Sleep(2 * retryEvery)
		synctest.Wait()
		if k.Trouble() != nil {
			t.Errorf("trouble %v", k.Trouble())
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
		got := s.kept(1)
		if len(got) != 51 || !slices.IsSorted(got) || got[50] != 51 || len(s.begun) != 1 {
			t.Errorf("kept %v in %d sessions", got, len(s.begun))
		}
		if want := []string{"disk_full", "read_only", "kept"}; !slices.Equal(told, want) {
			t.Errorf("told %v, want %v", told, want)
		}
	})
}

// What was appended right before the end is written; a store that hangs does
// not hold the end up.
func TestWriterStops(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newShelf()
		k := NewWriter(s.open, session(), nil)
		stop := run(t, k)
		synctest.Wait()
		k.Append(noteEntry("last"))
		if err := stop(); err != nil || len(s.kept(1)) != 1 {
			t.Errorf("%v, kept %v", err, s.kept(1))
		}
		s.hangs = true
		k = NewWriter(s.open, session(), nil)
		stop = run(t, k)
		k.Append(noteEntry("never"))
		time.Sleep(time.Second)
		begin := time.Now()
		if err := stop(); err == nil {
			t.Error("a hanging store kept an entry")
		}
		if took := time.Since(begin); took > 2*lastWithin {
			t.Errorf("the end took %v", took)
		}
	})
}

// A session that is gone on with is counted on and taken over; when another
// process takes it over, that is told; when its file is taken away, a session
// begins in the new one, with the configuration of now.
func TestWriterGoesOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newShelf()
		old := session()
		old.ID, old.Count = 7, 41
		s.writers[7] = "a process that was killed"
		k := NewWriter(s.open, old, nil)
		stop := run(t, k)
		if seq := k.Append(noteEntry("a")); seq != 42 || !k.Written(t.Context(), seq) {
			t.Errorf("entry %d, trouble %v", seq, k.Trouble())
		}
		if err := s.TakeOver(t.Context(), 7, "another"); err != nil {
			t.Fatal(err)
		}
		k.Append(noteEntry("b"))
		synctest.Wait()
		if k.Trouble() == nil || k.Trouble().Code != TroubleTakenOver {
			t.Errorf("trouble %v", k.Trouble())
		}
		if err := stop(); err == nil {
			t.Error("the end says nothing of what was not kept")
		}
	})
	synctest.Test(t, func(t *testing.T) {
		s := newShelf()
		k := NewWriter(s.open, session(), nil)
		stop := run(t, k)
		c := config()
		c.Tolerance *= 3
		k.Written(t.Context(), k.Append(Entry{At: evening, Config: &c}))
		s.set(&Trouble{Code: TroubleGone})
		k.Append(noteEntry("b"))
		synctest.Wait()
		s.set(nil)
		time.Sleep(2 * retryEvery)
		if err := stop(); err != nil || len(s.begun) != 2 || s.begun[1].Called != c || !slices.Equal(s.kept(2), []int64{2}) {
			t.Errorf("%v, sessions %+v, kept %v", err, s.begun, s.kept(2))
		}
	})
}

// Beyond its bound the memory takes frames without their stars, and no more.
func TestWriterMemoryIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newShelf()
		s.set(errors.New("broken"))
		k := NewWriter(s.open, session(), nil)
		k.limit = 10 * 100 * pairBytes
		stop := run(t, k)
		for i := range 50 {
			k.Append(Entry{At: evening, Frame: frame(fmt.Sprint(i), 100)})
		}
		if k.bytes > k.limit {
			t.Errorf("%d bytes wait, at most %d may", k.bytes, k.limit)
		}
		s.set(nil)
		time.Sleep(2 * retryEvery)
		if err := stop(); err != nil || len(s.kept(1)) != 50 || k.bytes != 0 {
			t.Errorf("%v, kept %d, %d bytes", err, len(s.kept(1)), k.bytes)
		}
		for i, e := range s.entries[1] {
			if stars := len(e.Frame.Sighting.Pairs); (stars == 100) != (i < 10) {
				t.Errorf("frame %d has %d stars", i, stars)
			}
		}
	})
}

// A real file that is deleted under a running writer: the next entry begins a
// session in a new file.
func TestWriterFileTakenAway(t *testing.T) {
	path := inFolder(t)
	k := NewWriter(func(ctx context.Context) (Store, error) { return Open(ctx, path) }, session(), nil)
	k.retry = 20 * time.Millisecond
	stop := run(t, k)
	if !k.Written(t.Context(), k.Append(entries()[0])) {
		t.Fatal(k.Trouble())
	}
	for _, suffix := range []string{"", "-wal", "-shm"} {
		if err := os.Remove(path + suffix); err != nil && !errors.Is(err, os.ErrNotExist) {
			t.Fatal(err)
		}
	}
	seq := k.Append(noteEntry("b"))
	for end := time.Now().Add(10 * time.Second); !k.Written(t.Context(), seq) && time.Now().Before(end); {
		time.Sleep(5 * time.Millisecond)
	}
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	b := openTest(t, path)
	s, err := b.Last(t.Context(), "/nights", time.Time{})
	if err != nil || s == nil || !s.Placed || s.Called != config() {
		t.Fatalf("%+v, %v", s, err)
	}
	if got := read(t, b, s.ID); len(got) != 1 || got[0].Note == nil {
		t.Errorf("%+v", got)
	}
}

// Two processes write sessions of their own into one file at the same time.
func TestTwoWriters(t *testing.T) {
	path := inFolder(t)
	var group sync.WaitGroup
	for range 2 {
		group.Go(func() {
			k := NewWriter(func(ctx context.Context) (Store, error) { return Open(ctx, path) }, session(), nil)
			k.retry = 10 * time.Millisecond
			stop := run(t, k)
			for i := range 40 {
				seq := k.Append(Entry{At: evening, Frame: frame(fmt.Sprint(i), 50)})
				for !k.Written(t.Context(), seq) {
					time.Sleep(time.Millisecond)
				}
			}
			if err := stop(); err != nil {
				t.Error(err)
			}
		})
	}
	group.Wait()
	b := openTest(t, path)
	sessions, err := b.Sessions(t.Context(), time.Time{}, 0)
	if err != nil || len(sessions) != 2 || sessions[0].Count != 40 || sessions[1].Count != 40 {
		t.Fatalf("%+v, %v", sessions, err)
	}
	intact(t, b)
}

// An entry that has no stored form, here for its times, costs itself alone: those before and
// behind it are kept, its file is known after a restart, a command that cannot be kept is
// never said to be, and who is to know is told. In both kinds of file and database.
func TestEntryThatCannotBeWritten(t *testing.T) {
	far := time.Date(14_000, time.January, 1, 0, 0, 0, 0, time.UTC)
	path := inFolder(t)
	k := NewWriter(func(ctx context.Context) (Store, error) { return Open(ctx, path) }, session(), nil)
	k.retry = time.Millisecond
	var lost []int64
	k.Lost = func(e Entry, _ error) { lost = append(lost, e.Seq) }
	bad := frame("bad.fits", 40)
	bad.Sighting.Mid, bad.Sighting.Written, bad.Modified = far, far, far
	first := k.Append(noteEntry("first"))
	frameSeq := k.Append(Entry{At: evening, Frame: bad})
	command := k.Append(Entry{At: evening, Stroke: &adjust.Stroke{Bolt: adjust.AltitudeBolt, Turns: math.Inf(1)}})
	last := k.Append(noteEntry("last"))
	stop := run(t, k)
	if !k.Written(t.Context(), first) || !k.Written(t.Context(), last) || k.Written(t.Context(), command) {
		t.Errorf("kept: first %t, last %t, what cannot be %t", k.Written(t.Context(), first), k.Written(t.Context(), last), k.Written(t.Context(), command))
	}
	if k.Trouble() != nil {
		t.Errorf("trouble %v", k.Trouble())
	}
	next := k.Append(noteEntry("next"))
	if !k.Written(t.Context(), next) {
		t.Error("what comes later is not kept")
	}
	if err := stop(); err != nil {
		t.Error(err)
	}
	if !slices.Equal(lost, []int64{frameSeq, command}) {
		t.Errorf("told of %v", lost)
	}
	b := openTest(t, path)
	var seqs []int64
	for _, e := range read(t, b, 1) {
		seqs = append(seqs, e.Seq)
		if e.Frame != nil && (e.Frame.Sum != bad.Sum || e.Frame.Code == "" || len(e.Frame.Sighting.Pairs) != 0) {
			t.Errorf("of the frame is left %+v", e.Frame)
		}
	}
	if !slices.Equal(seqs, []int64{first, frameSeq, last, next}) {
		t.Errorf("entries %v", seqs)
	}
}

// A second writer takes a session over and ends, by its own word or killed: the first writes
// again, with what it was given meanwhile, and what the other wrote is neither lost nor there
// twice. While the other lives it does not.
func TestWritesAgainAfterAnother(t *testing.T) {
	for _, killed := range []bool{false, true} {
		path := inFolder(t)
		w := NewWriter(func(ctx context.Context) (Store, error) { return Open(ctx, path) }, session(), nil)
		w.retry = 10 * time.Millisecond
		stop := run(t, w)
		if !w.Written(t.Context(), w.Append(noteEntry("first"))) {
			t.Fatal("not kept")
		}
		b := openTest(t, path)
		id, other := w.SessionID(), writerName()
		shared, own := frame("both.fits", 3), frame("own.fits", 3)
		own.Sum = 99
		if err := errors.Join(b.TakeOver(t.Context(), id, other), b.Append(t.Context(), id, other, []Entry{
			{Seq: 2, At: evening, Frame: shared}, {Seq: 3, At: evening, Note: &Note{"steps", "the other's"}},
		})); err != nil {
			t.Fatal(err)
		}
		w.Append(Entry{At: evening, Frame: shared})
		w.Append(Entry{At: evening, Frame: own})
		command := w.Append(noteEntry("meanwhile"))
		for end := time.Now().Add(30 * time.Second); w.Trouble() == nil && time.Now().Before(end); {
			time.Sleep(10 * time.Millisecond)
		}
		time.Sleep(100 * time.Millisecond) // of further attempts
		if tr := w.Trouble(); tr == nil || tr.Code != TroubleTakenOver {
			t.Errorf("while the other lives: %v", tr)
		}
		if killed {
			// A process that began at another time than the one of that number has ended.
			ended := strings.Replace(other, "/"+processBegan(os.Getpid())+"/", "/1/", 1)
			if ended == other {
				t.Skip("no /proc")
			}
			if err := b.TakeOver(t.Context(), id, ended); err != nil {
				t.Fatal(err)
			}
		} else if err := b.Release(t.Context(), id, other); err != nil {
			t.Fatal(err)
		}
		for end := time.Now().Add(30 * time.Second); w.Trouble() != nil && time.Now().Before(end); {
			time.Sleep(10 * time.Millisecond)
		}
		if w.Trouble() != nil || w.Written(t.Context(), command) || !w.Written(t.Context(), w.Append(noteEntry("last"))) {
			t.Errorf("killed %t: %v; a command that was not kept in time is said to be: %t", killed, w.Trouble(), w.Written(t.Context(), command))
		}
		var got []string
		for _, e := range read(t, b, id) {
			if e.Note != nil {
				got = append(got, e.Note.Value)
			} else {
				got = append(got, e.Frame.Sighting.Name)
			}
		}
		if want := []string{"first", "both.fits", "the other's", "own.fits", "meanwhile", "last"}; !slices.Equal(got, want) {
			t.Errorf("killed %t: kept %q, want %q", killed, got, want)
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
	}
}

// intact has the database look over the whole file; a server looks after its own pages.
func intact(t testing.TB, b *Book) {
	t.Helper()
	if b.file == "" {
		return
	}
	if err := check(t.Context(), b.db, `PRAGMA integrity_check`); err != nil {
		t.Error(err)
	}
}
