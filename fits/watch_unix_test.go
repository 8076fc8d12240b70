//go:build unix

package fits

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"testing/synctest"
	"time"
)

// A pipe with the name of a frame must not block anything.
func TestPipeIsPassedOver(t *testing.T) {
	folder := t.TempDir()
	pipe := filepath.Join(folder, "pipe.fits")
	if err := syscall.Mkfifo(pipe, 0o644); err != nil {
		t.Skipf("no pipes here: %v", err)
	}
	if _, err := ReadFile(pipe); err == nil {
		t.Error("a pipe was read")
	}
	synctest.Test(t, func(t *testing.T) {
		put(t, filepath.Join(folder, "f.fits"), exposure(0))
		n := startNight(t, Options{Folder: folder})
		defer n.stop()
		n.expect(time.Minute, "f.fits")
	})
}

// A file without permission is told once and read as soon as it can be.
func TestFileWithoutPermission(t *testing.T) {
	if os.Geteuid() == 0 {
		t.Skip("root may read everything")
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
