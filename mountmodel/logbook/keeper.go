package logbook

import (
	"context"
	"crypto/rand"
	"errors"
	"slices"
	"sync"
	"time"

	"polard/mountmodel"
)

// Store is where a [Keeper] writes; [Book] is one.
type Store interface {
	Begin(ctx context.Context, s Session, keeper string) (int64, error)
	TakeOver(ctx context.Context, id int64, keeper string) error
	Append(ctx context.Context, id int64, keeper string, entries []Entry) error
	Close() error
}

// Times of a [Keeper].
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

// Keeper writes a session's entries to a store on its own goroutine, so that
// nobody waits for a disk. What the store refuses stays in memory and is tried
// again. Constructors start nothing; see [Keeper.Run].
type Keeper struct {
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

// NewKeeper keeps a session in the store that open gives; it is opened again
// after it failed. A session that is in the store already has an ID, and its
// entries are counted on. changed, if not nil, hears of a change of
// [Keeper.Trouble].
func NewKeeper(open func(context.Context) (Store, error), session Session, changed func()) *Keeper {
	if changed == nil {
		changed = func() {}
	}
	return &Keeper{
		open: open, changed: changed, name: rand.Text(), retry: retryEvery, limit: mostWaiting,
		session: session, next: session.Count + 1,
		lost: make(map[int64]bool), wake: make(chan struct{}, 1), written: make(chan struct{}),
	}
}

// Renew has the keeper begin another session, in place of one to which nothing
// was appended yet.
func (k *Keeper) Renew(session Session) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.session, k.next = session, session.Count+1
}

// Append adds an entry and gives its number. It does not wait for the disk.
func (k *Keeper) Append(e Entry) int64 {
	k.mu.Lock()
	defer k.mu.Unlock()
	e.Seq = k.next
	k.next++
	if e.Config != nil && !e.Unplaced {
		k.config = e.Config
	}
	if e.Frame != nil {
		if n := len(e.Frame.Sighting.Pairs) * pairBytes; k.bytes+n > k.limit {
			f := *e.Frame
			f.Sighting.Pairs = nil
			e.Frame = &f
		} else {
			k.bytes += n
		}
	}
	k.waiting = append(k.waiting, e)
	select {
	case k.wake <- struct{}{}:
	default:
	}
	return e.Seq
}

// Trouble says why the newest entries are not in the store; nil when nothing
// is wrong.
func (k *Keeper) Trouble() *Trouble {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.trouble
}

// SessionID is the session's number in the store; 0 while it is not in there.
func (k *Keeper) SessionID() int64 {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.session.ID
}

// Kept waits until the entry with a number is in the store. It gives false
// when the store refuses or ctx ends.
func (k *Keeper) Kept(ctx context.Context, seq int64) bool {
	for {
		k.mu.Lock()
		done, lost, trouble, written := len(k.waiting) == 0 || k.waiting[0].Seq > seq, k.lost[seq], k.trouble, k.written
		k.mu.Unlock()
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
func (k *Keeper) Run(ctx context.Context) error {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			last, cancel := context.WithTimeout(context.WithoutCancel(ctx), lastWithin)
			defer cancel()
			k.write(last)
			k.close()
			if t := k.Trouble(); t != nil {
				return t
			}
			return nil
		case <-k.wake:
			if k.Trouble() != nil {
				continue // the timer decides when to try again
			}
		case <-timer.C:
		}
		attempt, cancel := context.WithTimeout(ctx, writeWithin)
		k.write(attempt)
		cancel()
		if k.Trouble() != nil {
			timer.Reset(k.retry)
		}
	}
}

