package service

import (
	"context"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"log/slog"
	"os"
	"path/filepath"
	"runtime/debug"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"polard/fits"
	"polard/fits/watch"
)

// errFileEndsService refuses a file that ended the service before.
var errFileEndsService = fmt.Errorf("%w: the service ended twice while it read this file, and passes it over: please report it with the file", fits.ErrUnsupported)

const (
	// mostCrashes of the service in one file are enough: once may be chance.
	mostCrashes = 2
	// noteEvery is how often the memory is noted while a file is being read.
	noteEvery = 200 * time.Millisecond
	// Signs that the file ended the service, and not somebody who killed it: the kernel has killed for want of memory since, or
	// the service was within a fifth of what the machine or its group may have, or had grown by as much as no frame takes, or
	// had been at the file for longer than any frame takes.
	nearLimit  = 0.8
	hugeGrowth = 1 << 30
	longRead   = time.Minute
	// mostNoted bounds the files remembered.
	mostNoted = 100
	// notedWithin is how long a file waits for its note, which takes a millisecond on a disk that does not hang. On one that
	// does, the next waits no more.
	notedWithin = 2 * time.Second
)

// attempts notes on the disk which file is being read, so that the next start knows what ended the last one. It does not
// wait for a disk that hangs.
type attempts struct {
	file, crash string
	memory      func() memory

	runs    atomic.Bool // run does, or is about to, and the disk takes what it writes
	mu      sync.Mutex
	noted   attemptsNoted
	changed chan struct{} // holds one when noted is to be written
}

// attemptsNoted is the file's content.
type attemptsNoted struct {
	Reading *attempt       `json:"reading,omitempty"`
	Crashes map[string]int `json:"crashes,omitempty"` // by each of keysOf
}

// memory is what the system tells of it: bytes, 0 where it is unknown, and how many processes it has killed for want of any.
type memory struct{ used, limit, kills int64 }

type attempt struct {
	Path    string    `json:"path"`
	Keys    []string  `json:"keys"`
	Begun   time.Time `json:"begun"`
	Noted   time.Time `json:"noted"`
	UsedAt0 int64     `json:"used_at_begin"`
	Used    int64     `json:"used"`
	Limit   int64     `json:"limit"`
	Kills0  int64     `json:"kills_at_begin"`

	written chan struct{} // closed when it is on the disk
}

// keysOf tell a file again: by all that is known before it is read, and by the sum of its content. Memory may end while it is
// read one time and while it is decoded the next.
func keysOf(of watch.Arrival) []string {
	keys := []string{fmt.Sprintf("%s, %d bytes of %d", of.Path, of.Size, of.Modified.UnixNano())}
	if of.Sum != 0 {
		keys = append(keys, strconv.FormatUint(of.Sum, 16))
	}
	return keys
}

// causedCrash tells whether a service that did not come to the end of the file was ended by it.
func (a *attempt) causedCrash(crashed bool, kills int64) bool {
	return crashed || kills > a.Kills0 || a.Limit > 0 && float64(a.Used) >= nearLimit*float64(a.Limit) || a.Used-a.UsedAt0 >= hugeGrowth || a.Noted.Sub(a.Begun) >= longRead
}

// newAttempts reads what the last run left in a folder of state.
func newAttempts(state, folder string, log *slog.Logger, inUse func() memory) *attempts {
	if absolute, err := filepath.Abs(folder); err == nil {
		folder = absolute
	}
	name := filepath.Join(state, fmt.Sprintf("reading-%08x", crc32.ChecksumIEEE([]byte(folder))))
	a := &attempts{file: name + ".json", crash: name + ".crash", memory: inUse, changed: make(chan struct{}, 1)}
	if b, err := os.ReadFile(a.file); err == nil {
		_ = json.Unmarshal(b, &a.noted) // damaged: nothing is known
	}
	info, err := os.Stat(a.crash)
	crashed := err == nil && info.Size() > 0
	if crashed {
		log.Error("the service crashed when it last ran: our fault, please report it with this file", "file", a.crash+".last")
		_ = os.Rename(a.crash, a.crash+".last")
	}
	if a.noted.Crashes == nil || len(a.noted.Crashes) > mostNoted {
		a.noted.Crashes = make(map[string]int)
	}
	if r := a.noted.Reading; r != nil && r.causedCrash(crashed, a.memory().kills) {
		for _, key := range r.Keys {
			a.noted.Crashes[key]++
		}
		log.Error("the service ended while it read a file", "file", r.Path, "times", a.crashes(r.Keys), "memory_mb", r.Used>>20)
	}
	a.noted.Reading = nil
	return a
}

// run writes until ctx ends. It owns the disk; nobody waits for it.
func (a *attempts) run(ctx context.Context) {
	if f, err := os.OpenFile(a.crash, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600); err == nil {
		_ = debug.SetCrashOutput(f, debug.CrashOptions{})
		f.Close() // the runtime has its own
	}
	a.write()
	tick := time.NewTicker(noteEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			a.write()
			return
		case <-a.changed:
		case <-tick.C:
			a.mu.Lock()
			reading := a.noted.Reading != nil
			a.mu.Unlock()
			if !reading {
				continue
			}
		}
		a.write()
		a.runs.Store(true)
	}
}

// write replaces the file. It need not outlive a power cut: that is nothing a frame does.
func (a *attempts) write() {
	m := a.memory()
	a.mu.Lock()
	r := a.noted.Reading
	if r != nil {
		if r.Noted.IsZero() {
			r.UsedAt0, r.Kills0 = m.used, m.kills
		}
		r.Noted, r.Used, r.Limit = time.Now(), m.used, m.limit
	}
	b, err := json.Marshal(a.noted)
	a.mu.Unlock()
	if err == nil {
		if err = os.WriteFile(a.file+".part", b, 0o600); err == nil {
			_ = os.Rename(a.file+".part", a.file) // what cannot be kept is not known next time
		}
	}
	if r != nil {
		select {
		case <-r.written:
		default:
			close(r.written)
		}
	}
}

// begin notes that a file is about to be read (its sum is 0) or decoded, until done is called, or refuses it. It waits for the disk, not for
// long, and not when ctx ends.
func (a *attempts) begin(ctx context.Context, of watch.Arrival) (done func(), err error) {
	r := &attempt{Path: of.Path, Keys: keysOf(of), Begun: time.Now(), written: make(chan struct{})}
	a.mu.Lock()
	if a.crashes(r.Keys) >= mostCrashes {
		a.mu.Unlock()
		return nil, errFileEndsService
	}
	a.noted.Reading = r
	a.mu.Unlock()
	a.wake()
	if a.runs.Load() {
		select {
		case <-r.written:
		case <-ctx.Done():
		case <-time.After(notedWithin):
			a.runs.Store(false)
		}
	}
	return func() {
		a.mu.Lock()
		defer a.mu.Unlock()
		a.noted.Reading = nil
		if of.Sum != 0 { // else the rest is to come
			for _, key := range r.Keys {
				delete(a.noted.Crashes, key)
			}
		}
		a.wake()
	}, nil
}

// crashes is how often the service ended in a file.
func (a *attempts) crashes(keys []string) (n int) {
	for _, key := range keys {
		n = max(n, a.noted.Crashes[key])
	}
	return n
}

func (a *attempts) wake() {
	select {
	case a.changed <- struct{}{}:
	default:
	}
}
