package main

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"errors"
	"html"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"polard/mountmodel/logbook"
	"polard/mountmodel/sky"
	"polard/web"
)

// The report of a night that was served tells what its page told.
func TestReportOfANight(t *testing.T) {
	set := practice(t, practiceFolder+"/adjust_000")
	folder, state := t.TempDir(), t.TempDir()
	r := start(t, append([]string{"serve", folder, "--state", state}, set.siteArgs()...)...)
	var shown *web.State
	for i, f := range set.Frames[:set.Measure] {
		writeFrame(t, set.paths()[i], filepath.Join(folder, f.File))
		shown = r.after(t, f.File)
	}
	if err := os.WriteFile(filepath.Join(folder, "zz.fits"), bytes.Repeat([]byte("no FITS "), 1000), 0o644); err != nil {
		t.Fatal(err)
	}
	r.after(t, "zz.fits")
	if status, answer := r.post(t, "event", `{"event":"start_over"}`); status != 204 {
		t.Fatalf("start over: %d %s", status, answer)
	}
	r.stop(t)

	status, stdout, stderr := call(t, "report", folder, "--state", state, "--json")
	if status != exitDone {
		t.Fatalf("status %d: %s", status, stderr)
	}
	var got reportJSON
	if err := json.Unmarshal([]byte(stdout), &got); err != nil {
		t.Fatal(err)
	}
	if got.Frames != set.Measure+1 || got.Solved != set.Measure || len(got.Unsolved) != 1 || got.Unsolved[0].Count != 1 || got.Unsolved[0].Message == "" {
		t.Errorf("%d frames, %d solved, %+v", got.Frames, got.Solved, got.Unsolved)
	}
	if len(got.Events) != 1 || got.Events[0].What != "started over" {
		t.Errorf("events %+v", got.Events)
	}
	if got.Last == nil || math.Abs(float64(got.Last.TotalArcmin-shown.Now.Offset.TotalArcmin))*60 > sameArcsec || math.Abs(got.Site.LatDeg-set.Site.Lat) > 1e-9 {
		t.Errorf("last %+v, the page showed %+v", got.Last, shown.Now.Offset)
	}
	file := filepath.Join(t.TempDir(), "night.html")
	if status, _, stderr := call(t, "report", folder, "--state", state, "--out", file); status != exitDone {
		t.Fatalf("status %d: %s", status, stderr)
	}
	page, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	for _, words := range []string{sky.AngleWords(sky.Angle(got.Last.TotalArcmin) * sky.Arcminute), "started over", got.Unsolved[0].Message[:10], "<circle"} {
		if !strings.Contains(html.UnescapeString(string(page)), words) {
			t.Errorf("the page does not hold %q", words)
		}
	}
	// Well formed but for the elements that HTML does not close.
	d := xml.NewDecoder(bytes.NewReader(page))
	d.Strict, d.AutoClose, d.Entity = false, []string{"meta"}, xml.HTMLEntity
	for {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}

	for _, c := range []struct {
		args []string
		want int
		says string
	}{
		{[]string{"--state", state, "--night", "1999-01-01"}, exitNot, "nothing of the night of 1999-01-01"},
		{[]string{"--state", state, "--night", "yesterday"}, exitUsage, "2026-11-24"},
		{[]string{"--state", t.TempDir()}, exitNot, "no logbook"},
		{[]string{t.TempDir(), "--state", state}, exitNot, "no session of that folder"},
		{[]string{"a", "b"}, exitUsage, "one folder"},
		{[]string{"--logbook", "mysql://x"}, exitUsage, "postgres://"},
	} {
		if status, _, stderr := call(t, append([]string{"report"}, c.args...)...); status != c.want || !strings.Contains(stderr, c.says) {
			t.Errorf("%q: status %d: %s", c.args, status, stderr)
		}
	}
}

// Nights of earlier sessions stand before those of this one, and one that both hold
// stands once.
func TestHistoryOverSessions(t *testing.T) {
	at := func(day, hour int) time.Time { return time.Date(2026, 3, day, hour, 0, 0, 0, time.UTC) }
	kept := []logbook.Night{}
	for day := 1; day < 6; day++ {
		kept = append(kept, logbook.Night{Since: at(day, 19), Until: at(day+1, 4), Frames: 100, Result: logbook.Result{
			OffsetTotalArcmin: float64(day), AltDeg: 60, SigmaAltArcsec: 3, SigmaAzArcsec: 8, Correlation: 0,
		}})
	}
	w := &web.Watch{SinceUTC: wireTime(at(5, 19)), Nights: []web.WatchedNight{{SinceUTC: wireTime(at(4, 19)), UntilUTC: wireTime(at(5, 4))}}}
	withHistory(w, kept)
	if len(w.Nights) != 4 || w.Nights[0].Offset.TotalArcmin != 1 || w.Nights[2].Offset.TotalArcmin != 3 || w.Nights[3].Offset.TotalArcmin != 0 {
		t.Errorf("%+v", w.Nights)
	}
	// At 60 degrees of altitude 8" of azimuth are 4" on the sky.
	if got := float64(w.Nights[0].UncertaintyArcsec); math.Abs(got-4) > 1e-9 {
		t.Errorf("half axis %g, want 4", got)
	}
	withHistory(nil, kept)
	empty := &web.Watch{}
	withHistory(empty, kept)
	if len(empty.Nights) != 5 {
		t.Errorf("before the first frame: %d nights", len(empty.Nights))
	}
}
