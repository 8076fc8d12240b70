package main

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"polard/cmd/polard/internal/harness"
	"polard/cmd/polard/internal/pipeline"
	"polard/fits"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"
)

// frameSizes are those of common detectors: 2, 9 and 26 megapixels.
var frameSizes = [][2]int{{1936, 1096}, {3520, 2600}, {6248, 4176}}

// sizedFrame is a frame of the rehearsal's rig with another detector.
func sizedFrame(t testing.TB, width, height int) (*fits.Frame, sky.Angle) {
	t.Helper()
	config := rehearsal.Quillmere(time.Date(2026, 11, 3, 19, 12, 0, 0, time.UTC))
	config.Camera.Width, config.Camera.Height = width, height
	cat, err := pipeline.Catalogue()
	if err != nil {
		t.Fatal(err)
	}
	rig, err := rehearsal.NewRig(cat, config)
	if err != nil {
		t.Fatal(err)
	}
	frame, err := rig.Expose(config.Start)
	if err != nil {
		t.Fatal(err)
	}
	return frame, config.Camera.Scale()
}

func storeFrame(t testing.TB, path string, frame *fits.Frame) {
	t.Helper()
	var b bytes.Buffer
	if err := fits.Write(&b, frame); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
}

// BenchmarkFileToSolution measures the time from a file to its solution, with the scale
// of the header and all that a second frame finds ready:
//
//	go test -run xxx -bench FileToSolution ./cmd/polard
func BenchmarkFileToSolution(b *testing.B) {
	for _, size := range frameSizes {
		b.Run(fmt.Sprintf("%.0fMpx", float64(size[0]*size[1])/1e6), func(b *testing.B) {
			frame, _ := sizedFrame(b, size[0], size[1])
			path := filepath.Join(b.TempDir(), "frame.fits")
			storeFrame(b, path, frame)
			p, err := pipeline.New()
			if err != nil {
				b.Fatal(err)
			}
			var total, read, detect, match, processor []float64
			p.ReadFile(b.Context(), path)
			for b.Loop() {
				before := harness.ProcessorMs(b)
				o := p.ReadFile(b.Context(), path)
				processor = append(processor, harness.ProcessorMs(b)-before)
				if o.Solution == nil {
					b.Fatal(o.Problem)
				}
				m := msOf(o)
				total, read, detect, match = append(total, m.Total), append(read, m.Read), append(detect, m.Detect), append(match, m.Match)
			}
			b.ReportMetric(quantile(total, 0.5), "median-ms")
			b.ReportMetric(quantile(processor, 0.5), "processor-ms")
			b.ReportMetric(quantile(read, 0.5), "read-ms")
			b.ReportMetric(quantile(detect, 0.5), "detect-ms")
			b.ReportMetric(quantile(match, 0.5), "match-ms")
		})
	}
}

// TestProcessesSideBySide times whole processes in one run, turn about: polard
// solve on a file with the scale given, index and all from a cold start, and SEP's
// detection alone in Python on the same pixels; and tells the most memory each
// had. It wants a quiet machine, and runs when POLARD_SEP is set.
func TestProcessesSideBySide(t *testing.T) {
	if os.Getenv("POLARD_SEP") == "" {
		t.Skip("POLARD_SEP is not set")
	}
	folder := t.TempDir()
	program := filepath.Join(folder, "polard")
	if out, err := exec.Command("go", "build", "-o", program, ".").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	run := func(name string, args ...string) (ms, mb float64) {
		command := exec.Command(name, args...)
		start := time.Now()
		if out, err := command.CombinedOutput(); err != nil {
			t.Fatalf("%s: %v: %s", name, err, out)
		}
		ms = float64(time.Since(start).Microseconds()) / 1000
		if usage, ok := command.ProcessState.SysUsage().(*syscall.Rusage); ok {
			mb = float64(usage.Maxrss) / 1024 // kilobytes on Linux
		}
		return ms, mb
	}
	const rounds = 5
	for _, size := range frameSizes {
		frame, scale := sizedFrame(t, size[0], size[1])
		path, raw := filepath.Join(folder, "frame.fits"), filepath.Join(folder, "frame.f32")
		storeFrame(t, path, frame)
		var b bytes.Buffer
		if err := binary.Write(&b, binary.LittleEndian, frame.Pix); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(raw, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
		var ours, theirs []float64
		var ourMB, theirMB float64
		for range rounds {
			ms, mb := run(program, "solve", "--scale", fmt.Sprint(scale.Arcseconds()), path)
			ours, ourMB = append(ours, ms), math.Max(ourMB, mb)
			ms, mb = run("/usr/bin/python3", "../../testdata/sep/stars.py", "1", fmt.Sprint(size[0]), fmt.Sprint(size[1]), raw)
			theirs, theirMB = append(theirs, ms), math.Max(theirMB, mb)
		}
		t.Logf("%.0f Mpx: polard solve %.0f ms, %.0f MB; SEP in Python %.0f ms, %.0f MB (medians of %d, most memory)",
			float64(size[0]*size[1])/1e6, quantile(ours, 0.5), ourMB, quantile(theirs, 0.5), theirMB, rounds)
	}
}
