// Package parallel shares the work of one loop among goroutines, and stops it when its context ends.
package parallel

import (
	"context"
	"sync"
	"sync/atomic"
)

// Each calls do(worker, i) for i in 0..n-1, spread over up to the given number of goroutines;
// worker, from 0, says in which of them. Once ctx ends no further i is begun; the error is then ctx's. Each
// returns when all that was begun has ended. A panic in one call goes on in the caller, where it can be contained.
func Each(ctx context.Context, workers, n int, do func(worker, i int)) error {
	if workers <= 1 || n <= 1 {
		for i := range n {
			if err := ctx.Err(); err != nil {
				return err
			}
			do(0, i)
		}
		return ctx.Err()
	}
	var next atomic.Int64
	var wg sync.WaitGroup
	var broke atomic.Pointer[any]
	for w := range min(workers, n) {
		wg.Go(func() {
			defer func() {
				if r := recover(); r != nil {
					broke.CompareAndSwap(nil, &r)
				}
			}()
			for i := int(next.Add(1) - 1); i < n && ctx.Err() == nil; i = int(next.Add(1) - 1) {
				do(w, i)
			}
		})
	}
	wg.Wait()
	if r := broke.Load(); r != nil {
		panic(*r)
	}
	return ctx.Err()
}
