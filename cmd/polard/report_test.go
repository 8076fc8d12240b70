package main

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"html"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"polard/cmd/polard/internal/harness"
	"polard/mountmodel/sky"
	"polard/web"
	"polard/web/report"
)

// The report of a night that was served tells what its page told.
func TestReportOfANight(t *testing.T) {
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	folder, state := t.TempDir(), t.TempDir()
	r := start(t, append([]string{"serve", folder, "--state", state}, set.SiteArgs()...)...)
	for _, lon := range []float64{-set.Site.Lon, set.Site.Lon} { // the sign forgotten, then put right
		if status, answer := r.Post(t, "site", fmt.Sprintf(`{"lat_deg":%g,"lon_deg":%g,"elevation_m":%g}`, set.Site.Lat, lon, set.Site.Elev)); status != 204 {
			t.Fatalf("place: %d %s", status, answer)
		}
	}
	var shown *web.State
	for i, f := range set.Frames[:set.Measure] {
		harness.WriteFrame(t, set.Paths()[i], filepath.Join(folder, f.File))
		shown = r.After(t, f.File)
	}
	if err := os.WriteFile(filepath.Join(folder, "zz.fits"), bytes.Repeat([]byte("no FITS "), 1000), 0o644); err != nil {
		t.Fatal(err)
	}
	r.After(t, "zz.fits")
	if status, answer := r.Post(t, "event", `{"event":"start_over"}`); status != 204 {
		t.Fatalf("start over: %d %s", status, answer)
	}
	r.Stop(t)

	status, stdout, stderr := call(t, "report", folder, "--state", state, "--json")
	if status != exitDone {
		t.Fatalf("status %d: %s", status, stderr)
	}
	var got report.Report
	if err := json.Unmarshal([]byte(stdout), &got); err != nil {
		t.Fatal(err)
	}
	if got.Frames != set.Measure+1 || got.Solved != set.Measure || len(got.Unsolved) != 1 || got.Unsolved[0].Count != 1 || got.Unsolved[0].Message == "" {
		t.Errorf("%d frames, %d solved, %+v", got.Frames, got.Solved, got.Unsolved)
	}
	place := fmt.Sprintf("place set to latitude %.3f°, longitude %.3f°; before, %.3f°, %.3f°", set.Site.Lat, set.Site.Lon, set.Site.Lat, -set.Site.Lon)
	if len(got.Events) != 3 || got.Events[1].Code != "place_set" || got.Events[1].What != strings.ReplaceAll(place, "-", "−") || got.Events[2].What != "started over" {
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
	primes := strings.NewReplacer("'", "′", `"`, "″") // the page writes those
	for _, words := range []string{primes.Replace(sky.AngleWords(sky.Angle(got.Last.TotalArcmin) * sky.Arcminute)), "started over", got.Unsolved[0].Message[:10], "<circle"} {
		if !strings.Contains(html.UnescapeString(string(page)), words) {
			t.Errorf("the page does not hold %q", words)
		}
	}
	// Well formed but for the elements that HTML does not close, and what is in scripts.
	d := xml.NewDecoder(bytes.NewReader(regexp.MustCompile(`(?s)<script>.*?</script>`).ReplaceAll(page, nil)))
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
