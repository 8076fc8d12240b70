package watch

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"sync"
	"sync/atomic"
	"time"
)

// ErrStalled: the folder does not answer. A network folder whose server is gone, or a file system that is a program which
// hangs, lets calls wait without end, and nothing but its answer ends them.
var ErrStalled = errors.New("it does not answer: is its disk or network away?")

// DefaultAnswers is how long a folder may take over one step: a disk that was asleep is there again in some seconds.
const DefaultAnswers = 5 * time.Second

// access goes to a folder on a goroutine of its own, so that whoever asks does not wait with it. One call at a time is out:
// each that hangs holds a thread.
type access struct {
	answers time.Duration
	busy    chan struct{} // holds one while a call is out
	steps   atomic.Uint64 // taken by calls

	mu   sync.Mutex
	hung bool // the call that is out was given up
}

func newAccess(answers time.Duration) *access {
	return &access{answers: answers, busy: make(chan struct{}, 1)}
}

// ask has f go to the folder and gives what it found. It gives up with ErrStalled when f, or the call that is out before it,
// takes no step for some time, and when ctx ends; f then goes on alone, and must touch nothing of the caller's.
func ask[T any](ctx context.Context, a *access, f func(step func()) T) (found T, err error) {
	a.mu.Lock()
	hung := a.hung
	a.mu.Unlock()
	if hung {
		return found, ErrStalled
	}
	timer := time.NewTimer(a.answers)
	defer timer.Stop()
	steps := a.steps.Load()
	stalled := func() bool {
		before := steps
		steps = a.steps.Load()
		timer.Reset(a.answers)
		return steps == before
	}
	for entered := false; !entered; {
		select {
		case a.busy <- struct{}{}:
			entered = true
		case <-ctx.Done():
			return found, ctx.Err()
		case <-timer.C:
			if stalled() {
				return found, ErrStalled
			}
		}
	}
	answer := make(chan T, 1)
	done := false
	go func() {
		v := f(func() { a.steps.Add(1) })
		a.mu.Lock()
		done, a.hung = true, false
		a.mu.Unlock()
		<-a.busy
		answer <- v
	}()
	for {
		select {
		case v := <-answer:
			return v, nil
		case <-ctx.Done():
			return found, ctx.Err()
		case <-timer.C:
			if !stalled() {
				continue
			}
			a.mu.Lock()
			a.hung = !done
			given := a.hung
			a.mu.Unlock()
			if given {
				return found, ErrStalled
			}
		}
	}
}

// stated is what the system tells of a file.
type stated struct {
	info fs.FileInfo
	err  error
}

func (a *access) stat(ctx context.Context, path string) (fs.FileInfo, error) {
	s, err := ask(ctx, a, func(func()) stated {
		info, err := os.Stat(path)
		return stated{info, err}
	})
	if err != nil {
		return nil, err
	}
	return s.info, s.err
}

// unanswered tells an error of asking from one of the folder's answers.
func unanswered(ctx context.Context, err error) bool {
	return errors.Is(err, ErrStalled) || err != nil && ctx.Err() != nil
}

// Stat is os.Stat for a folder that may hang: within the time that a watcher gives it.
func Stat(folder string) (fs.FileInfo, error) {
	return newAccess(DefaultAnswers).stat(context.Background(), folder)
}
