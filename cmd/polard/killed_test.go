package main

import (
	"bufio"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"polard/cmd/polard/internal/harness"
	"polard/cmd/polard/internal/service"
	"polard/mountmodel"
	"polard/mountmodel/logbook"
	"polard/web"
)

var kills = flag.Int("kills", 5, "how many times TestKilled kills the service; 'make kills' takes 200")

// asProgram makes the test binary be the program: a real process to be killed.
const asProgram = "POLARD_TEST_AS_PROGRAM"

// process is a polard that runs as a process of its own.
type process struct {
	*running
	cmd *exec.Cmd
}

// asProcess starts a command line in which the test binary is the program, and gives what it prints.
func asProcess(t testing.TB, words []string) (p *process, out io.Reader) {
	t.Helper()
	p = &process{running: &running{new(harness.Running)}, cmd: exec.Command(words[0], words[1:]...)}
	p.cmd.Env = append(os.Environ(), asProgram+"=1")
	p.cmd.Stderr = &p.Stderr
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	return p, out
}

// spawn starts polard as a process and waits for its page.
func spawn(t testing.TB, args ...string) *process {
	t.Helper()
	words := append([]string{os.Args[0]}, append(args, "--addr", "127.0.0.1:0")...)
	if *harness.Emulator != "" {
		words = append([]string{*harness.Emulator}, words...)
	}
	p, out := asProcess(t, words)
	t.Cleanup(func() { p.kill() })
	lines := bufio.NewScanner(out)
	for p.URL == "" && lines.Scan() {
		p.URL = harness.PageAddress.FindString(lines.Text())
	}
	if p.URL == "" {
		t.Fatalf("the service did not start: %s", p.Stderr.String())
	}
	go func() { // the pipe must not fill
		for lines.Scan() {
		}
	}()
	return p
}

// kill is kill -9: the process has no say in it.
func (p *process) kill() {
	if p.cmd.ProcessState == nil {
		_ = p.cmd.Process.Kill()
		_ = p.cmd.Wait()
	}
}

// A rehearsal during which the service is killed at random moments: while
// files come in, are read, are being kept, while commands are answered. After
// each start it goes on, and at the end no frame is missing or doubled, every
// command that was answered is there, the logbook is sound, and the session
// stands to the last bit where one stands that is given the same entries.
func TestKilled(t *testing.T) {
	harness.NotUnderRace(t)
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d, %d kills", seed, *kills)
	n := harness.NewNight(t, seed)
	state := t.TempDir()
	args := []string{"serve", n.Folder, "--state", state, "--measure", "3", "--lat", "46.318", "--lon", "13.072", "--elevation", "640"}
	p := spawn(t, args...)
	answered := 1.0 // the last tolerance that the service said yes to, arcminutes
	slowest := time.Duration(0)
	for k := range *kills {
		n.Expose()
		if n.Rand.IntN(2) == 0 {
			asked := 1 + float64(k%50)/10
			resp, err := http.Post(p.URL+"api/v1/tolerance", "application/json", strings.NewReader(fmt.Sprintf(`{"arcmin":%g}`, asked)))
			if err == nil {
				if resp.StatusCode == http.StatusNoContent {
					answered = asked
				}
				resp.Body.Close()
			}
		}
		// Noticing, reading and keeping a frame takes some 200 ms.
		time.Sleep(time.Duration(n.Rand.IntN(400)) * time.Millisecond)
		p.kill()
		begin := time.Now()
		p = spawn(t, args...)
		slowest = max(slowest, time.Since(begin))
	}
	// The newest may be read first, so that the last one read may be an older one.
	var last string
	harness.Eventually(t, "the last entry on the disk", func() (bool, string) {
		kept, read := framesKept(t, harness.Book(t, state), n.Folder), framesRead(t, harness.Book(t, state), n.Folder)
		if len(read) > 0 {
			last = read[len(read)-1]
		}
		return len(kept) >= len(n.Names), fmt.Sprintf("kept %v, read %v", kept, read)
	})
	s := p.After(t, last)
	if *kills >= 5 && s.Phase != string(mountmodel.Adjusting) {
		t.Errorf("phase %s", s.Phase)
	}
	if float64(s.ToleranceArcmin) < answered-1e-9 || float64(s.ToleranceArcmin) > answered+1e-9 {
		t.Errorf("tolerance %v, but %v was answered", s.ToleranceArcmin, answered)
	}
	p.kill()
	checkNight(t, n, state, s, nil)
	t.Logf("slowest start %v", slowest.Round(time.Millisecond))
}

