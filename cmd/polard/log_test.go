package main

import (
	"encoding/csv"
	"encoding/json"
	"net/http"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"polard/cmd/polard/internal/harness"
)

// A session as the logbook gives it out: the frames with the numbers that the
// page showed, what was told, as a list, as CSV and as JSON, which hold the same.
func TestLog(t *testing.T) {
	harness.NotUnderRace(t)
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	folder, state := t.TempDir(), t.TempDir()
	at := []string{"--state", state}
	if status, stdout, stderr := call(t, append([]string{"log"}, at...)...); status != exitNot || !strings.Contains(stderr, "no logbook at") {
		t.Errorf("without a logbook: status %d: %s%s", status, stdout, stderr)
	}
	r := start(t, slices.Concat([]string{"serve", folder}, at, set.SiteArgs())...)
	names := []string{"=a.fits", "b.fits"}
	for i, name := range names {
		harness.WriteFrame(t, set.Paths()[i], filepath.Join(folder, name))
		r.After(t, name)
	}
	for path, body := range map[string]string{"event": `{"event":"measured"}`, "marks": `{"scale_deg":46.5,"words":"white stone"}`, "note": `{"key":"eyepiece","value":{"telescope_mm":600}}`} {
		if status, answer := r.Post(t, path, body); status != http.StatusNoContent {
			t.Fatal(path, status, answer)
		}
	}
	s := r.State(t)
	// While the service runs.
	status, list, stderr := call(t, append([]string{"log"}, at...)...)
	if status != exitDone || strings.Count(list, "\n") != 2 || !strings.Contains(list, folder) || !strings.Contains(list, "adjusting") {
		t.Errorf("status %d: %s%s", status, list, stderr)
	}
	_, lines, _ := call(t, append([]string{"log", "1", "--json"}, at...)...)
	kinds := map[string]int{}
	var frames []entryLine
	for line := range strings.Lines(lines) {
		var e entryLine
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatal(err)
		}
		if kinds[e.Kind]++; e.Kind == "frame" {
			frames = append(frames, e)
		}
	}
	if kinds["frame"] != 2 || kinds["event"] != 1 || kinds["note"] != 2 || kinds["config"] != 1 {
		t.Errorf("entries %v", kinds)
	}
	if f := frames[1]; f.File != "b.fits" || f.OffsetTotalArcmin != s.Measured.Offset.TotalArcmin || f.SigmaAltArcsec != s.Measured.Uncertainty.AltArcsec || f.Matched == 0 {
		t.Errorf("frame %+v, the page shows %+v", f, s.Measured)
	}
	// For people it is a table; what was set is told with its units there and in JSON.
	if status, people, _ := call(t, append([]string{"log", "1"}, at...)...); status != exitDone || !strings.HasPrefix(people, "ENTRY ") || strings.Contains(people, "{") || !strings.Contains(people, "latitude ") || !strings.Contains(people, "per pixel, from ") {
		t.Errorf("log 1:\n%s", people)
	}
	if !strings.Contains(lines, `\"lat_deg\":`) || !strings.Contains(lines, `\"tolerance_arcmin\":`) || !strings.Contains(lines, `\"scale_arcsec_px\":`) || strings.Contains(lines, "Rad") {
		t.Errorf("log 1 --json tells what was set without units:\n%s", lines)
	}
	_, table, _ := call(t, append([]string{"log", "1", "--csv"}, at...)...)
	rows, err := csv.NewReader(strings.NewReader(table)).ReadAll() // RFC 4180
	if err != nil || len(rows) != 1+strings.Count(lines, "\n") {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	file, total := slices.Index(rows[0], "file"), slices.Index(rows[0], "offset_total_arcmin")
	at2 := slices.IndexFunc(rows, func(r []string) bool { return r[file] == "b.fits" })
	if at2 < 0 || rows[at2][total] != digits(s.Measured.Offset.TotalArcmin) {
		t.Errorf("row %d of %v", at2, rows)
	}
	if !slices.ContainsFunc(rows, func(r []string) bool { return r[file] == "'=a.fits" }) {
		t.Error("a name that a spreadsheet takes for a formula is not marked")
	}
	// All sessions, as JSON a line each.
	if _, all, _ := call(t, append([]string{"log", "--json"}, at...)...); strings.Count(all, "\n") != 1 || !json.Valid([]byte(all)) {
		t.Errorf("sessions %s", all)
	}
	for _, c := range []struct {
		args   []string
		status int
		says   string
	}{
		{[]string{"log", "7"}, exitNot, "no session 7"}, {[]string{"log", "x"}, exitUsage, "no number of a session"},
		{[]string{"log", "1", "2"}, exitUsage, "one session"}, {[]string{"log", "--csv", "--json"}, exitUsage, "not both"},
		{[]string{"log", "--all", "1"}, exitUsage, "one session"},
	} {
		if status, _, stderr := call(t, append(c.args, at...)...); status != c.status || !strings.Contains(stderr, c.says) {
			t.Errorf("%q: status %d: %s", c.args, status, stderr)
		}
	}

	// Another night at this place knows the notes, and the night before with what
	// it came to; the marks of this night are its own.
	r.Stop(t)
	r = start(t, slices.Concat([]string{"serve", folder, "--new-session"}, at, set.SiteArgs())...)
	var memories struct {
		Notes  map[string]json.RawMessage `json:"notes"`
		Marks  struct{ Words string }     `json:"marks"`
		Nights []struct {
			Marks struct{ Words string } `json:"marks"`
			First *struct {
				Total float64 `json:"total_arcmin"`
			} `json:"first"`
			Confirmed bool `json:"confirmed"`
		} `json:"nights"`
	}
	harness.Eventually(t, "the memories", func() (bool, string) {
		answer, err := http.Get(r.URL + "api/v1/memories")
		if err != nil {
			t.Fatal(err)
		}
		defer answer.Body.Close()
		if err := json.NewDecoder(answer.Body).Decode(&memories); err != nil {
			t.Fatal(err)
		}
		return len(memories.Nights) == 1, r.Stderr.String()
	})
	if n := memories.Nights[0]; n.Marks.Words != "white stone" || n.First == nil || n.First.Total != float64(s.Measured.Offset.TotalArcmin) || n.Confirmed || memories.Marks.Words != "" || string(memories.Notes["eyepiece"]) != `{"telescope_mm":600}` {
		t.Errorf("%+v", memories)
	}
}
