package solve

import (
	"context"
	"errors"
	"math/rand/v2"
	"runtime"
	"slices"
	"testing"
	"time"

	"polard/solve/costtest"
)

// mostWork is how much processor time may pass between the end of its context and the return of Solve.
// 20 ms are asked for, since whoever turns a bolt waits for the next frame, and each
// processor may work as long; the clock on the wall would tell how busy the machine is with other things. A collection
// of garbage may come between.
var mostWork = 20 * time.Millisecond * time.Duration(runtime.GOMAXPROCS(0)) * 2

// TestSolveStops ends the context at random moments: of the search in a frame without sky, while levels of
// the index are built, written and read, and of a frame that is solved. The error is the
// context's and no goroutine is left.
func TestSolveStops(t *testing.T) {
	const runs = 5
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	_, scattered := drawScene(noSkyCases[slices.IndexFunc(noSkyCases, func(c skyCase) bool { return c.name == "random stars" })], 4, 1)
	wide, sky := drawScene(skyCases[0], 32, 1)
	folder := t.TempDir()
	for _, k := range []struct {
		name   string
		solver func() *Solver
		image  Image
		hint   Hint
		within time.Duration // of the moments
	}{
		{"levels built", func() *Solver { return New(theCatalogue(), time.Now, "") }, scattered, Hint{}, 2 * time.Second},
		{"levels written", func() *Solver { return New(theCatalogue(), time.Now, t.TempDir()) }, scattered, Hint{}, 2 * time.Second},
		{"levels read", func() *Solver { return New(theCatalogue(), time.Now, folder) }, scattered, Hint{}, time.Second},
		{"search", theSolver, scattered, Hint{}, 2 * time.Second},
		{"solved", theSolver, sky, Hint{Scale: wide.camera.Scale, Epoch: wide.epoch}, 200 * time.Millisecond},
	} {
		t.Run(k.name, func(t *testing.T) {
			before := runtime.NumGoroutine()
			var late []time.Duration
			for range runs {
				s := k.solver()
				var ended time.Duration
				ctx, cancel := context.WithCancel(t.Context())
				timer := time.AfterFunc(time.Duration(rng.Int64N(int64(k.within))), func() {
					ended = costtest.ProcessorTime(t)
					cancel()
				})
				_, err := s.Solve(ctx, k.image, k.hint)
				returned := costtest.ProcessorTime(t)
				if timer.Stop() { // the answer came first
					cancel()
					continue
				}
				<-ctx.Done()
				if errors.Is(err, context.Canceled) {
					late = append(late, returned-ended)
				}
			}
			for wait := 0; runtime.NumGoroutine() > before && wait < 100; wait++ {
				time.Sleep(10 * time.Millisecond) // the timers' own
			}
			if n := runtime.NumGoroutine(); n > before {
				t.Errorf("%d goroutines, %d before", n, before)
			}
			if len(late) == 0 {
				t.Skip("all answers came first")
			}
			slices.Sort(late)
			t.Logf("%d of %d ended: %v of work more in the median, at most %v", len(late), runs, late[len(late)/2], late[len(late)-1])
			if most := late[len(late)-1]; most > mostWork && !raceEnabled { // its work is not ours
				t.Errorf("%v of work after the end", most)
			}
		})
	}
}
