package solve

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"runtime/debug"
	"slices"
	"strconv"
	"syscall"
	"testing"
	"time"

	"polard/catalogs"
	"polard/mountmodel/sky"
	"polard/solve/detect"
	"polard/solve/detect/drawn"
)

var costAsked = flag.Bool("cost", false, "tell how time and memory grow: make cost")

// processorTime is what this process has used so far on all processors.
func processorTime(t *testing.T) time.Duration {
	t.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// residentMB reads the process's memory, now (VmRSS) or at most (VmHWM), in megabytes.
func residentMB(t *testing.T, which string) float64 {
	t.Helper()
	status, err := os.ReadFile("/proc/self/status")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := bytes.Cut(status, []byte(which+":"))
	kB, err := strconv.ParseFloat(string(bytes.Fields(rest)[0]), 64)
	if err != nil {
		t.Fatal(err)
	}
	return kB / 1000
}

// cost is the median processor time of some runs of do, and by how much the process grew at most.
func cost(t *testing.T, runs int, do func(run int)) (median time.Duration, grownMB float64) {
	t.Helper()
	debug.FreeOSMemory()
	// 5 sets the mark of the most memory back to what there is now: proc(5).
	if err := os.WriteFile("/proc/self/clear_refs", []byte("5"), 0); err != nil {
		t.Skipf("the most memory cannot be told here: %v", err)
	}
	before := residentMB(t, "VmRSS")
	var times []time.Duration
	for run := range runs {
		start := processorTime(t)
		do(run)
		times = append(times, processorTime(t)-start)
	}
	slices.Sort(times)
	return times[len(times)/2], residentMB(t, "VmHWM") - before
}

func milliseconds(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }

// TestCost prints how processor time and memory grow with the size of frames, the
// number of stars in them, and the depth of the catalogue.
func TestCost(t *testing.T) {
	if !*costAsked {
		t.Skip("make cost runs it")
	}
	debug.SetGCPercent(12) // as the program does
	fmt.Println("| megapixels | detection, ms | memory besides the frame, MB |\n| --- | --- | --- |")
	for _, size := range [][2]int{{640, 480}, {1200, 900}, {1936, 1096}, {3520, 2600}, {6248, 4176}, {9504, 6336}} {
		img := drawn.Telescope(size[0], size[1], 250)
		took, grown := cost(t, 3, func(int) {
			if _, err := detect.Find(context.Background(), img); err != nil {
				t.Fatal(err)
			}
		})
		fmt.Printf("| %.1f | %.0f | %.0f |\n", float64(size[0]*size[1])/1e6, milliseconds(took), grown)
	}

	s := theSolver()
	for i := range s.levels {
		s.levels[i]()
	}
	fmt.Println("\n| stars in a frame of 2 degrees | match with a scale, ms | without, ms | without, and no sky, ms |\n| --- | --- | --- | --- |")
	for _, stars := range []int{20, 40, 80, 160, 320, 640, 1280} {
		rng := rand.New(rand.NewPCG(17, uint64(stars)))
		var lists []starList
		for len(lists) < 41 {
			// In the denser half of the sky, where so many are in the catalogue.
			l := drawList(rng, theCatalogue(), listSpec{field: 2 * sky.Degree, width: 1600, height: 1200, most: stars, missing: 0.1, spurious: 0.1, scatter: 0.3, noise: 1})
			if l.real > stars*7/10 {
				lists = append(lists, l)
			}
		}
		row := fmt.Sprintf("| %d |", stars)
		for _, scale := range []float64{1.03, 0} {
			took, _ := cost(t, len(lists), func(run int) {
				l := &lists[run]
				if _, err := s.match(l.Width, l.Height, l.det, Hint{Scale: l.Scale * sky.Angle(scale), Epoch: l.epoch}); err != nil {
					t.Logf("%d stars: %v", stars, err)
				}
			})
			row += fmt.Sprintf(" %.1f |", milliseconds(took))
		}
		took, _ := cost(t, 3, func(run int) {
			det := *lists[run].det
			det.Detections = slices.Clone(det.Detections)
			for i := range det.Detections {
				det.Detections[i].Pos = sky.Pixel{X: 1600 * rng.Float64(), Y: 1200 * rng.Float64()}
			}
			if _, err := s.match(1600, 1200, &det, Hint{Epoch: 2025}); err == nil {
				t.Error("scattered places solved")
			}
		})
		fmt.Printf("%s %.0f |\n", row, milliseconds(took))
	}

	fmt.Println("\n| catalogue to V | stars | building its index, ms | index, MB | memory at most, MB |\n| --- | --- | --- | --- | --- |")
	for _, faintest := range []float64{8, 9, 10, 11, 12, 16} {
		var stars []catalogs.Star
		theCatalogue().Cone(sky.ICRS{Z: 1}, sky.Turn/2, faintest, func(s catalogs.Star) { stars = append(stars, s) })
		file, err := catalogs.Encode(stars, [32]byte{})
		if err != nil {
			t.Fatal(err)
		}
		count := len(stars)
		stars = nil
		cat, err := catalogs.Parse(file)
		if err != nil {
			t.Fatal(err)
		}
		var bytes int
		took, grown := cost(t, 1, func(int) {
			var kept []*level
			for _, spec := range levelSpecs {
				l := buildLevel(cat, spec)
				kept = append(kept, l)
				bytes += 20*len(l.nodes) + 4*len(l.starts) + 4*len(l.entry)
			}
			if len(kept) != len(levelSpecs) {
				t.Error("a level is missing")
			}
		})
		name := strconv.FormatFloat(faintest, 'g', -1, 64)
		if math.Abs(faintest-16) < 1 {
			name = "its end"
		}
		fmt.Printf("| %s | %d | %.0f | %.0f | %.0f |\n", name, count, milliseconds(took), float64(bytes)/1e6, grown)
	}
}
