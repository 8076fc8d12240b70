package logbook

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"polard/mountmodel"
)

// Store is where a [Writer] writes; [Book] is one.
type Store interface {
	Begin(ctx context.Context, s Session, writer string) (int64, error)
	TakeOver(ctx context.Context, id int64, writer string) error
	Append(ctx context.Context, id int64, writer string, entries []Entry) error
	Orphaned(ctx context.Context, id int64) (bool, error)
	Progress(ctx context.Context, id int64) (last int64, sums map[uint64]bool, err error)
	Release(ctx context.Context, id int64, writer string) error
	Close() error
}

// Times of a [Writer].
const (
	// retryEvery is the pause between attempts to write to a store that
	// refuses: someone who makes room on a disk looks at the page for longer.
	retryEvery = 5 * time.Second
	// writeWithin bounds one attempt: SD cards pause for seconds when busy.
	writeWithin = 20 * time.Second
	// lastWithin bounds the attempt at the end of the service, which has to
	// stop within two seconds.
	lastWithin = 400 * time.Millisecond
)

// mostWaiting bounds the entries that wait in memory, in bytes of matched
// stars: over a night of 10,000 frames with 200 stars. Beyond it frames are
// kept without their stars.
const mostWaiting = 128 << 20

// Writer writes a session's entries to a store on its own goroutine, so that
// nobody waits for a disk. What the store refuses stays in memory and is tried
// again. Constructors start nothing; see [Writer.Run].
type Writer struct {
	open    func(context.Context) (Store, error)
	changed func() // called, from any goroutine, when Trouble changes
	// Lost hears, on the goroutine of Run, of an entry that cannot be written; of a frame
	// the file is kept even so. Nil for nobody.
	Lost  func(Entry, error)
	name  string // of this process, in the store
	retry time.Duration
	wake  chan struct{}
	limit int

	mu      sync.Mutex
	session Session       // ID 0 until it is in the store
	next    int64         // number of the next entry
	waiting []Entry       // not yet in the store, oldest first
	bytes   int           // of matched stars in waiting
	written chan struct{} // closed and made anew whenever something was written or refused
	trouble *Trouble
	config  *mountmodel.Config // the newest
	lost    map[int64]bool     // numbers of entries that could not be written

	store Store // only Run's goroutine uses it
	ours  bool  // the session is ours to write
}

// NewWriter keeps a session in the store that open gives; it is opened again
// after it failed. A session that is in the store already has an ID, and its
// entries are counted on. changed, if not nil, hears of a change of
// [Writer.Trouble].
func NewWriter(open func(context.Context) (Store, error), session Session, changed func()) *Writer {
	if changed == nil {
		changed = func() {}
	}
	return &Writer{
		open: open, changed: changed, name: writerName(), retry: retryEvery, limit: mostWaiting,
		session: session, next: session.Count + 1,
		lost: make(map[int64]bool), wake: make(chan struct{}, 1), written: make(chan struct{}),
	}
}

// Renew has the writer begin another session, in place of one to which nothing
// was appended yet.
func (w *Writer) Renew(session Session) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.session, w.next = session, session.Count+1
}

// Begin has a new session in the store before Run is called, if that can be done before ctx
// ends: what lay in the folder when it began is then known even if nothing else is ever
// written.
func (w *Writer) Begin(ctx context.Context) { w.write(ctx) }

// Append adds an entry and gives its number. It does not wait for the disk.
func (w *Writer) Append(e Entry) int64 {
	w.mu.Lock()
	defer w.mu.Unlock()
	e.Seq = w.next
	w.next++
	if e.Config != nil && !e.Unplaced {
		w.config = e.Config
	}
	if e.Frame != nil {
		if n := len(e.Frame.Sighting.Pairs) * pairBytes; w.bytes+n > w.limit {
			f := *e.Frame
			f.Sighting.Pairs = nil
			e.Frame = &f
		} else {
			w.bytes += n
		}
	}
	w.waiting = append(w.waiting, e)
	select {
	case w.wake <- struct{}{}:
	default:
	}
	return e.Seq
}

// Trouble says why the newest entries are not in the store; nil when nothing
// is wrong.
func (w *Writer) Trouble() *Trouble {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.trouble
}

// SessionID is the session's number in the store; 0 while it is not in there.
func (w *Writer) SessionID() int64 {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.session.ID
}

// Written waits until the entry with a number is in the store. It gives false
// when the store refuses or ctx ends.
func (w *Writer) Written(ctx context.Context, seq int64) bool {
	for {
		w.mu.Lock()
		done, lost, trouble, written := len(w.waiting) == 0 || w.waiting[0].Seq > seq, w.lost[seq], w.trouble, w.written
		w.mu.Unlock()
		if done || trouble != nil || lost {
			return done && !lost
		}
		select {
		case <-written:
		case <-ctx.Done():
			return false
		}
	}
}

// Run writes until ctx ends, then what is left, and closes the store. It gives
// the trouble that kept the last entries from being written, or nil.
func (w *Writer) Run(ctx context.Context) error {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			last, cancel := context.WithTimeout(context.WithoutCancel(ctx), lastWithin)
			defer cancel()
			w.write(last)
			if id := w.SessionID(); w.store != nil && w.ours && id != 0 {
				_ = w.store.Release(last, id, w.name) // else its process is seen to be gone
			}
			w.close()
			if t := w.Trouble(); t != nil {
				return t
			}
			return nil
		case <-w.wake:
			if w.Trouble() != nil {
				continue // the timer decides when to try again
			}
		case <-timer.C:
		}
		attempt, cancel := context.WithTimeout(ctx, writeWithin)
		w.write(attempt)
		cancel()
		if w.Trouble() != nil {
			timer.Reset(w.retry)
		}
	}
}

