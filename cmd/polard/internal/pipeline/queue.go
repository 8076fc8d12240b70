package pipeline

import (
	"context"
	"sync"
)

// Queue has the deeper search of a frame give way to newer frames. Its methods may be called on any goroutine.
type Queue struct {
	mu     sync.Mutex
	newer  bool // than the frame being read
	cancel context.CancelFunc
}

// Waiting takes whether a newer frame waits: then the search of the one being read ends.
func (q *Queue) Waiting(newer bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.newer = newer; newer && q.cancel != nil {
		q.cancel()
	}
}

// Deepen is a Pipeline's: it allows the deeper search until a newer frame waits.
func (q *Queue) Deepen(ctx context.Context) (context.Context, bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.newer {
		return nil, false
	}
	ctx, q.cancel = context.WithCancel(ctx)
	return ctx, true
}

// Done ends what is left of a search: its frame has been dealt with.
func (q *Queue) Done() {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.cancel != nil {
		q.cancel()
	}
	q.cancel = nil
}

// Deep tells whether a deeper search goes on.
func (q *Queue) Deep() bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.cancel != nil
}
