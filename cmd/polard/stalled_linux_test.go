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
