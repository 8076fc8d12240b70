//go:build unix

package watch

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"polard/fits"
)

// A pipe with the name of a frame must not block anything.
func TestPipeIsPassedOver(t *testing.T) {
	folder := t.TempDir()
	pipe := filepath.Join(folder, "pipe.fits")
	if err := syscall.Mkfifo(pipe, 0o644); err != nil {
		t.Skipf("no pipes here: %v", err)
	}
	if _, err := fits.ReadFile(pipe); err == nil {
		t.Error("a pipe was read")
	}
	synctest.Test(t, func(t *testing.T) {
		put(t, filepath.Join(folder, "f.fits"), exposure(0))
		n := startNight(t, Options{Folder: folder})
		defer n.stop()
		n.expect(time.Minute, "f.fits")
	})
}

// A file whose place a pipe takes between the look and the opening, and one that a pipe takes
// before the frame is read, block nothing: the watcher goes on, and ends when it is told to.
func TestSwappedPipe(t *testing.T) {
	folder := t.TempDir()
	pipe := filepath.Join(folder, "pipe")
	if err := syscall.Mkfifo(pipe, 0o644); err != nil {
		t.Skipf("no pipes here: %v", err)
	}
	swap := func(path string) {
		if err := os.Remove(path); err != nil {
			t.Error(err)
		}
		if err := os.Link(pipe, path); err != nil {
			t.Error(err)
		}
	}
	synctest.Test(t, func(t *testing.T) {
		put(t, filepath.Join(folder, "a.fits"), exposure(0))
		put(t, filepath.Join(folder, "b.fits"), exposure(1))
		put(t, filepath.Join(folder, "c.fits"), exposure(2))
		n := startNight(t, Options{
			Folder: folder,
			Skip: func(path string, _ int64, _ time.Time) bool { // after the look, before the opening
				if filepath.Base(path) == "a.fits" {
					swap(path)
				}
				return false
			},
			Order: func() Order { // before the reading
				if exists(filepath.Join(folder, "b.fits")) {
					swap(filepath.Join(folder, "b.fits"))
				}
				return OldestFirst
			},
		})
		defer n.stop()
		n.expect(time.Minute, "c.fits")
	})
}

func exists(path string) bool {
	info, err := os.Lstat(path)
	return err == nil && info.Mode().IsRegular()
}

// What the folder is asked beside the loop: one call at a time is out; who asks gets an answer
// in time, also when the service stops; a call that takes its time but goes on is waited for.
func TestAccess(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := newAccess(DefaultAnswers)
		release := make(chan struct{})
		var out atomic.Int64
		hang := func(func()) int {
			out.Add(1)
			defer out.Add(-1)
			<-release
			return 1
		}
		begin := time.Now()
		if _, err := ask(t.Context(), a, hang); !errors.Is(err, ErrStalled) || time.Since(begin) > 2*DefaultAnswers {
			t.Errorf("%v after %v", err, time.Since(begin))
		}
		begin = time.Now()
		for range 1000 {
			if _, err := ask(t.Context(), a, hang); !errors.Is(err, ErrStalled) {
				t.Fatal(err)
			}
		}
		if waited := time.Since(begin); out.Load() != 1 || waited > 0 {
			t.Errorf("%d calls are out, asking waited %v", out.Load(), waited)
		}
		close(release)
		synctest.Wait()
		if v, err := ask(t.Context(), a, hang); v != 1 || err != nil {
			t.Errorf("once it answers again: %d, %v", v, err)
		}
		slow := func(step func()) int {
			for range 20 {
				time.Sleep(DefaultAnswers / 2)
				step()
			}
			return 2
		}
		if v, err := ask(t.Context(), a, slow); v != 2 || err != nil {
			t.Errorf("slow: %d, %v", v, err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		again := make(chan struct{})
		time.AfterFunc(time.Second, cancel)
		begin = time.Now()
		if _, err := ask(ctx, a, func(func()) int { <-again; return 3 }); !errors.Is(err, context.Canceled) || time.Since(begin) != time.Second {
			t.Errorf("%v after %v", err, time.Since(begin))
		}
		close(again)
	})
}

// A link to the folder's parent, there from the beginning or made while it is watched, and
// links from file to file deliver nothing twice, frames or refusals.
func TestLinksDoubleNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		parent := t.TempDir()
		folder := filepath.Join(parent, "frames")
		if err := os.Mkdir(folder, 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.Symlink(parent, filepath.Join(folder, "before")); err != nil {
			t.Fatal(err)
		}
		put(t, filepath.Join(folder, "a.fits"), exposure(0))
		put(t, filepath.Join(folder, "b.fits"), []byte("no frame at all, whatever its name says"))
		n := startNight(t, Options{Folder: folder})
		defer n.stop()
		n.expect(long, "a.fits b.fits(malformed)")
		if err := os.Symlink(parent, filepath.Join(folder, "later")); err != nil {
			t.Fatal(err)
		}
		n.expect(long, "a.fits b.fits(malformed)")
	})
}

// asNobody runs the test once more as a user without rights.
func asNobody(t *testing.T) {
	t.Helper()
	nobody, err := user.Lookup("nobody")
	if err != nil {
		t.Skipf("root may read everything, and there is nobody else: %v", err)
	}
	uid, err := strconv.ParseUint(nobody.Uid, 10, 32)
	if err != nil {
		t.Skipf("user %s: %v", nobody.Uid, err)
	}
	gid, err := strconv.ParseUint(nobody.Gid, 10, 32)
	if err != nil {
		t.Skipf("group %s: %v", nobody.Gid, err)
	}
	// The program and the folder of the test may lie where that user may not look:
	// the one is handed over open, the other is where everybody may write.
	program, err := os.Open("/proc/self/exe")
	if err != nil {
		t.Skipf("root may read everything, and the test cannot start itself: %v", err)
	}
	defer program.Close()
	folder, err := os.MkdirTemp("", "nobody")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(folder)
	if err := os.Chown(folder, int(uid), int(gid)); err != nil {
		t.Skipf("root may read everything, and cannot be another: %v", err)
	}
	const handedOver = 3 // the first of ExtraFiles
	c := exec.CommandContext(t.Context(), fmt.Sprintf("/proc/self/fd/%d", handedOver), "-test.run=^"+t.Name()+"$", "-test.v")
	c.ExtraFiles = []*os.File{program}
	c.Dir = folder
	c.Env = append(os.Environ(), "TMPDIR="+folder)
	c.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}}
	out, err := c.CombinedOutput()
	if errors.Is(err, fs.ErrPermission) || errors.Is(err, fs.ErrNotExist) {
		t.Skipf("root may read everything, and cannot be another: %v", err)
	}
	if passed := "--- PASS: " + t.Name(); err != nil || !strings.Contains(string(out), passed) {
		t.Errorf("as nobody: %v\n%s", err, out)
	}
}

// A file without permission is told once and read as soon as it can be.
func TestFileWithoutPermission(t *testing.T) {
	if os.Geteuid() == 0 { // who may read everything
		asNobody(t)
		return
	}
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		path := filepath.Join(folder, "f.fits")
		put(t, path, exposure(0))
		if err := os.Chmod(path, 0); err != nil {
			t.Fatal(err)
		}
		n := startNight(t, Options{Folder: folder})
		defer n.stop()
		n.expect(time.Minute, "f.fits(closed)")
		if err := os.Chmod(path, 0o644); err != nil {
			t.Fatal(err)
		}
		n.expect(long, "f.fits(closed) f.fits")
	})
}
