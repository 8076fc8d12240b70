package service

import (
	"context"
	"sync"
	"time"

	"polard/cmd/polard/internal/pipeline"
	"polard/web"
)

// activity is what goes on with frames that have no numbers yet. The goroutines of the watcher tell it, the controller's
// shows it.
type activity struct {
	queue   pipeline.Queue
	now     func() time.Time
	changed func() // called, on any goroutine, when there is something else to show

	mu       sync.Mutex
	file     string // being read; empty for none
	complete time.Time
	since    time.Time // when what goes on with it began
	waiting  int       // files that the watcher has not done with, that one included
	shown    bool      // the numbers of one of those are there: its picture is being made
}

// begin: a file is being read.
func (a *activity) begin(file string, complete time.Time) {
	a.mu.Lock()
	a.file, a.complete, a.since, a.shown = file, complete, a.now(), false
	a.mu.Unlock()
	a.changed()
}

// end: its numbers are there, or it has none.
func (a *activity) end() {
	a.queue.Done()
	a.mu.Lock()
	defer a.mu.Unlock()
	a.shown = a.shown || a.file != ""
	a.file = ""
}

// wait takes how many files wait, and whether one was exposed after the one being read.
func (a *activity) wait(files int, newer bool) {
	a.queue.Waiting(newer)
	a.mu.Lock()
	a.waiting, a.shown = files, a.shown && files > 0
	a.mu.Unlock()
	a.changed()
}

// deepen is that of the queue, announced.
func (a *activity) deepen(ctx context.Context) (context.Context, bool) {
	ctx, wanted := a.queue.Deepen(ctx)
	if wanted {
		a.mu.Lock()
		a.since = a.now()
		a.mu.Unlock()
		a.changed()
	}
	return ctx, wanted
}

// wire is what the page shows; nil when nothing goes on.
func (a *activity) wire() *web.Reading {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.file == "" {
		waiting := a.waiting
		if a.shown {
			waiting--
		}
		if waiting <= 0 {
			return nil
		}
		return &web.Reading{Stage: web.StageWaiting, Waiting: waiting}
	}
	r := &web.Reading{Stage: web.StageReading, File: a.file, ArrivedMs: a.complete.UnixMilli(), SinceMs: a.since.UnixMilli(), Waiting: max(a.waiting-1, 0)}
	if a.queue.Deep() {
		r.Stage = web.StageSearching
	}
	return r
}
