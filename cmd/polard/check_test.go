package main

import (
	"encoding/json"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"polard/cmd/polard/internal/harness"
	"polard/cmd/polard/internal/pipeline"
)

// checked runs polard check and gives what it says of each thing.
func checked(t *testing.T, args ...string) (status int, found map[string][]finding) {
	t.Helper()
	status, stdout, stderr := call(t, append([]string{"check", "--json"}, args...)...)
	if stderr != "" {
		t.Fatalf("status %d: %s", status, stderr)
	}
	found = make(map[string][]finding)
	for line := range strings.Lines(stdout) {
		var f finding
		if err := json.Unmarshal([]byte(line), &f); err != nil {
			t.Fatal(err, line)
		}
		found[f.Check] = append(found[f.Check], f)
	}
	return status, found
}

// wants fails unless one of the findings has the verdict and the words.
func wants(t *testing.T, found []finding, verdict string, words ...string) {
	t.Helper()
	for _, f := range found {
		all := f.Verdict == verdict
		for _, w := range words {
			all = all && strings.Contains(f.Message, w)
		}
		if all {
			return
		}
	}
	t.Errorf("nothing is %s and says %q: %+v", verdict, words, found)
}

func TestCheck(t *testing.T) {
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	folder, state := t.TempDir(), t.TempDir()
	place := append(set.SiteArgs(), "--state", state, "--addr", "127.0.0.1:0")
	_, found := checked(t, append([]string{folder}, place...)...)
	wants(t, found["folder"], checkNote, "no FITS file yet")
	wants(t, found["site"], checkGood)
	wants(t, found["catalogue"], checkGood, "2557501")
	wants(t, found["address"], checkGood)
	wants(t, found["state"], checkGood, state)

	// A frame that was exposed when its header says so.
	frame := filepath.Join(folder, "f0.fits")
	harness.WriteFrame(t, set.Paths()[0], frame)
	status, found := checked(t, append([]string{folder}, place...)...)
	if status != exitNot {
		t.Errorf("status %d although the frame's clock is wrong", status)
	}
	wants(t, found["frame"], checkGood, "f0.fits", "pixels")
	wants(t, found["clock"], checkWrong, "exposed at", "written at")
	p, err := pipeline.New()
	if err != nil {
		t.Fatal(err)
	}
	mid := p.ReadFile(t.Context(), frame).Frame.Mid
	if err := os.Chtimes(frame, mid, mid.Add(5*time.Second)); err != nil {
		t.Fatal(err)
	}
	status, found = checked(t, append([]string{folder}, place...)...)
	if status != exitDone {
		t.Errorf("status %d: %+v", status, found)
	}
	wants(t, found["clock"], checkGood, "fits the time")

	// What is wrong, one by one.
	if err := os.WriteFile(filepath.Join(folder, "zz.fits"), []byte("SIMPLE  = no"), 0o644); err != nil {
		t.Fatal(err)
	}
	_, found = checked(t, folder)
	wants(t, found["frame"], checkWrong, "zz.fits")
	wants(t, found["site"], checkWrong, "--lat and --lon")
	_, found = checked(t, filepath.Join(folder, "gone"))
	wants(t, found["folder"], checkWrong, "no folder")
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	_, found = checked(t, folder, "--addr", ln.Addr().String())
	wants(t, found["address"], checkWrong, "another polard")
	_, found = checked(t, folder, "--addr", "0.0.0.0:0")
	wants(t, found["address"], checkWrong, "--allow-network")
	_, found = checked(t, folder, "--state", frame)
	wants(t, found["state"], checkWrong, "is a file")
	t.Setenv("POLARD_LATITUDE", "3")
	_, found = checked(t, folder)
	wants(t, found["environment"], checkNote, "POLARD_LATITUDE")
	if entries, err := os.ReadDir(state); err != nil || len(entries) != 0 {
		t.Errorf("the check left %v behind (%v)", entries, err)
	}
}
