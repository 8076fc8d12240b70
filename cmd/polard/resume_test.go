package main

import (
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"polard/cmd/polard/internal/harness"
	"polard/cmd/polard/internal/service"
	"polard/mountmodel/logbook"
	"polard/web"
)

// settled is a state without what differs from run to run: where the Sun is, when
// files were read and what is still being done with them, and the picture of the last frame and what is drawn on it, which are not
// kept.
func settled(t *testing.T, s *web.State) string {
	t.Helper()
	if s == nil {
		return "nothing yet"
	}
	c := *s
	if s.Latest != nil {
		l := *s.Latest
		l.ReadMs, l.TookMs, l.Picture, l.Stars, l.Pole, l.Axis = 0, 0, nil, nil, nil, nil
		c.Latest = &l
	}
	c.Memories, c.Sun, c.Reading = 0, nil, nil
	b, err := json.MarshalIndent(c, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// differing are the lines of two texts that differ.
func differing(a, b string) string {
	lines, others := strings.Split(a, "\n"), strings.Split(b, "\n")
	var out []string
	for _, l := range lines {
		if !slices.Contains(others, l) {
			out = append(out, "- "+l)
		}
	}
	for _, l := range others {
		if !slices.Contains(lines, l) {
			out = append(out, "+ "+l)
		}
	}
	return strings.Join(out, "\n")
}

// framesKept are the names of the frames of a folder's last session, in order.
func framesKept(t testing.TB, b *logbook.Book, folder string) (names []string) {
	t.Helper()
	return frameNames(t, b, folder, func(*logbook.Frame) bool { return true })
}

// framesRead are those among them that were not passed over.
func framesRead(t testing.TB, b *logbook.Book, folder string) (names []string) {
	t.Helper()
	return frameNames(t, b, folder, func(f *logbook.Frame) bool { return f.Code != service.CodePassedOver })
}

func frameNames(t testing.TB, b *logbook.Book, folder string, wanted func(*logbook.Frame) bool) (names []string) {
	t.Helper()
	s, err := b.Last(t.Context(), folder, time.Time{})
	if err != nil || s == nil {
		t.Fatal(s, err)
	}
	if err := b.Entries(t.Context(), s.ID, false, func(e logbook.Entry) error {
		if e.Frame != nil && wanted(e.Frame) {
			names = append(names, e.Frame.Sighting.Name)
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return names
}

// A service that is stopped and started again after each frame and each command
// shows after each start what it showed before, and at the end what one that
// ran through shows. No frame is taken twice, none is left out.
func TestGoesOnAfterRestart(t *testing.T) {
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	folder, state := t.TempDir(), t.TempDir()
	args := append([]string{"serve", folder, "--state", state, "--measure", strconv.Itoa(set.Measure)}, set.SiteArgs()...)
	r := start(t, args...)
	if status, answer := r.Post(t, "tolerance", `{"arcmin":2.5}`); status != http.StatusNoContent {
		t.Fatal(status, answer)
	}
	again := func(what string) {
		t.Helper()
		before := settled(t, r.State(t))
		if status, _ := r.Stop(t); status != exitDone {
			t.Fatalf("%s: status %d: %s", what, status, r.Stderr.String())
		}
		r = start(t, args...)
		var after string
		harness.Eventually(t, "the same state after "+what, func() (bool, string) {
			after = settled(t, r.State(t))
			return after == before, fmt.Sprintf("differing lines: %s\nlog: %s", differing(before, after), r.Stderr.String())
		})
	}
	again("nothing but a tolerance")
	var names []string
	for i, f := range set.Frames {
		harness.WriteFrame(t, set.Paths()[i], filepath.Join(folder, f.File))
		r.After(t, f.File)
		names = append(names, f.File)
		again(f.File)
	}
	if s := r.State(t); s.ToleranceArcmin != 2.5 || s.Now == nil {
		t.Errorf("tolerance %v, standing %v", s.ToleranceArcmin, s.Now)
	}
	if status, answer := r.Post(t, "event", `{"event":"locked"}`); status != http.StatusNoContent {
		t.Fatal(status, answer)
	}
	again("the lock")
	if s := r.State(t); s.Phase != "confirming" {
		t.Errorf("phase %s", s.Phase)
	}
	// The numbers are those of a run without a stop.
	a := axisOf(t, append(append([]string{"--measure", strconv.Itoa(set.Measure)}, set.SiteArgs()...), set.Paths()...)...)
	if status, answer := r.Post(t, "event", `{"event":"unlocked"}`); status != http.StatusNoContent {
		t.Fatal(status, answer)
	}
	s, last := r.State(t), a.Adjust[len(a.Adjust)-1]
	sameStatus(t, "after all stops", s.Now, last.Axis, last.Offset, last.Move, last.Uncertainty)
	if got := framesKept(t, harness.Book(t, state), folder); strings.Join(got, " ") != strings.Join(names, " ") {
		t.Errorf("frames kept %v, want %v", got, names)
	}

	// Another command line changes the session; a new session begins anew, and
	// does not take the old frames again.
	r.Stop(t)
	r = start(t, append(args, "--tolerance", "4")...)
	r.After(t, names[len(names)-1])
	if s := r.State(t); s.ToleranceArcmin != 4 || s.Phase != "adjusting" {
		t.Errorf("with another tolerance: %v, phase %s", s.ToleranceArcmin, s.Phase)
	}
	r.Stop(t)
	r = start(t, append(args, "--new-session")...)
	harness.WriteFrame(t, harness.PracticeFolder+"/solve_000/f0.fits", filepath.Join(folder, "new.fits"))
	if s := r.After(t, "new.fits"); len(s.Frames) != 1 {
		t.Errorf("a new session has %d frames", len(s.Frames))
	}
}

// What came before the place was known is there after a restart, and so is the
// tolerance set meanwhile.
func TestGoesOnWithoutPlace(t *testing.T) {
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	folder, state := t.TempDir(), t.TempDir()
	r := start(t, "serve", folder, "--state", state)
	harness.WriteFrame(t, set.Paths()[0], filepath.Join(folder, "f0.fits"))
	r.After(t, "f0.fits")
	if status, answer := r.Post(t, "tolerance", `{"arcmin":2.5}`); status != http.StatusNoContent {
		t.Fatal(status, answer)
	}
	r.Stop(t)
	r = start(t, "serve", folder, "--state", state)
	if s := r.After(t, "f0.fits"); s.Phase != web.PhasePlace {
		t.Errorf("phase %s", s.Phase)
	}
	r.Stop(t)
	r = start(t, append([]string{"serve", folder, "--state", state}, set.SiteArgs()...)...)
	s := r.After(t, "f0.fits")
	if s.Phase != "measuring" || len(s.Frames) != 1 {
		t.Errorf("with a place: phase %s, frames %+v", s.Phase, s.Frames)
	}
}

// Three services on one logbook, two of them on the same folder too. All show
// every frame; the one that was started last keeps the session that the two have
// in common, each frame once, and the other's page says so. The third keeps its
// own. Whoever is started again goes on where the logbook stands.
func TestServicesOnOneLogbook(t *testing.T) {
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	folder, other, state := t.TempDir(), t.TempDir(), t.TempDir()
	argsOf := func(folder string) []string {
		return append([]string{"serve", folder, "--state", state, "--measure", strconv.Itoa(set.Measure)}, set.SiteArgs()...)
	}
	first := start(t, argsOf(folder)...)
	harness.WriteFrame(t, set.Paths()[0], filepath.Join(folder, "f0.fits"))
	first.After(t, "f0.fits")
	second, third := start(t, argsOf(folder)...), start(t, argsOf(other)...)
	second.After(t, "f0.fits") // from the logbook
	names := []string{"f0.fits"}
	for i, f := range set.Frames[1:] {
		harness.WriteFrame(t, set.Paths()[1+i], filepath.Join(folder, f.File))
		harness.WriteFrame(t, set.Paths()[1+i], filepath.Join(other, f.File))
		for _, r := range []*running{first, second, third} {
			r.After(t, f.File)
		}
		names = append(names, f.File)
	}
	// The second took its lens from another frame than the first.
	same := func(a, b *web.AxisStatus) bool {
		return a != nil && b != nil && math.Abs(float64(a.Axis.AltDeg-b.Axis.AltDeg))*3600 < sameArcsec && math.Abs(float64(a.Axis.AzDeg-b.Axis.AzDeg))*3600 < sameArcsec
	}
	a, b := first.State(t), second.State(t)
	if !same(a.Now, b.Now) {
		t.Errorf("two services read the same frames as %+v and %+v", a.Now, b.Now)
	}
	harness.Eventually(t, "the first to say that it is not keeping", func() (bool, string) {
		w := first.State(t).Warnings
		return len(w) > 0 && w[0].Code == "not_kept" && strings.HasPrefix(w[0].Message, "Another polard"), fmt.Sprint(w)
	})
	for name, r := range map[string]*running{"second": second, "third": third} {
		if w := r.State(t).Warnings; len(w) > 0 && w[0].Code == "not_kept" {
			t.Errorf("the %s: %v", name, w)
		}
	}
	// What is told on the second's page is kept, on the first's it is not.
	for r, tolerance := range map[*running]string{first: "2.5", second: "3.5"} {
		want := map[*running]int{first: http.StatusAccepted, second: http.StatusNoContent}[r]
		if status, answer := r.Post(t, "tolerance", `{"arcmin":`+tolerance+`}`); status != want {
			t.Fatalf("%d, want %d: %s", status, want, answer)
		}
	}
	for _, r := range []*running{first, second, third} {
		if status, _ := r.Stop(t); status != exitDone {
			t.Errorf("status %d: %s", status, r.Stderr.String())
		}
	}
	kept := harness.Book(t, state)
	if kept.SetAside != "" {
		t.Error("the logbook was damaged")
	}
	harness.Intact(t, state)
	if got := framesKept(t, kept, folder); strings.Join(got, " ") != strings.Join(names, " ") {
		t.Errorf("the two kept %v, want %v", got, names)
	}
	if got := framesKept(t, kept, other); strings.Join(got, " ") != strings.Join(names[1:], " ") {
		t.Errorf("the third kept %v, want %v", got, names[1:])
	}
	again := start(t, argsOf(folder)...)
	if s := again.After(t, names[len(names)-1]); math.Abs(float64(s.ToleranceArcmin)-3.5) > 1e-9 || !same(s.Now, b.Now) || s.Latest.ID != int64(len(names)) {
		t.Errorf("started again: tolerance %v, frame %d, %+v", s.ToleranceArcmin, s.Latest.ID, s.Now)
	}
}

// A logbook that cannot be kept holds nothing up, and the page says so.
func TestLogbookThatCannotBeKept(t *testing.T) {
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	folder, state := t.TempDir(), filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(state, nil, 0o600); err != nil { // where the folder should be
		t.Fatal(err)
	}
	r := start(t, append([]string{"serve", folder, "--state", state}, set.SiteArgs()...)...)
	harness.WriteFrame(t, set.Paths()[1], filepath.Join(folder, "f1.fits"))
	s := r.After(t, "f1.fits")
	if !s.Latest.Solved {
		t.Errorf("the frame was not used: %+v", s.Latest)
	}
	harness.Eventually(t, "the warning", func() (bool, string) {
		s = r.State(t)
		return len(s.Warnings) > 0 && s.Warnings[0].Code == "not_kept", fmt.Sprint(s.Warnings)
	})
	// As soon as there is room, all of it is written.
	if err := os.Remove(state); err != nil {
		t.Fatal(err)
	}
	harness.Eventually(t, "the warning to go", func() (bool, string) {
		s = r.State(t)
		return len(s.Warnings) == 0 || s.Warnings[0].Code != "not_kept", fmt.Sprint(s.Warnings)
	})
	if got := framesKept(t, harness.Book(t, state), folder); len(got) != 1 || got[0] != "f1.fits" {
		t.Errorf("kept %v", got)
	}
}

// systemd.exec(5): StateDirectory= sets STATE_DIRECTORY, several separated by
// colons. XDG Base Directory Specification 0.8: XDG_STATE_HOME, which must be
// absolute, or else $HOME/.local/state.
func TestStateFolder(t *testing.T) {
	for _, c := range []struct {
		called, system, env, want string
	}{
		{"/a", "linux", "STATE_DIRECTORY=/b", "/a"},
		{"", "linux", "STATE_DIRECTORY=/var/lib/polard:/var/lib/other", "/var/lib/polard"},
		{"", "linux", "XDG_STATE_HOME=/x", "/x/polard"},
		{"", "linux", "XDG_STATE_HOME=x", "/home/o/.local/state/polard"},
		{"", "linux", "", "/home/o/.local/state/polard"},
		{"", "windows", "LOCALAPPDATA=/appdata", "/appdata/polard"},
	} {
		name, value, _ := strings.Cut(c.env, "=")
		got, err := stateFolder(c.called, c.system, func(asked string) string {
			if asked == name {
				return value
			}
			return ""
		}, func() (string, error) { return "/home/o", nil })
		if err != nil || got != filepath.FromSlash(c.want) {
			t.Errorf("%+v: %q, %v", c, got, err)
		}
	}
	_, err := stateFolder("", "linux", func(string) string { return "" }, func() (string, error) { return "", os.ErrNotExist })
	if err == nil || !strings.Contains(err.Error(), "--state") {
		t.Errorf("without a home: %v", err)
	}
}
