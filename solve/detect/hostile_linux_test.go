package detect

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"polard/solve/costtest"
	"polard/solve/detect/drawn"
)

// hostile are images that no camera takes: what stands out, joins or is full in them is without bound.
var hostile = []struct {
	name string
	draw func(x, y, height int, rng *rand.Rand) float64
}{
	{"noise in the first rows", func(x, y, height int, rng *rand.Rand) float64 { // a transfer that was cut off
		if y < height*7/100 {
			return 1000 + math.Round(30*rng.NormFloat64())
		}
		return 0
	}},
	{"a few rows of anything", func(x, y, height int, rng *rand.Rand) float64 {
		if y < 100 {
			return float64(rng.IntN(1 << 16))
		}
		return 0
	}},
	{"noise with long tails", func(x, y, height int, rng *rand.Rand) float64 { return rng.NormFloat64() / rng.NormFloat64() }},
	{"blocks", func(x, y, height int, rng *rand.Rand) float64 {
		return 100 + 10*rng.NormFloat64() + 1000*float64(b2i(x%8 < 3 && y%8 < 3))
	}},
	{"holes", func(x, y, height int, rng *rand.Rand) float64 {
		return 1000 + 10*rng.NormFloat64() - 500*float64(b2i(x%6 < 3 && y%6 < 3))
	}},
	{"a third full", func(x, y, height int, rng *rand.Rand) float64 {
		return max(100+10*rng.NormFloat64(), 65535*float64(b2i(rng.IntN(3) == 0)))
	}},
	{"waves on a bowl", func(x, y, height int, rng *rand.Rand) float64 {
		return float64(x*x+y*y) / 1e3 * (1 + 0.5*math.Sin(float64(x)/40)*math.Sin(float64(y)/37))
	}},
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

func drawHostile(k, side int) Image {
	rng := rand.New(rand.NewPCG(uint64(k), 1))
	img := Image{Width: side, Height: side - 1, Pix: make([]float32, side*(side-1)), Saturation: 65535}
	for i := range img.Pix {
		img.Pix[i] = float32(hostile[k].draw(i%side, i/side, side, rng))
	}
	return img
}

// bytesPerPixel that Find takes beside the image's own 4, with those that are garbage at the 12 % that the program allows.
const bytesPerPixel = 8

// someMB is what a process takes that finds the stars of a small image, and by how much its
// heap grows at a time.
const someMB = 128

// TestMemoryIsBounded finds stars in hostile images, in a process that may have 12 bytes a pixel and some megabytes.
func TestMemoryIsBounded(t *testing.T) {
	if name := os.Getenv("POLARD_HOSTILE"); name != "" {
		findInLimits(t, name)
		return
	}
	if raceEnabled {
		t.Skip("the race detector takes memory of its own")
	}
	for k, h := range hostile {
		if testing.Short() && k%3 > 0 {
			continue
		}
		t.Run(h.name, func(t *testing.T) {
			c := exec.Command(os.Args[0], "-test.run=^TestMemoryIsBounded$", "-test.v")
			c.Env = append(os.Environ(), "POLARD_HOSTILE="+h.name)
			out, err := c.CombinedOutput()
			if err != nil || !strings.Contains(string(out), "bytes a pixel") {
				t.Errorf("%v\n%.2000s", err, out)
			}
		})
	}
}

// findInLimits is what the process does.
func findInLimits(t *testing.T, name string) {
	const side = 3000
	const pixels = side * (side - 1)
	debug.SetGCPercent(12) // as the program does
	limit := uint64((bytesPerPixel+4)*pixels + someMB<<20)
	if err := syscall.Setrlimit(syscall.RLIMIT_DATA, &syscall.Rlimit{Cur: limit, Max: limit}); err != nil {
		t.Skip(err)
	}
	for k, h := range hostile {
		if h.name != name {
			continue
		}
		img := drawHostile(k, side)
		// As the program does: how late garbage is collected would otherwise hang on what else the machine has to do.
		var before runtime.MemStats
		runtime.ReadMemStats(&before)
		debug.SetMemoryLimit(int64(before.Sys-before.HeapReleased) + bytesPerPixel*pixels)
		_, grown := costtest.Of(t, 1, func(int) {
			if _, err := Find(t.Context(), img); err != nil {
				t.Log(err)
			}
		})
		took := grown * 1e6 / pixels
		fmt.Printf("%.2f bytes a pixel\n", took)
		if took > bytesPerPixel+0.7 { // stacks, tables and the program's own pages: 6 MB
			t.Errorf("%.2f bytes a pixel", took)
		}
	}
}

// mostWork is how much processor time may pass between the end of its context and the return of Find: 20 ms on each processor;
// a collection of garbage may come between.
var mostWork = 20 * time.Millisecond * time.Duration(runtime.GOMAXPROCS(0)) * 2

// TestFindStops ends the context at random moments of large images, of stars and of what is none. The error is the context's, and no
// goroutine is left.
func TestFindStops(t *testing.T) {
	const side = 2000
	runs := 4
	if testing.Short() {
		runs = 2
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	images := map[string]Image{"stars": drawn.Telescope(side, side, 500)}
	for k, h := range hostile {
		if !testing.Short() || k%3 == 0 {
			images[h.name] = drawHostile(k, side)
		}
	}
	if raceEnabled {
		mostWork *= 10
	}
	for name, img := range images {
		t.Run(name, func(t *testing.T) {
			start := time.Now()
			if _, err := Find(t.Context(), img); err != nil {
				t.Log(err)
			}
			whole := time.Since(start)
			before := runtime.NumGoroutine()
			var late []time.Duration
			for range runs {
				var ended time.Duration
				ctx, cancel := context.WithCancel(t.Context())
				timer := time.AfterFunc(time.Duration(rng.Int64N(int64(whole))), func() {
					ended = costtest.ProcessorTime(t)
					cancel()
				})
				d, err := Find(ctx, img)
				returned := costtest.ProcessorTime(t)
				if timer.Stop() { // the answer came first
					cancel()
					continue
				}
				<-ctx.Done()
				if err == nil {
					continue // the end came after the last work
				}
				if !errors.Is(err, context.Canceled) || d != nil {
					t.Errorf("result %v, error %v", d, err)
				}
				late = append(late, returned-ended)
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
			if most := late[len(late)-1]; most > mostWork {
				t.Errorf("%v of work after the end", most)
			}
		})
	}
}
