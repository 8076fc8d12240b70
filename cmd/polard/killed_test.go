package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"polard/fits"
	"polard/mountmodel"
	"polard/mountmodel/logbook"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"
	"polard/web"
)

var emulator = flag.String("emulator", "", "the program that runs this one, such as qemu-aarch64-static, for tests that start it again as a process")

var kills = flag.Int("kills", 5, "how many times TestKilled kills the service; 'make kills' takes 200")

// asProgram makes the test binary be the program: a real process to be killed.
const asProgram = "POLARD_TEST_AS_PROGRAM"

// process is a polard that runs as a process of its own.
type process struct {
	running
	cmd *exec.Cmd
}

// spawn starts polard as a process and waits for its page.
func spawn(t testing.TB, args ...string) *process {
	t.Helper()
	words := append([]string{os.Args[0]}, append(args, "--addr", "127.0.0.1:0")...)
	if *emulator != "" {
		words = append([]string{*emulator}, words...)
	}
	p := &process{cmd: exec.Command(words[0], words[1:]...)}
	p.cmd.Env = append(os.Environ(), asProgram+"=1")
	p.cmd.Stderr = &p.stderr
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.kill() })
	lines := bufio.NewScanner(out)
	for p.url == "" && lines.Scan() {
		p.url = pageAddress.FindString(lines.Text())
	}
	if p.url == "" {
		t.Fatalf("the service did not start: %s", p.stderr.String())
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

// night is a rehearsed rig whose frames go into a folder, by the hands of the
// test: it turns the RA axis for the first few frames and the bolts from then on.
type night struct {
	t      testing.TB
	rig    *rehearsal.Rig
	folder string
	at     time.Time
	names  []string // of the frames written
	turns  int      // how many of them measure: the RA axis is turned between them
	r      *rand.Rand
}

func newNight(t testing.TB, seed uint64) *night {
	t.Helper()
	cat, err := openCatalogue()
	if err != nil {
		t.Fatal(err)
	}
	at := time.Now().UTC().Truncate(time.Millisecond)
	rig, err := rehearsal.NewRig(cat, small(rehearsal.Quillmere(at)))
	if err != nil {
		t.Fatal(err)
	}
	return &night{t: t, rig: rig, folder: t.TempDir(), at: at, turns: 3, r: rand.New(rand.NewPCG(seed, 1))}
}

// small makes a rig's frames quick to draw, write and read: a twelfth of the
// pixels over most of the field.
func small(c rehearsal.Config) rehearsal.Config {
	c.Camera.Width, c.Camera.Height, c.Camera.PixelUm = 400, 300, 4*c.Camera.PixelUm*0.75
	c.Camera.FWHMPx, c.Camera.HotPixels = 2, 20
	c.Night.FaintStars = 0
	return c
}

// expose writes the next frame, renamed into place, after turning what is to be
// turned at this stage.
func (n *night) expose() {
	n.t.Helper()
	switch k := len(n.names); {
	case k == 0:
	case k < n.turns:
		if err := n.rig.TurnRA(25 * sky.Degree); err != nil {
			n.t.Fatal(err)
		}
	default:
		if err := errors.Join(n.rig.TurnAltitudeBolt(n.r.Float64()*0.04-0.02), n.rig.TurnAzimuthBolt(n.r.Float64()*0.04-0.02)); err != nil {
			n.t.Fatal(err)
		}
	}
	n.at = n.at.Add(10 * time.Second)
	frame, err := n.rig.Expose(n.at)
	if err != nil {
		n.t.Fatal(err)
	}
	var b bytes.Buffer
	if err := fits.Write(&b, frame); err != nil {
		n.t.Fatal(err)
	}
	name := fmt.Sprintf("frame %04d.fits", len(n.names))
	path := filepath.Join(n.folder, name)
	if err := os.WriteFile(path+".part", b.Bytes(), 0o644); err != nil {
		n.t.Fatal(err)
	}
	if err := os.Rename(path+".part", path); err != nil {
		n.t.Fatal(err)
	}
	n.names = append(n.names, name)
}

// A rehearsal during which the service is killed at random moments: while
// files come in, are read, are being kept, while commands are answered. After
// each start it goes on, and at the end no frame is missing or doubled, every
// command that was answered is there, the logbook is sound, and the session
// stands to the last bit where one stands that is given the same entries.
func TestKilled(t *testing.T) {
	notUnderRace(t)
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d, %d kills", seed, *kills)
	n := newNight(t, seed)
	state := t.TempDir()
	args := []string{"serve", n.folder, "--state", state, "--measure", "3", "--lat", "46.318", "--lon", "13.072", "--elevation", "640"}
	p := spawn(t, args...)
	answered := 1.0 // the last tolerance that the service said yes to, arcminutes
	slowest := time.Duration(0)
	for k := range *kills {
		n.expose()
		if n.r.IntN(2) == 0 {
			asked := 1 + float64(k%50)/10
			resp, err := http.Post(p.url+"api/v1/tolerance", "application/json", strings.NewReader(fmt.Sprintf(`{"arcmin":%g}`, asked)))
			if err == nil {
				if resp.StatusCode == http.StatusNoContent {
					answered = asked
				}
				resp.Body.Close()
			}
		}
		// Noticing, reading and keeping a frame takes some 200 ms.
		time.Sleep(time.Duration(n.r.IntN(400)) * time.Millisecond)
		p.kill()
		begin := time.Now()
		p = spawn(t, args...)
		slowest = max(slowest, time.Since(begin))
	}
	last := n.names[len(n.names)-1]
	s := p.after(t, last)
	if *kills >= 5 && s.Phase != string(mountmodel.Adjusting) {
		t.Errorf("phase %s", s.Phase)
	}
	if float64(s.ToleranceArcmin) < answered-1e-9 || float64(s.ToleranceArcmin) > answered+1e-9 {
		t.Errorf("tolerance %v, but %v was answered", s.ToleranceArcmin, answered)
	}
	eventually(t, "the last entry on the disk", func() (bool, string) {
		got := framesKept(t, book(t, state), n.folder)
		return len(got) >= len(n.names), fmt.Sprint(len(got))
	})
	p.kill()
	checkNight(t, n, state, s)
	t.Logf("slowest start %v", slowest.Round(time.Millisecond))
}

// checkNight holds what the logbook has against what was written, and the last
// state against a session given the same entries.
func checkNight(t *testing.T, n *night, state string, last *web.State) {
	t.Helper()
	b := book(t, state)
	if err := b.Check(t.Context()); err != nil {
		t.Error(err)
	}
	sessions, err := b.Sessions(t.Context(), time.Time{}, 0)
	if err != nil || len(sessions) != 1 {
		t.Fatalf("%d sessions, want 1 (%v)", len(sessions), err)
	}
	seen := map[string]int{}
	seq := int64(0)
	d := newDesk(nil, newLogger(&output{}), mountmodel.Config{}, false)
	if err := b.Entries(t.Context(), sessions[0].ID, true, func(e logbook.Entry) error {
		if seq++; e.Seq != seq {
			t.Errorf("entry %d has number %d", seq, e.Seq)
		}
		if e.Frame != nil {
			seen[e.Frame.Sighting.Name]++
			if e.Frame.Code != "" && e.Frame.Code != codePassedOver {
				t.Errorf("%s was not used: %s", e.Frame.Sighting.Name, e.Frame.Sighting.Refused)
			}
		}
		return d.apply(e)
	}); err != nil {
		t.Fatal(err)
	}
	for _, name := range n.names {
		if seen[name] != 1 {
			t.Errorf("%s was kept %d times", name, seen[name])
		}
	}
	if len(seen) != len(n.names) {
		t.Errorf("%d frames kept of %d", len(seen), len(n.names))
	}
	want := web.StateFromView(d.session.View(), web.Around{})
	got, _ := json.Marshal(last.Now)
	again, _ := json.Marshal(want.Now)
	if string(got) != string(again) {
		t.Errorf("the page showed %s, the entries give %s", got, again)
	}
}

// SIGTERM ends the process within two seconds, with status 0, while frames come
// in and pages are open, and the last frame that was shown is kept.
func TestTerminated(t *testing.T) {
	n := newNight(t, 7)
	state := t.TempDir()
	p := spawn(t, "serve", n.folder, "--state", state, "--lat", "46.318", "--lon", "13.072")
	live := listen(t, p.url)
	n.expose()
	p.after(t, n.names[0])
	n.expose()
	begin := time.Now()
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), testPatience)
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- p.cmd.Wait() }()
	select {
	case err := <-done:
		if took := time.Since(begin); err != nil || took > stopsWithin() {
			t.Errorf("ended with %v after %v, want within %v: %s", err, took, stopsWithin(), p.stderr.String())
		}
	case <-ctx.Done():
		t.Fatal("it did not end")
	}
	for range live.states { // the service said goodbye
	}
	if got := framesKept(t, book(t, state), n.folder); len(got) == 0 || got[0] != n.names[0] {
		t.Errorf("kept %v", got)
	}
}
