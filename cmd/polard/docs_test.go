package main

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"polard/cmd/polard/internal/harness"
)

// Every example of the page on the API does what it says: it is run by a shell against
// a service that has seen three frames.
func TestDocsOfTheAPI(t *testing.T) {
	debianTool(t, "curl", "curl")
	page, err := os.ReadFile("docs/api.md")
	if err != nil {
		t.Fatal(err)
	}
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	folder := t.TempDir()
	r := start(t, append([]string{"serve", folder, "--state", t.TempDir()}, set.SiteArgs()...)...)
	for i, f := range set.Frames[:set.Measure] {
		harness.WriteFrame(t, set.Paths()[i], filepath.Join(folder, f.File))
		r.After(t, f.File)
	}
	harness.Eventually(t, "the picture", func() (bool, string) {
		status, body := r.get(t, "api/v1/preview.jpg")
		return status == 200, body
	})
	examples := 0
	for line := range strings.Lines(string(page)) {
		command, isExample := strings.CutPrefix(strings.TrimRight(line, "\n"), "    curl ")
		if !isExample {
			continue
		}
		examples++
		shell := exec.Command("sh", "-c", "curl --fail-with-body "+command)
		shell.Dir = t.TempDir()
		shell.Env = append(os.Environ(), "POLARD="+strings.TrimSuffix(r.URL, "/"))
		out, err := shell.CombinedOutput()
		if err != nil {
			t.Errorf("curl %s: %v: %s", command, err, out)
			continue
		}
		switch {
		case strings.Contains(command, "-X POST"):
			if len(out) != 0 {
				t.Errorf("curl %s: printed %s", command, out)
			}
		case strings.Contains(command, "/api/v1/") && !strings.Contains(command, "-o "):
			if !json.Valid(out) {
				t.Errorf("curl %s: no JSON: %.80s", command, out)
			}
		case strings.Contains(command, "-o "):
			if b, err := os.ReadFile(filepath.Join(shell.Dir, "frame.jpg")); err != nil || !strings.HasPrefix(string(b), "\xff\xd8") {
				t.Errorf("no picture came (%v)", err)
			}
		case len(out) == 0:
			t.Errorf("curl %s: nothing came", command)
		}
	}
	if examples < 10 {
		t.Errorf("only %d examples found", examples)
	}
	if s := r.State(t); s.Phase != "watching" {
		t.Errorf("after the examples the session is %s", s.Phase)
	}
}

// The docs name only options that there are.
func TestDocsNameOptions(t *testing.T) {
	known := map[string]bool{"config": true, "now": true} // "now" is systemctl's
	root := newRoot(&harness.Output{}, &harness.Output{})
	for _, c := range root.Commands() {
		for option := range configurable(c) {
			known[option] = true
		}
		known["json"] = true
	}
	pages, err := filepath.Glob("docs/*.md")
	if err != nil || len(pages) < 7 {
		t.Fatal(pages, err)
	}
	option := regexp.MustCompile("(?:^|[ `(])--([a-z][a-z-]+)")
	for _, path := range pages {
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range option.FindAllStringSubmatch(string(text), -1) {
			if !known[m[1]] {
				t.Errorf("%s names --%s, which no command has", path, m[1])
			}
		}
	}
}
