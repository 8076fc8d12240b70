package main

import (
	"net/http"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"polard/cmd/polard/internal/harness"
	"polard/mountmodel"
	"polard/mountmodel/sky"
)

// breaksBy names, in the environment of a process that a test has started, a file that names the numeric part which is to
// break next.
const breaksBy = "POLARD_TEST_BREAKS_BY"

// breakNamed panics, once, in the part that a file names.
func breakNamed(file string) func(part string) {
	if file == "" {
		return nil
	}
	return func(part string) {
		if named, err := os.ReadFile(file); err == nil && string(named) == part {
			os.Remove(file)
			panic("a mistake in " + part)
		}
	}
}

// A mistake in every numeric part of the session in turn, in the real service, which is killed after each: kill -9. Each costs
// the frame on which it happened, which is kept as one that could not be used, and nothing else: each start goes on where
// the session stood, and at the end it stands where one does that was given the same entries.
func TestMistakesAndKills(t *testing.T) {
	harness.NotUnderRace(t)
	n := harness.NewNight(t, 11)
	n.Turns = 1000 // the bolts are turned below
	state, breaks := t.TempDir(), filepath.Join(t.TempDir(), "breaks")
	t.Setenv(breaksBy, breaks)
	args := []string{"serve", n.Folder, "--state", state, "--measure", "3", "--lat", "46.318", "--lon", "13.072", "--elevation", "640"}
	p := spawn(t, args...)
	lost := map[string]string{}
	good := func() {
		t.Helper()
		n.Expose()
		if s := p.After(t, n.Names[len(n.Names)-1]); !s.Latest.Solved || len(s.Warnings) > 0 && s.Warnings[0].Code == "session_dropped" {
			t.Fatalf("%s: %+v, %+v", n.Names[len(n.Names)-1], s.Latest.Problem, s.Warnings)
		}
	}
	broken := func(part string) {
		t.Helper()
		before := string(mountmodel.Waiting)
		if s := p.State(t); s != nil { // it has just been started
			before = s.Phase
		}
		if err := os.WriteFile(breaks, []byte(part), 0o600); err != nil {
			t.Fatal(err)
		}
		if len(n.Names) > 0 && n.Turns > 0 { // where the next one will be taken
			if err := n.Rig.TurnRA(-25 * sky.Degree); err != nil {
				t.Fatal(err)
			}
		}
		n.Expose()
		name := n.Names[len(n.Names)-1]
		lost[name] = part
		s := p.After(t, name)
		if s.Latest.Solved || s.Latest.Problem == nil || s.Latest.Problem.Code != "internal" || !strings.Contains(s.Latest.Problem.Message, part) {
			t.Fatalf("%s: the page is told %+v", part, s.Latest.Problem)
		}
		if s.Phase != before {
			t.Errorf("%s: phase %s, was %s", part, s.Phase, before)
		}
		// What is shown may not be kept yet; the file is read again then, and breaks nothing.
		harness.Eventually(t, "the frame in the logbook", func() (bool, string) {
			kept := framesKept(t, harness.Book(t, state), n.Folder)
			return len(kept) == len(n.Names), strings.Join(kept, " ")
		})
		p.kill()
		p = spawn(t, args...)
		if again := p.After(t, name); again.Phase != s.Phase || again.Latest.Problem == nil || !reflect.DeepEqual(again.Now, s.Now) {
			t.Errorf("%s: started again it shows %s, %+v; before %s, %+v", part, again.Phase, again.Now, s.Phase, s.Now)
		}
	}
	tell := func(event mountmodel.Event) {
		t.Helper()
		if status, answer := p.Post(t, "event", `{"event":"`+string(event)+`"}`); status != http.StatusNoContent {
			t.Fatalf("%s: %d %s", event, status, answer)
		}
	}
	broken("attitude")
	good()
	broken("clock")
	good()
	broken("measure")
	broken("follow") // of the frame that would end the measurement
	good()
	n.Turns = 0
	good()
	for _, part := range []string{"join", "live", "bolts"} {
		broken(part)
	}
	good()
	tell(mountmodel.Locked)
	n.Turns = 1000
	broken("measure")
	good()
	broken("advice")
	good()
	tell(mountmodel.Measured)
	broken("watch")
	broken("night")
	good()
	s := p.State(t)
	harness.Eventually(t, "all in the logbook", func() (bool, string) {
		kept := framesKept(t, harness.Book(t, state), n.Folder)
		return len(kept) == len(n.Names), strings.Join(kept, " ")
	})
	p.kill()

	if s.Phase != string(mountmodel.Done) {
		t.Errorf("phase %s at the end", s.Phase)
	}
	checkNight(t, n, state, s, lost)
}