// write writes all that waits.
func (k *Keeper) write(ctx context.Context) {
	k.mu.Lock()
	batch := k.waiting[:len(k.waiting):len(k.waiting)]
	session, before := k.session, k.trouble
	k.mu.Unlock()
	if len(batch) == 0 && before == nil && k.store != nil {
		return
	}
	err := k.put(ctx, &session, batch)
	for {
		bad, ok := errors.AsType[*EntryError](err)
		if !ok {
			break
		}
		batch = k.without(batch, bad)
		err = k.put(ctx, &session, batch)
	}
	if errors.Is(err, context.Canceled) {
		return // the service stops; one more attempt is to come
	}
	k.mu.Lock()
	k.session = session
	if err == nil {
		k.trouble = nil
		for _, e := range batch {
			if e.Frame != nil {
				k.bytes -= len(e.Frame.Sighting.Pairs) * pairBytes
			}
		}
		if k.waiting = k.waiting[len(batch):]; len(k.waiting) == 0 {
			k.waiting = nil // lets go of what was written
		}
	} else {
		k.trouble = troubleFrom(err)
	}
	told := (before == nil) != (k.trouble == nil) || before != nil && k.trouble != nil && before.Code != k.trouble.Code
	close(k.written)
	k.written = make(chan struct{})
	k.mu.Unlock()
	if told {
		k.changed()
	}
}

// without takes an entry that cannot be written out of what waits. Of a frame the file
// stays, so that it is not taken for a new one.
func (k *Keeper) without(batch []Entry, bad *EntryError) []Entry {
	k.mu.Lock()
	at := slices.IndexFunc(k.waiting, func(e Entry) bool { return e.Seq == bad.Seq })
	if at < 0 { // a store that names another's: nothing of it would ever be written
		at = 0
	}
	e := k.waiting[at]
	k.lost[e.Seq] = true
	if f := e.Frame; f != nil {
		k.bytes -= len(f.Sighting.Pairs) * pairBytes
	}
	n := len(batch)
	if f := e.Frame; f != nil && f.Code != codeUnwritable {
		bare := &Frame{Path: f.Path, Size: f.Size, Modified: f.Modified, Sum: f.Sum, Complete: f.Complete, Code: codeUnwritable}
		bare.Sighting.Name, bare.Sighting.Refused = f.Sighting.Name, "what was read of it could not be kept in the logbook"
		k.waiting[at] = Entry{Seq: e.Seq, At: e.At, Frame: bare}
	} else {
		k.waiting = slices.Delete(k.waiting, at, at+1)
		n--
	}
	batch = k.waiting[:n:n]
	k.mu.Unlock()
	if k.Lost != nil {
		k.Lost(e, bad)
	}
	return batch
}

// codeUnwritable marks a frame of which only the file could be kept.
const codeUnwritable = "unwritable"

// put brings a batch into the store. After a failure the store is opened anew,
// as its disk may have gone and come back.
func (k *Keeper) put(ctx context.Context, session *Session, batch []Entry) (err error) {
	defer func() {
		if _, ofEntry := errors.AsType[*EntryError](err); err != nil && !ofEntry {
			k.close()
		}
	}()
	if k.store == nil {
		if k.store, err = k.open(ctx); err != nil {
			k.store = nil
			return err
		}
	}
	if len(batch) == 0 {
		return nil
	}
	if session.ID == 0 {
		if session.ID, err = k.store.Begin(ctx, *session, k.name); err != nil {
			session.ID = 0
			return err
		}
		k.ours = true
	}
	if !k.ours {
		if err := k.store.TakeOver(ctx, session.ID, k.name); err != nil {
			return err
		}
		k.ours = true
	}
	err = k.store.Append(ctx, session.ID, k.name, batch)
	if err != nil && troubleFrom(err).Code == TroubleGone {
		// The file was taken away: what is still to be written begins a session
		// in the one that comes in its place, with the configuration of now.
		session.ID = 0
		session.Begun, session.Called, session.Placed = batch[0].At, k.configured(session.Called), true
	}
	return err
}

// configured is the newest configuration, or the one given when there is none.
func (k *Keeper) configured(called mountmodel.Config) mountmodel.Config {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.config != nil {
		return *k.config
	}
	return called
}

func (k *Keeper) close() {
	if k.store != nil {
		_ = k.store.Close() // what was committed is on the disk
		k.store = nil
	}
}
