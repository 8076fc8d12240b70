package detect

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"polard/solve/detect/drawn"
)

// sepScript prints what SEP finds; see there.
const sepScript = "../../testdata/sep/stars.py"

// sepStars is one line of its output.
type sepStars struct {
	Milliseconds float64   `json:"ms"`
	X, Y, Flux   []float64 `json:"-"`
}

// runSEP has SEP measure the frames, which are all of one size. It skips the
// test where SEP is not installed (Debian: python3-sep).
func runSEP(t *testing.T, rounds int, frames ...Image) []sepStars {
	t.Helper()
	python := os.Getenv("POLARD_PYTHON")
	if python == "" {
		python = "/usr/bin/python3"
	}
	if err := exec.Command(python, "-c", "import sep").Run(); err != nil {
		t.Skipf("%s has no module sep (%v); POLARD_PYTHON names another interpreter", python, err)
	}
	folder := t.TempDir()
	args := []string{sepScript, fmt.Sprint(rounds), fmt.Sprint(frames[0].Width), fmt.Sprint(frames[0].Height)}
	for i, f := range frames {
		name := filepath.Join(folder, fmt.Sprintf("%d.f32", i))
		var b bytes.Buffer
		if err := binary.Write(&b, binary.LittleEndian, f.Pix); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, b.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
		args = append(args, name)
	}
	command := exec.Command(python, args...)
	command.Stderr = os.Stderr
	out, err := command.Output()
	if err != nil {
		t.Fatal(err)
	}
	var list []sepStars
	for d := json.NewDecoder(bytes.NewReader(out)); d.More(); {
		var line struct {
			MS   float64 `json:"ms"`
			X    []float64
			Y    []float64
			Flux []float64
		}
		if err := d.Decode(&line); err != nil {
			t.Fatal(err)
		}
		list = append(list, sepStars{line.MS, line.X, line.Y, line.Flux})
	}
	if len(list) != len(frames) {
		t.Fatalf("SEP answered %d of %d frames", len(list), len(frames))
	}
	return list
}

// errorsOf is the root mean square error of one coordinate over the stars of
// the given electrons which both lists hold, for either list.
func errorsOf(m *drawn.Frame, electrons float64, d *Result, s sepStars) (ours, theirs float64, n int) {
	const near = 1.5
	for _, t := range m.Truth {
		if t.Electrons != electrons {
			continue
		}
		a, r := d.nearest(t.X, t.Y)
		if r > near {
			continue
		}
		best := math.Inf(1)
		for i := range s.X {
			best = min(best, math.Hypot(s.X[i]-t.X, s.Y[i]-t.Y))
		}
		if best > near {
			continue
		}
		ours += sq(a.Pos.X-t.X) + sq(a.Pos.Y-t.Y)
		theirs += best * best
		n++
	}
	return math.Sqrt(ours / float64(2*n)), math.Sqrt(theirs / float64(2*n)), n
}

// sepTol is how much larger than SEP's our errors may be. They are smaller; on
// several hundred stars the ratio scatters by 3 percent.
const sepTol = 1.1

// TestAccuracyAgainstSEP compares centroids with SEP's windowed positions on
// the same frames.
func TestAccuracyAgainstSEP(t *testing.T) {
	if testing.Short() {
		t.Skip("starts another program")
	}
	const seed = 20260301
	type cell struct {
		name      string
		wide, snr float64
		m         *drawn.Frame
		electrons float64
	}
	var cells []cell
	var frames []Image
	for _, wide := range []float64{1.5, 2, 3, 4.5} {
		for i, l := range []drawn.Light{drawn.Gaussian(wide), drawn.Moffat(wide, 3)} {
			for _, snr := range []float64{10, 100, 1000} {
				m, e := starField(l, snr, seed)
				cells = append(cells, cell{[]string{"Gaussian", "Moffat 3"}[i], wide, snr, m, e})
				frames = append(frames, m.Image)
			}
		}
	}
	theirs := runSEP(t, 1, frames...)
	t.Logf("seed %d", seed)
	t.Logf("%-10s %5s %6s %6s %9s %9s %7s", "profile", "FWHM", "SNR", "stars", "ours", "SEP", "ratio")
	for i, c := range cells {
		d, err := Find(context.Background(), frames[i])
		if err != nil {
			t.Fatal(err)
		}
		a, b, n := errorsOf(c.m, c.electrons, d, theirs[i])
		t.Logf("%-10s %5.1f %6.0f %6d %9.4f %9.4f %7.3f", c.name, c.wide, c.snr, n, a, b, a/b)
		if n < 50 {
			t.Errorf("%s FWHM %.1f SNR %.0f: only %d common stars", c.name, c.wide, c.snr, n)
		}
		if !(a <= sepTol*b) {
			t.Errorf("%s FWHM %.1f SNR %.0f: error %.4f pixels, SEP %.4f", c.name, c.wide, c.snr, a, b)
		}
	}
}

// TestSpeedAgainstSEP times detection and centroids side by side with SEP, in
// one run. It needs a quiet machine, so it runs only when POLARD_SEP is set.
func TestSpeedAgainstSEP(t *testing.T) {
	if os.Getenv("POLARD_SEP") == "" {
		t.Skip("POLARD_SEP is not set")
	}
	const rounds = 7
	t.Logf("%6s %8s %8s %10s %10s %10s", "Mpx", "stars", "SEP", "SEP ms", "1 core ms", "2 cores ms")
	for _, size := range [][2]int{{1936, 1096}, {3520, 2600}, {6248, 4176}} {
		img := drawn.Telescope(size[0], size[1], 250)
		theirs := runSEP(t, rounds, img)[0]
		stars := 0
		least := func(cores int) float64 {
			defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(cores))
			best := math.Inf(1)
			for range rounds {
				start := time.Now()
				d, err := Find(context.Background(), img)
				if err != nil {
					t.Fatal(err)
				}
				best = min(best, float64(time.Since(start).Microseconds())/1000)
				stars = len(d.Detections)
			}
			return best
		}
		one, two := least(1), least(2)
		t.Logf("%6.1f %8d %8d %10.1f %10.1f %10.1f  (%.1f and %.1f times as fast)", float64(size[0]*size[1])/1e6, stars, len(theirs.X), theirs.Milliseconds, one, two, theirs.Milliseconds/one, theirs.Milliseconds/two)
		if !(theirs.Milliseconds >= sepSpeed*two) {
			t.Errorf("%d x %d: %.1f ms on two cores, SEP %.1f ms", size[0], size[1], two, theirs.Milliseconds)
		}
	}
}

// sepSpeed is how many times as fast as SEP we want to be on two cores.
const sepSpeed = 1.5
