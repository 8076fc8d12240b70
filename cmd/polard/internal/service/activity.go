package service

import (
	"context"
	"sync"
	"time"

	"polard/web"
)

// activity is what goes on with frames that have no numbers yet. The goroutines of the watcher tell it, the controller's
// shows it.
type activity struct {
	now     func() time.Time
	changed func() // called, on any goroutine, when there is something else to show

	mu       sync.Mutex
	file     string // being read; empty for none
	complete time.Time
	since    time.Time // when what goes on with it began
	cancel   context.CancelFunc
	waiting  int  // files that are whole and not dealt with, that one included
	newer    bool // one of them was exposed after that one
}

// begin: a file is being read.
func (a *activity) begin(file string, complete time.Time) {
	a.mu.Lock()
	a.file, a.complete, a.since = file, complete, a.now()
	a.mu.Unlock()
	a.changed()
}

// end: its numbers are there, or it has none.
func (a *activity) end() {
	a.mu.Lock()
	if a.cancel != nil {
		a.cancel()
	}
	a.file, a.cancel = "", nil
	a.mu.Unlock()
}

// wait takes how many files wait. A newer one ends the deeper search of the one being read.
func (a *activity) wait(files int, newer bool) {
	a.mu.Lock()
	a.waiting, a.newer = files, newer
	if newer && a.cancel != nil {
		a.cancel()
	}
	a.mu.Unlock()
	a.changed()
}

// deepen tells whether a frame that was not solved at once is worth a deeper search, and gives the context that ends when
// a newer frame waits.
func (a *activity) deepen(ctx context.Context) (context.Context, bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.newer {
		return nil, false
	}
	ctx, a.cancel = context.WithCancel(ctx)
	a.since = a.now()
	a.changed()
	return ctx, true
}

// wire is what the page shows; nil when nothing goes on.
func (a *activity) wire() *web.Reading {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.file == "" {
		if a.waiting == 0 {
			return nil
		}
		return &web.Reading{Stage: web.StageWaiting, Waiting: a.waiting}
	}
	r := &web.Reading{Stage: web.StageReading, File: a.file, ArrivedMs: a.complete.UnixMilli(), SinceMs: a.since.UnixMilli(), Waiting: max(a.waiting-1, 0)}
	if a.cancel != nil {
		r.Stage = web.StageSearching
	}
	return r
}
