package main

import (
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"polard/cmd/polard/internal/harness"
	"polard/web"
)

// mounted is a folder seen through a file system that is a program, Debian's bindfs, which
// can be stopped in the middle.
func mounted(t *testing.T, folder string) (at string, program *os.Process) {
	t.Helper()
	if _, err := exec.LookPath("bindfs"); err != nil {
		t.Skip("needs Debian's bindfs")
	}
	at, err := os.MkdirTemp("", "polard-stalled-") // t.TempDir looks into it when it goes
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command("bindfs", "-f", folder, at)
	var said harness.Output
	c.Stdout, c.Stderr = &said, &said
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = c.Process.Signal(syscall.SIGCONT)
		_ = exec.Command("umount", "-l", at).Run()
		_ = c.Process.Kill()
		_ = c.Wait()
		_ = os.Remove(at)
	})
	for end := time.Now().Add(10 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		here, err1 := os.Stat(at)
		parent, err2 := os.Stat(filepath.Dir(at))
		if err1 == nil && err2 == nil && here.Sys().(*syscall.Stat_t).Dev != parent.Sys().(*syscall.Stat_t).Dev {
			return at, c.Process
		}
		if time.Now().After(end) {
			t.Skipf("nothing can be mounted here: %s", said.String())
		}
	}
}

// threads is how many a process has.
func threads(t *testing.T, pid int) int {
	t.Helper()
	tasks, err := os.ReadDir(fmt.Sprintf("/proc/%d/task", pid))
	if err != nil {
		t.Fatal(err)
	}
	return len(tasks)
}

// hangs tells whether a page says that the camera's folder does.
func hangs(s *web.State) bool {
	return s != nil && slices.ContainsFunc(s.Warnings, func(n web.Notice) bool { return n.Code == "folder" && strings.Contains(n.Message, "does not answer") })
}

// A camera folder that hangs, on a real mount whose program is stopped: the page says so, the
// probes answer at once however many ask, and hold no threads; the service ends in time; what
// comes once the folder answers again is read.
func TestFolderThatHangs(t *testing.T) {
	t.Parallel() // it waits most of its time
	if testing.Short() {
		t.Skip("waits for a folder that hangs")
	}
	harness.NotUnderRace(t)
	n := harness.NewNight(t, 11)
	at, program := mounted(t, n.Folder)
	args := []string{"serve", at, "--state", t.TempDir(), "--lat", "46.318", "--lon", "13.072"}
	p := spawn(t, args...)
	n.Expose()
	p.After(t, n.Names[0])
	probe := func(path string) (status int, took time.Duration) {
		begin := time.Now()
		answer, err := (&http.Client{Timeout: 10 * time.Second}).Get(p.URL + path)
		if err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		answer.Body.Close()
		return answer.StatusCode, time.Since(begin)
	}
	if status, _ := probe("readyz"); status != http.StatusOK {
		t.Fatalf("before: %d", status)
	}
	before := threads(t, p.cmd.Process.Pid)
	if err := program.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	harness.Eventually(t, "the page to say that the folder hangs", func() (bool, string) {
		return hangs(p.State(t)), p.Stderr.String()
	})
	for range 100 {
		if status, took := probe("readyz"); status != http.StatusServiceUnavailable || took > 2*time.Second {
			t.Fatalf("readyz: %d after %v", status, took)
		}
		if status, took := probe("healthz"); status != http.StatusOK || took > 2*time.Second {
			t.Fatalf("healthz: %d after %v", status, took)
		}
	}
	time.Sleep(2 * time.Second) // of searches that would hang too
	if now := threads(t, p.cmd.Process.Pid); now > before+8 {
		t.Errorf("%d threads, %d before", now, before)
	}
	if status, answer := p.Post(t, "tolerance", `{"arcmin":2}`); status != http.StatusNoContent {
		t.Errorf("a command meanwhile: %d %s", status, answer)
	}
	n.Expose() // behind the mount
	if err := program.Signal(syscall.SIGCONT); err != nil {
		t.Fatal(err)
	}
	if s := p.After(t, n.Names[1]); hangs(s) {
		t.Errorf("it answers again, and the page says %v", s.Warnings)
	}
	// And one that begins to hang does not hold up the end.
	if err := program.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	time.Sleep(3 * time.Second)
	begin := time.Now()
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Wait(); err != nil || time.Since(begin) > harness.StopsWithin() {
		t.Errorf("ended with %v after %v", err, time.Since(begin))
	}
	// Started while it hangs, the service starts, says so, and goes on when it answers.
	p = spawn(t, args...)
	harness.Eventually(t, "the page to say that the folder hangs", func() (bool, string) {
		return hangs(p.State(t)), p.Stderr.String()
	})
	if err := program.Signal(syscall.SIGCONT); err != nil {
		t.Fatal(err)
	}
	n.Expose()
	p.After(t, n.Names[2])
}