// Frames that come with times of long ago, while the service runs or while it does not, and
// files that are renamed between its runs, before or after they were taken: killed again and
// again, the session loses and doubles nothing, by content.
func TestKilledAmongOldTimes(t *testing.T) {
	harness.NotUnderRace(t)
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d, %d kills", seed, *kills)
	n := harness.NewNight(t, seed)
	state := t.TempDir()
	args := []string{"serve", n.Folder, "--state", state, "--measure", "3", "--lat", "46.318", "--lon", "13.072", "--elevation", "640"}
	// What lies there from another night, under any name, is none of this session.
	n.Expose()
	old := time.Now().Add(-30 * 24 * time.Hour)
	if err := os.Chtimes(filepath.Join(n.Folder, n.Names[0]), old, old); err != nil {
		t.Fatal(err)
	}
	paths := []string{n.Names[0]}
	expose := func() {
		n.Expose()
		name := n.Names[len(n.Names)-1]
		if n.Rand.IntN(3) > 0 { // as cp -p leaves them, or a camera whose clock was never set
			at := time.Date(2000+n.Rand.IntN(24), 1, 1, 0, 0, n.Rand.IntN(1e6), n.Rand.IntN(1e9), time.UTC)
			if err := os.Chtimes(filepath.Join(n.Folder, name), at, at); err != nil {
				t.Fatal(err)
			}
		}
		paths = append(paths, name)
	}
	p := spawn(t, args...)
	for k := range *kills {
		if k == 0 || n.Rand.IntN(2) == 0 {
			expose()
			time.Sleep(time.Duration(n.Rand.IntN(600)) * time.Millisecond)
		}
		p.kill()
		if n.Rand.IntN(2) == 0 {
			expose()
		}
		if i := n.Rand.IntN(len(paths)); n.Rand.IntN(2) == 0 {
			renamed := fmt.Sprintf("renamed %03d.fits", k)
			if err := os.Rename(filepath.Join(n.Folder, paths[i]), filepath.Join(n.Folder, renamed)); err != nil {
				t.Fatal(err)
			}
			paths[i] = renamed
		}
		p = spawn(t, args...)
	}
	harness.Eventually(t, "all frames", func() (bool, string) {
		got := framesKept(t, harness.Book(t, state), n.Folder)
		return len(got) >= len(paths)-1, fmt.Sprintf("%d of %d", len(got), len(paths)-1)
	})
	time.Sleep(500 * time.Millisecond) // for one too many
	p.kill()
	b := harness.Book(t, state)
	sessions, err := b.Sessions(t.Context(), time.Time{}, 0)
	if err != nil || len(sessions) != 1 {
		t.Fatalf("%d sessions, want 1 (%v)", len(sessions), err)
	}
	sums := map[uint64]string{}
	frames := 0
	if err := b.Entries(t.Context(), sessions[0].ID, false, func(e logbook.Entry) error {
		if e.Frame == nil {
			return nil
		}
		frames++
		if before, doubled := sums[e.Frame.Sum]; doubled || e.Frame.Sum == 0 {
			t.Errorf("%s is there twice, or unread: as %q", e.Frame.Path, before)
		}
		sums[e.Frame.Sum] = e.Frame.Path
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if frames != len(paths)-1 {
		t.Errorf("%d frames kept, want %d", frames, len(paths)-1)
	}
}

// checkNight holds what the logbook has against what was written, and the last
// state against a session given the same entries. lost are the frames that a mistake of ours cost.
func checkNight(t *testing.T, n *harness.Night, state string, last *web.State, lost map[string]string) {
	t.Helper()
	b := harness.Book(t, state)
	if b.SetAside != "" {
		t.Error("the logbook was damaged")
	}
	harness.Intact(t, state)
	sessions, err := b.Sessions(t.Context(), time.Time{}, 0)
	if err != nil || len(sessions) != 1 {
		t.Fatalf("%d sessions, want 1 (%v)", len(sessions), err)
	}
	seen := map[string]int{}
	seq := int64(0)
	var a service.Alignment
	if err := b.Entries(t.Context(), sessions[0].ID, true, func(e logbook.Entry) error {
		if seq++; e.Seq != seq {
			t.Errorf("entry %d has number %d", seq, e.Seq)
		}
		if e.Frame != nil {
			seen[e.Frame.Sighting.Name]++
			want := ""
			if lost[e.Frame.Sighting.Name] != "" {
				want = "internal"
			}
			if e.Frame.Code != want && e.Frame.Code != service.CodePassedOver {
				t.Errorf("%s: %q, want %q: %s", e.Frame.Sighting.Name, e.Frame.Code, want, e.Frame.Sighting.Refused)
			}
		}
		return a.Apply(e)
	}); err != nil {
		t.Fatal(err)
	}
	for _, name := range n.Names {
		if seen[name] != 1 {
			t.Errorf("%s was kept %d times", name, seen[name])
		}
	}
	if len(seen) != len(n.Names) {
		t.Errorf("%d frames kept of %d", len(seen), len(n.Names))
	}
	want := web.StateFromView(a.Session.View(), web.Around{})
	got, _ := json.Marshal(last.Now)
	again, _ := json.Marshal(want.Now)
	if string(got) != string(again) {
		t.Errorf("the page showed %s, the entries give %s", got, again)
	}
}

// SIGTERM ends the process within two seconds, with status 0, while frames come
// in and pages are open, and the last frame that was shown is kept.
func TestTerminated(t *testing.T) {
	n := harness.NewNight(t, 7)
	state := t.TempDir()
	p := spawn(t, "serve", n.Folder, "--state", state, "--lat", "46.318", "--lon", "13.072")
	live := listen(t, p.URL)
	n.Expose()
	p.After(t, n.Names[0])
	n.Expose()
	begin := time.Now()
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), harness.Patience)
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- p.cmd.Wait() }()
	select {
	case err := <-done:
		if took := time.Since(begin); err != nil || took > harness.StopsWithin() {
			t.Errorf("ended with %v after %v, want within %v: %s", err, took, harness.StopsWithin(), p.Stderr.String())
		}
	case <-ctx.Done():
		t.Fatal("it did not end")
	}
	for range live.states { // the service said goodbye
	}
	if got := framesKept(t, harness.Book(t, state), n.Folder); len(got) == 0 || got[0] != n.Names[0] {
		t.Errorf("kept %v", got)
	}
}
