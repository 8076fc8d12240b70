package main

import (
	"bytes"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"polard/cmd/polard/internal/harness"
)

// debianTool finds a program of the Debian package named; without it the test is
// skipped, but in continuous integration it fails.
func debianTool(t testing.TB, name, pkg string) string {
	t.Helper()
	for _, folder := range []string{"", "/usr/sbin/", "/usr/bin/"} {
		if path, err := exec.LookPath(folder + name); err == nil {
			return path
		}
	}
	if os.Getenv("CI") == "true" {
		t.Fatalf("no %s: install Debian's %s", name, pkg)
	}
	t.Skipf("no %s (Debian's %s)", name, pkg)
	return ""
}

// get asks an address of a running service.
func (r *running) get(t *testing.T, path string) (status int, body string) {
	t.Helper()
	answer, err := http.Get(r.URL + path)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	b, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	return answer.StatusCode, string(b)
}

// What a service tells of real frames passes the lint of Prometheus' own promtool,
// and the alert file passes its check and its test.
func TestMetrics(t *testing.T) {
	promtool := debianTool(t, "promtool", "prometheus")
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	folder := t.TempDir()
	r := start(t, append([]string{"serve", folder}, set.SiteArgs()...)...)
	for i, f := range set.Frames[:set.Measure] {
		harness.WriteFrame(t, set.Paths()[i], filepath.Join(folder, f.File))
		r.After(t, f.File)
	}
	if err := os.WriteFile(filepath.Join(folder, "z.fits"), bytes.Repeat([]byte("no FITS "), 1000), 0o644); err != nil {
		t.Fatal(err)
	}
	state := r.After(t, "z.fits")
	_, scraped := r.get(t, "metrics")
	lint := exec.Command(promtool, "check", "metrics")
	lint.Stdin = strings.NewReader(scraped)
	if out, err := lint.CombinedOutput(); err != nil {
		t.Errorf("promtool: %v: %s", err, out)
	}
	for _, line := range []string{
		fmt.Sprintf(`polard_frames_total{result="solved"} %d`, set.Measure), `polard_frames_total{result="unsolved"} 1`, `polard_frames_unsolved_in_a_row 1`,
		`polard_phase{phase="` + state.Phase + `"} 1`, `polard_alarm{alarm="axis_moved"} 0`, fmt.Sprintf(`polard_frame_duration_seconds_count %d`, set.Measure+1),
		`polard_axis_offset_degrees{component="total"} `, `polard_axis_uncertainty_degrees{component="altitude"} `,
	} {
		if !strings.Contains(scraped, line) {
			t.Errorf("no %s in what is scraped", line)
		}
	}
	for _, args := range [][]string{{"check", "rules", "docs/polard.rules.yml"}, {"test", "rules", "docs/polard.rules.test.yml"}} {
		if out, err := exec.Command(promtool, args...).CombinedOutput(); err != nil {
			t.Errorf("promtool %v: %v: %s", args, err, out)
		}
	}
}

// The alerts name only metrics that the service has.
func TestAlertsNameMetrics(t *testing.T) {
	rules, err := os.ReadFile("docs/polard.rules.yml")
	if err != nil {
		t.Fatal(err)
	}
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	folder := t.TempDir()
	r := start(t, append([]string{"serve", folder}, set.SiteArgs()...)...)
	harness.WriteFrame(t, set.Paths()[0], filepath.Join(folder, set.Frames[0].File))
	r.After(t, set.Frames[0].File)
	_, scraped := r.get(t, "metrics")
	for _, word := range strings.FieldsFunc(string(rules), func(c rune) bool { return c != '_' && (c < 'a' || c > 'z') }) {
		if strings.HasPrefix(word, "polard_") && !strings.Contains(scraped, "\n"+word) {
			t.Errorf("the alert file names %s, which the service does not tell", word)
		}
	}
}

// Health and readiness: ready only with a place and a folder that can be read.
func TestProbes(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "tonight")
	if err := os.Mkdir(folder, 0o755); err != nil {
		t.Fatal(err)
	}
	r := start(t, "serve", folder)
	if status, body := r.get(t, "healthz"); status != 200 || body != "ok\n" {
		t.Errorf("healthz: %d %s", status, body)
	}
	if status, body := r.get(t, "readyz"); status != 503 || !strings.Contains(body, "where the mount stands") {
		t.Errorf("readyz without a place: %d %s", status, body)
	}
	r.Post(t, "site", `{"lat_deg":46.3,"lon_deg":13.1}`)
	if status, body := r.get(t, "readyz"); status != 200 {
		t.Errorf("readyz: %d %s", status, body)
	}
	if err := os.Remove(folder); err != nil {
		t.Fatal(err)
	}
	// The answer is from memory: the folder is looked at now and then.
	harness.Eventually(t, "not ready without its folder", func() (bool, string) {
		status, body := r.get(t, "readyz")
		return status == 503 && strings.Contains(body, "cannot be read"), body
	})
}