// A folder of state that hangs, on a real mount whose program is stopped: the page goes on, a command is answered as not yet
// kept, the service ends in time; one that is started meanwhile says what it waits for and ends when it is told to; and once
// the folder answers the session goes on, with the frame that could not be kept.
func TestStateThatHangs(t *testing.T) {
	if testing.Short() {
		t.Skip("waits for a folder that hangs")
	}
	harness.NotUnderRace(t)
	n := harness.NewNight(t, 12)
	state, program := mounted(t, t.TempDir())
	args := []string{"serve", n.Folder, "--state", state, "--lat", "46.318", "--lon", "13.072"}
	p := spawn(t, args...)
	t.Cleanup(func() { _ = program.Signal(syscall.SIGCONT) }) // before it is waited for, which holds files there
	n.Expose()
	p.After(t, n.Names[0])
	harness.Eventually(t, "a command on the disk, and the frame before it", func() (bool, string) {
		status, answer := p.Post(t, "tolerance", `{"arcmin":3}`)
		return status == http.StatusNoContent, answer
	})
	if err := program.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	n.Expose()
	p.After(t, n.Names[1])
	if status, answer := p.Post(t, "tolerance", `{"arcmin":2}`); status != http.StatusAccepted {
		t.Errorf("a command that is on no disk: %d %s", status, answer)
	}
	// What a page wants to know before it shows anything.
	if answer, err := (&http.Client{Timeout: 10 * time.Second}).Get(p.URL + "api/v1/memories"); err != nil {
		t.Error(err)
	} else if answer.Body.Close(); answer.StatusCode != http.StatusOK {
		t.Errorf("what is remembered: %s", answer.Status)
	}
	begin := time.Now()
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	// The kernel keeps what is left of the process until the folder answers: a file of the logbook is mapped into its memory.
	harness.Eventually(t, "its last word", func() (bool, string) {
		return strings.Contains(p.Stderr.String(), "the disk of the logbook does not answer"), p.Stderr.String()
	})
	if took := time.Since(begin); took > harness.StopsWithin() {
		t.Errorf("ended after %v", took)
	}
	if answer, err := http.Get(p.URL + "healthz"); err == nil {
		answer.Body.Close()
		t.Error("the page is still served")
	}
	c, said := exec.Command(os.Args[0], append(args, "--addr", "127.0.0.1:0")...), new(harness.Output)
	c.Env, c.Stderr = append(os.Environ(), asProgram+"=1"), said
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Process.Kill() })
	harness.Eventually(t, "it to say what it waits for", func() (bool, string) {
		return strings.Contains(said.String(), "the logbook does not answer"), said.String()
	})
	if err := c.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := c.Wait(); err == nil || !strings.Contains(said.String(), "stopped before everything was done") {
		t.Errorf("ended with %v: %s", err, said.String())
	}
	endsByTheSecondSignal(t, append(args, "--addr", "127.0.0.1:0", "--no-log"))
	if err := program.Signal(syscall.SIGCONT); err != nil {
		t.Fatal(err)
	}
	p.kill()
	p = spawn(t, args...)
	n.Expose()
	p.After(t, n.Names[2])
	harness.Eventually(t, "all frames on the disk, once", func() (bool, string) {
		got := framesKept(t, harness.Book(t, state), n.Folder)
		return len(got) == 3, fmt.Sprint(got)
	})
}

// endsByTheSecondSignal starts a service that hangs before it serves, in what it wants to know of paired devices.
func endsByTheSecondSignal(t *testing.T, args []string) {
	t.Helper()
	c := exec.Command(os.Args[0], args...)
	c.Env = append(os.Environ(), asProgram+"=1")
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Process.Kill() })
	ended := make(chan error, 1)
	go func() { ended <- c.Wait() }()
	time.Sleep(2 * time.Second) // it may serve in less, and hangs by then
	harness.Eventually(t, "Ctrl-C, pressed again, to end what hangs", func() (bool, string) {
		select {
		case <-ended:
			return true, ""
		default:
			_ = c.Process.Signal(syscall.SIGTERM)
			return false, "it still runs"
		}
	})
}
