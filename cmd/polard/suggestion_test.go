package main

import (
	"encoding/json"
	"fmt"
	"os/exec"
	"strings"
	"testing"

	"polard/cmd/polard/internal/harness"
)

// A longitude from which the frames would have been taken by day is told with the value
// without the likeliest mistake and the call that does with it; that call, as a shell
// reads it, suggests nothing more.
func TestAxisSuggests(t *testing.T) {
	shell, err := exec.LookPath("sh")
	if err != nil {
		t.Skip("no POSIX shell here")
	}
	set := harness.Practice(t, harness.PracticeFolder+"/axis_002")
	told, silent := 0, 0
	for off := 0.0; off < 360; off += 60 { // all around the Earth: here it is day, there night
		args := append([]string{fmt.Sprintf("--lat=%g", set.Site.Lat), fmt.Sprintf("--lon=%g", set.Site.Lon+off), fmt.Sprintf("--elevation=%g", set.Site.Elev)}, set.Paths()...)
		_, stdout, _ := call(t, append([]string{"axis", "--json"}, args...)...)
		var a axisJSON
		if err := json.Unmarshal([]byte(stdout), &a); err != nil {
			t.Fatalf("%v: %s", err, stdout)
		}
		s := a.Suggestion
		if s == nil {
			silent++
			continue
		}
		told++
		if s.Said == nil || s.Said.Text == "" || (s.AheadS == nil) == (s.LonDeg == nil) {
			t.Errorf("%+g degrees: %+v", off, s)
		}
		words, err := exec.CommandContext(t.Context(), shell, "-c", `printf '%s\n' `+s.Command).Output()
		if err != nil {
			t.Fatal(err)
		}
		again := strings.Split(strings.TrimRight(string(words), "\n"), "\n")
		status, stdout, stderr := call(t, again[1:]...)
		if err := json.Unmarshal([]byte(stdout), &a); err != nil || status != exitDone {
			t.Fatalf("%s: status %d: %s %s", s.Command, status, stdout, stderr)
		}
		if strings.Contains(stdout, `"suggestion"`) {
			t.Errorf("%s suggests once more: %s", s.Command, stdout)
		}
	}
	if told == 0 || silent == 0 {
		t.Errorf("suggested at %d longitudes, not at %d", told, silent)
	}
}
