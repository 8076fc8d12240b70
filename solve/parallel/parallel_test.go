package parallel

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
)

// A panic in one of the workers comes to the caller, after the others are done.
func TestInParallelPanics(t *testing.T) {
	defer func() {
		if r := recover(); r != "broken" {
			t.Errorf("the caller got %v", r)
		}
	}()
	Each(context.Background(), 4, 100, func(_, i int) {
		if i == 37 {
			panic("broken")
		}
	})
	t.Error("the panic was lost")
}

// What is begun is ended, each i once; after the end of the context nothing is begun.
func TestEachStops(t *testing.T) {
	for _, workers := range []int{1, 3} {
		for _, last := range []int64{0, 1, 40, 1000} {
			ctx, cancel := context.WithCancel(context.Background())
			var begun, ended [1000]atomic.Int64
			var n, known atomic.Int64 // begun in all, and by when all could know the end
			if last == 0 {
				cancel()
			}
			err := Each(ctx, workers, len(begun), func(worker, i int) {
				begun[i].Add(1)
				if n.Add(1) == last {
					cancel()
					known.Store(n.Load())
				}
				ended[i].Add(1)
			})
			cancel()
			if (last < 1000) != errors.Is(err, context.Canceled) && last != 1000 {
				t.Errorf("%d workers stopped after %d: %v", workers, last, err)
			}
			if got := n.Load(); got < last || got > known.Load()+int64(workers) {
				t.Errorf("%d workers stopped after %d, which all knew at %d, began %d", workers, last, known.Load(), got)
			}
			for i := range begun {
				if b := begun[i].Load(); b > 1 || b != ended[i].Load() {
					t.Errorf("%d was begun %d times", i, b)
				}
			}
		}
	}
}