// write writes all that waits.
func (w *Writer) write(ctx context.Context) {
	w.mu.Lock()
	batch := w.waiting[:len(w.waiting):len(w.waiting)]
	session, before := w.session, w.trouble
	w.mu.Unlock()
	if len(batch) == 0 && before == nil && w.store != nil {
		return
	}
	err := w.put(ctx, &session, batch)
	for {
		if bad, ok := errors.AsType[*EntryError](err); ok {
			batch = w.without(batch, bad)
		} else if errors.Is(err, errRetaken) {
			w.mu.Lock()
			batch = w.waiting[:len(w.waiting):len(w.waiting)]
			w.mu.Unlock()
		} else {
			break
		}
		err = w.put(ctx, &session, batch)
	}
	if errors.Is(err, context.Canceled) {
		return // the service stops; one more attempt is to come
	}
	w.mu.Lock()
	w.session = session
	if err == nil {
		w.trouble = nil
		for _, e := range batch {
			if e.Frame != nil {
				w.bytes -= len(e.Frame.Sighting.Pairs) * pairBytes
			}
		}
		if w.waiting = w.waiting[len(batch):]; len(w.waiting) == 0 {
			w.waiting = nil // lets go of what was written
		}
	} else {
		w.trouble = troubleFrom(err)
	}
	told := (before == nil) != (w.trouble == nil) || before != nil && w.trouble != nil && before.Code != w.trouble.Code
	close(w.written)
	w.written = make(chan struct{})
	w.mu.Unlock()
	if told {
		w.changed()
	}
}

// without takes an entry that cannot be written out of what waits. Of a frame the file
// stays, so that it is not taken for a new one.
func (w *Writer) without(batch []Entry, bad *EntryError) []Entry {
	w.mu.Lock()
	at := slices.IndexFunc(w.waiting, func(e Entry) bool { return e.Seq == bad.Seq })
	if at < 0 { // a store that names another's: nothing of it would ever be written
		at = 0
	}
	e := w.waiting[at]
	w.lost[e.Seq] = true
	if f := e.Frame; f != nil {
		w.bytes -= len(f.Sighting.Pairs) * pairBytes
	}
	n := len(batch)
	if f := e.Frame; f != nil && f.Code != codeUnwritable {
		bare := &Frame{Path: f.Path, Size: f.Size, Modified: f.Modified, Sum: f.Sum, Complete: f.Complete, Code: codeUnwritable}
		bare.Sighting.Name, bare.Sighting.Refused = f.Sighting.Name, "what was read of it could not be kept in the logbook"
		w.waiting[at] = Entry{Seq: e.Seq, At: e.At, Frame: bare}
	} else {
		w.waiting = slices.Delete(w.waiting, at, at+1)
		n--
	}
	batch = w.waiting[:n:n]
	w.mu.Unlock()
	if w.Lost != nil {
		w.Lost(e, bad)
	}
	return batch
}

// codeUnwritable marks a frame of which only the file could be kept.
const codeUnwritable = "unwritable"

// put brings a batch into the store. After a failure the store is opened anew,
// as its disk may have gone and come back.
func (w *Writer) put(ctx context.Context, session *Session, batch []Entry) (err error) {
	defer func() {
		if _, ofEntry := errors.AsType[*EntryError](err); err != nil && !ofEntry {
			w.close()
		}
	}()
	if w.store == nil {
		if w.store, err = w.open(ctx); err != nil {
			w.store = nil
			return err
		}
	}
	if session.ID == 0 {
		if session.ID, err = w.store.Begin(ctx, *session, w.name); err != nil {
			session.ID = 0
			return err
		}
		w.ours = true
	}
	if len(batch) == 0 {
		return nil
	}
	if !w.ours {
		if err := w.store.TakeOver(ctx, session.ID, w.name); err != nil {
			return err
		}
		w.ours = true
		if err := w.behind(ctx, session); err != nil {
			return err
		}
	}
	err = w.store.Append(ctx, session.ID, w.name, batch)
	if t, known := errors.AsType[*Trouble](err); known && t.Code == TroubleTakenOver {
		if taken := w.retake(ctx, session.ID); taken != nil {
			return taken
		}
		return err
	}
	if _, ofEntry := errors.AsType[*EntryError](err); err != nil && !ofEntry && troubleFrom(err).Code == TroubleGone {
		// The file was taken away: what is still to be written begins a session
		// in the one that comes in its place, with the configuration of now.
		session.ID = 0
		session.Begun, session.Called, session.Placed = batch[0].At, w.configured(session.Called), true
	}
	return err
}

// configured is the newest configuration, or the one given when there is none.
func (w *Writer) configured(called mountmodel.Config) mountmodel.Config {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.config != nil {
		return *w.config
	}
	return called
}

func (w *Writer) close() {
	if w.store != nil {
		_ = w.store.Close() // what was committed is on the disk
		w.store = nil
	}
}
