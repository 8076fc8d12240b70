//go:build unix

package watch

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
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
