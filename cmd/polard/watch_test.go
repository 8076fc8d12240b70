package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"polard/cmd/polard/internal/harness"
)

// The watch command prints for each frame what polard solve prints of it, and the
// axis that polard axis prints for the frames so far.
func TestWatchPrintsWhatSolveAndAxisPrint(t *testing.T) {
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	folder := t.TempDir()
	ctx, end := context.WithCancel(t.Context())
	defer end()
	var stdout, stderr harness.Output
	status := make(chan int, 1)
	go func() {
		status <- execute(ctx, append([]string{"watch", folder, "--count", "4"}, set.SiteArgs()...), &stdout, &stderr)
	}()
	lines := func() []string { return strings.Split(strings.TrimSpace(stdout.String()), "\n") }
	for i, f := range set.Frames[:3] {
		harness.WriteFrame(t, set.Paths()[i], filepath.Join(folder, f.File))
		harness.Eventually(t, "the line of "+f.File, func() (bool, string) {
			return strings.Count(stdout.String(), "\n") == i+1, stdout.String() + stderr.String()
		})
		var got struct {
			solvedJSON
			Axis *axisJSON `json:"axis"`
		}
		if err := json.Unmarshal([]byte(lines()[i]), &got); err != nil {
			t.Fatal(err, lines()[i])
		}
		_, printed, _ := call(t, "solve", "--json", set.Paths()[i])
		var want solvedJSON
		if err := json.Unmarshal([]byte(printed), &want); err != nil {
			t.Fatal(err)
		}
		if !got.Solved || math.Abs(got.RADeg-want.RADeg)*3600 > sameArcsec || math.Abs(got.DecDeg-want.DecDeg)*3600 > sameArcsec || got.Matched != want.Matched {
			t.Errorf("%s: %+v, polard solve prints %+v", f.File, got.solvedJSON, want)
		}
		if got.Axis == nil || len(got.Axis.Frames) != 1 {
			t.Fatalf("%s: axis %+v", f.File, got.Axis)
		}
		if i < 1 {
			continue
		}
		a := axisOf(t, append(set.SiteArgs(), set.Paths()[:i+1]...)...)
		if alt, az, _ := differ(*got.Axis.Axis, a.Axis.AltDeg, a.Axis.AzDeg); math.Hypot(alt, az) > sameArcsec {
			t.Errorf("%s: axis %+v, polard axis prints %+v", f.File, got.Axis.Axis, a.Axis)
		}
	}
	// A frame that cannot be used is a line too, and shows in the status.
	if err := os.WriteFile(filepath.Join(folder, "dark.fits"), bytes.Repeat([]byte("no FITS "), 1000), 0o644); err != nil {
		t.Fatal(err)
	}
	if s := <-status; s != exitNot {
		t.Errorf("status %d: %s", s, stderr.String())
	}
	var bad unsolvedJSON
	if err := json.Unmarshal([]byte(lines()[3]), &bad); err != nil || bad.Solved || bad.Error.Code == "" || bad.Error.Message == "" {
		t.Errorf("%v: %s", err, lines()[3])
	}
}

// Ordinary exposures, and the end by Ctrl-C.
func TestWatchOrdinaryExposures(t *testing.T) {
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	folder := t.TempDir()
	for i, f := range set.Frames[:2] {
		harness.WriteFrame(t, set.Paths()[i], filepath.Join(folder, f.File))
	}
	ctx, end := context.WithCancel(t.Context())
	defer end()
	var stdout, stderr harness.Output
	status := make(chan int, 1)
	go func() {
		status <- execute(ctx, append([]string{"watch", folder, "--watch", "--since", "1h"}, set.SiteArgs()...), &stdout, &stderr)
	}()
	harness.Eventually(t, "two lines", func() (bool, string) {
		return strings.Count(stdout.String(), "\n") == 2, stdout.String() + stderr.String()
	})
	end()
	if s := <-status; s != exitDone {
		t.Errorf("status %d: %s", s, stderr.String())
	}
	_, last, _ := strings.Cut(stdout.String(), "\n")
	if !strings.Contains(last, `"watch":{`) || strings.Contains(last, `"axis":null`) || !strings.Contains(last, `"frames":2`) {
		t.Errorf("printed %s", last)
	}
}
