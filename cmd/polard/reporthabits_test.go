package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"polard/cmd/polard/internal/pipeline"
	"polard/mountmodel"
	"polard/mountmodel/logbook"
	"polard/mountmodel/observed"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"
	"polard/web/report"
)

// The report of a night that was watched tells the periodic error that the rig's drive has, and the bending for each
// target; of the evening before, which the same session watched with another worm, it tells nothing.
func TestReportTellsHabits(t *testing.T) {
	const (
		amplitude, worm = 9 * sky.Arcsecond, 8 * time.Minute
		sigma           = 0.6 * sky.Arcsecond // of a star, a twelfth of a pixel
	)
	evening := time.Date(2026, 11, 24, 18, 0, 0, 0, time.UTC)
	c := rehearsal.Quillmere(evening)
	cat, err := pipeline.Catalogue()
	if err != nil {
		t.Fatal(err)
	}
	rig, err := rehearsal.NewRig(cat, c)
	if err != nil {
		t.Fatal(err)
	}
	state, folder := t.TempDir(), t.TempDir()
	book, err := logbook.Open(t.Context(), filepath.Join(state, logbook.FileName))
	if err != nil {
		t.Fatal(err)
	}
	config := mountmodel.Config{Site: c.Site, Air: c.Air, Tolerance: mountmodel.DefaultTolerance}
	id, err := book.Begin(t.Context(), logbook.Session{Program: "polard", Source: "folder", Folder: folder, Begun: evening.Add(-24 * time.Hour), Called: config, Placed: true}, "w")
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(31, 5))
	w, h := c.Camera.Field()
	entries := []logbook.Entry{{Seq: 1, At: evening.Add(-24 * time.Hour), Event: mountmodel.WatchOnly}}
	watch := func(from time.Time, frames int) {
		for k := range frames {
			at := from.Add(time.Duration(k) * 45 * time.Second)
			truth := rig.Truth(at)
			o, err := observed.NewObserver(truth.Site, truth.Air, at, 0)
			if err != nil {
				t.Fatal(err)
			}
			s := mountmodel.Sighting{Name: fmt.Sprintf("f%03d.fits", len(entries)), Mid: at, Exposure: c.Exposure}
			for range 16 {
				u := sky.Vec{X: (rng.Float64() - 0.5) * float64(w), Y: (rng.Float64() - 0.5) * float64(h), Z: 1}
				place := o.ICRS(sky.Local(truth.Camera.Apply(sky.Unit(u))))
				u.X, u.Y = u.X+rng.NormFloat64()*float64(sigma), u.Y+rng.NormFloat64()*float64(sigma)
				s.Pairs = append(s.Pairs, observed.Pair{Camera: sky.Camera(sky.Unit(u)), ICRS: place, Sigma: sigma})
			}
			entries = append(entries, logbook.Entry{Seq: int64(len(entries) + 1), At: at.Add(5 * time.Second), Frame: &logbook.Frame{
				Sighting: s, Path: filepath.Join(folder, s.Name), Modified: at, Complete: at, Sum: uint64(len(entries)), Detected: 16, Matched: 16}})
		}
	}
	rig.SetPeriodicError(3*amplitude, worm/2)
	watch(evening.Add(-24*time.Hour), 40)
	rig.SetPeriodicError(amplitude, worm)
	watch(evening, 40)
	for target := range 2 {
		if err := errors.Join(rig.TurnRA(35*sky.Degree), rig.TurnDeclination(20*sky.Degree)); err != nil {
			t.Fatal(err)
		}
		watch(evening.Add(time.Duration(target+1)*40*time.Minute), 40)
	}
	if err := book.Append(t.Context(), id, "w", entries); err != nil {
		t.Fatal(err)
	}
	if err := book.Close(); err != nil {
		t.Fatal(err)
	}

	status, stdout, stderr := call(t, "report", "--state", state, "--json")
	var got report.Report
	if err := json.Unmarshal([]byte(stdout), &got); err != nil || status != exitDone {
		t.Fatalf("status %d: %v; %s", status, err, stderr)
	}
	if got.Frames != 120 || got.Habits == nil || got.Habits.Periodic == nil || len(got.Habits.Bends) != 3 {
		t.Fatalf("%d frames, habits %+v", got.Frames, got.Habits)
	}
	// As well as it is said to be known, within four standard deviations.
	p := got.Habits.Periodic
	if math.Abs(float64(p.AmplitudeArcsec)-amplitude.Arcseconds()) > 4*float64(p.SigmaArcsec) || math.Abs(float64(p.PeriodS)-worm.Seconds()) > 10 {
		t.Errorf("%.2f\" in %.0f s, known to %.2f\"", p.AmplitudeArcsec, p.PeriodS, p.SigmaArcsec)
	}
	status, page, stderr := call(t, "report", "--state", state)
	if status != exitDone {
		t.Fatal(stderr)
	}
	for _, words := range []string{"The mount&#39;s habits", fmt.Sprintf("%.1f″ either way", p.AmplitudeArcsec), "<polyline", "What bends over the sky"} {
		if !strings.Contains(page, words) {
			t.Errorf("the page does not say %q", words)
		}
	}
}
