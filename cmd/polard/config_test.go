package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"polard/cmd/polard/internal/harness"

	"github.com/spf13/cobra"
)

// configuredServe is the serve command with its options filled in from a command
// line, an environment and a file.
func configuredServe(t *testing.T, file string, env map[string]string, args ...string) (*cobra.Command, error) {
	t.Helper()
	if file != "" {
		path := filepath.Join(t.TempDir(), "polard.toml")
		if err := os.WriteFile(path, []byte(file), 0o644); err != nil {
			t.Fatal(err)
		}
		args = append(args, "--config", path)
	}
	root := newRoot(&bytes.Buffer{}, &bytes.Buffer{})
	c, rest, err := root.Find(append([]string{"serve"}, args...))
	if err != nil {
		t.Fatal(err)
	}
	if err := c.ParseFlags(rest); err != nil {
		t.Fatal(err)
	}
	return c, configure(c, func(name string) (string, bool) { v, ok := env[name]; return v, ok })
}

// The command line wins over the environment, that over the file, that over the
// default, for every kind of value.
func TestConfigOrder(t *testing.T) {
	file := "# a pier\nframes = \"/data\"\nlat = 46.32\nlon = 13\nallow_network = true\nhost = [\"pier.local\", \"pier-1\"]\nmeasure = 4\nsince = \"30m\"\n"
	env := map[string]string{"POLARD_LAT": "-30.5", "POLARD_HOST": "", "POLARD_TOLERANCE": "0.5"}
	c, err := configuredServe(t, file, env, "--lat", "51", "--measure=3")
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]string{
		"lat": "51", "lon": "13", "tolerance": "0.5", "allow-network": "true", "host": "[pier.local,pier-1]",
		"measure": "3", "since": "30m0s", "frames": "/data", "addr": defaultAddr,
	} {
		if got := c.Flags().Lookup(name).Value.String(); got != want {
			t.Errorf("%s is %s, want %s", name, got, want)
		}
	}
	if c, err = configuredServe(t, file, env); err != nil || c.Flags().Lookup("lat").Value.String() != "-30.5" {
		t.Errorf("the environment does not win over the file: %v", err)
	}
	// What other commands know may stand in a shared file.
	if _, err := configuredServe(t, "count = 3\n", nil); err != nil {
		t.Errorf("an option of the watch command: %v", err)
	}
}

// What is wrong is told by line.
func TestConfigErrors(t *testing.T) {
	for _, c := range []struct {
		file string
		env  map[string]string
		says []string
	}{
		{"lat = 46.3\nlatt = 2\n", nil, []string{"line 2", `"latt"`, "did you mean lat?"}},
		{"\n\nallow-network = true\n", nil, []string{"line 3", "did you mean allow_network?"}},
		{"lat = 46.3\nlon 13\n", nil, []string{"line 2"}},
		{"lat = 46.3\nlat = 47\n", nil, []string{"line 2", "lat"}},
		{"lat = \"north\"\n", nil, []string{"line 1", `"north"`, "degrees"}},
		{"measure = 2.5\n", nil, []string{"line 1", "a whole number"}},
		{"lat = [1, 2]\n", nil, []string{"line 1", "a text, a number"}},
		{"lat = 2026-11-25\n", nil, []string{"line 1"}},
		{"[tripod]\nlat = 3\n", nil, []string{"line 1", `"tripod"`}},
		{"json = true\n", nil, []string{"line 1", `"json"`}},
		{"", map[string]string{"POLARD_LAT": "x"}, []string{"POLARD_LAT", "degrees"}},
		{"", map[string]string{"POLARD_CONFIG": "/nowhere/polard.toml"}, []string{"/nowhere/polard.toml", "make it"}},
	} {
		_, err := configuredServe(t, c.file, c.env)
		if err == nil {
			t.Errorf("%q %v: taken", c.file, c.env)
			continue
		}
		for _, word := range c.says {
			if !strings.Contains(err.Error(), word) {
				t.Errorf("%q: does not say %q: %v", c.file, word, err)
			}
		}
	}
}

// A value that is refused later names where it came from.
func TestConfigWhence(t *testing.T) {
	path := filepath.Join(t.TempDir(), "polard.toml")
	if err := os.WriteFile(path, []byte("frames = \"/tmp\"\n\ntolerance = -3\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	status, _, stderr := call(t, "serve", "--config", path)
	if status != exitUsage || !strings.Contains(stderr, "--tolerance -3") || !strings.Contains(stderr, "line 3") {
		t.Errorf("status %d: %s", status, stderr)
	}
}

func FuzzConfig(f *testing.F) {
	for _, s := range []string{"lat = 1", "[a]\nb=2", "host = [\"a\", \"b,c\"]", "x = 1979-05-27", "\"lat\" = 3", "a.b = 1", "=", "lat = nan"} {
		f.Add([]byte(s))
	}
	known := map[string]bool{"lat": true, "host": true}
	f.Fuzz(func(t *testing.T, text []byte) {
		got, err := parseConfig("f", text, known)
		for key := range got {
			if err == nil && !known[key] {
				t.Errorf("took %q", key)
			}
		}
	})
}

// The log comes as one JSON object a line when that is asked for.
func TestLogFormat(t *testing.T) {
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	r := start(t, append([]string{"serve", t.TempDir(), "--log-format", "json"}, set.SiteArgs()...)...)
	r.Post(t, "tolerance", `{"arcmin":2}`)
	r.Stop(t)
	lines := strings.Split(strings.TrimSpace(r.Stderr.String()), "\n")
	for _, line := range lines {
		var entry struct{ Time, Level, Msg string }
		if err := json.Unmarshal([]byte(line), &entry); err != nil || entry.Time == "" || entry.Level == "" || entry.Msg == "" {
			t.Errorf("%v: %q", err, line)
		}
	}
	if !strings.Contains(r.Stderr.String(), `"path":"/api/v1/tolerance"`) {
		t.Errorf("the command is not in the log: %s", r.Stderr.String())
	}
	if status, _, stderr := call(t, "serve", t.TempDir(), "--log-format", "xml"); status != exitUsage || !strings.Contains(stderr, "text or json") {
		t.Errorf("status %d: %s", status, stderr)
	}
}
