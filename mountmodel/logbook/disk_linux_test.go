package logbook

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"
)

// disk mounts a small file system of its own, to be filled and locked.
func disk(t *testing.T, size string) (folder string) {
	t.Helper()
	folder = t.TempDir()
	if err := syscall.Mount("tmpfs", folder, "tmpfs", 0, "size="+size); err != nil {
		t.Skipf("this user may not mount file systems: %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(folder, syscall.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	return folder
}

func remount(t *testing.T, folder string, flags uintptr, options string) {
	t.Helper()
	if err := syscall.Mount("tmpfs", folder, "tmpfs", syscall.MS_REMOUNT|flags, options); err != nil {
		t.Fatal(err)
	}
}

// becomes waits until the writer's trouble has a code; "" is none.
func becomes(t *testing.T, k *Writer, code TroubleCode) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		if tr := k.Trouble(); tr == nil && code == "" || tr != nil && tr.Code == code {
			return
		}
	}
	t.Fatalf("trouble %+v, want %q", k.Trouble(), code)
}

// A disk that is really full, and really read-only: the writer says which, keeps
// all in memory, and writes it as soon as there is room; the file is sound.
func TestRealDisks(t *testing.T) {
	folder := disk(t, "600k")
	path := filepath.Join(folder, "state", FileName)
	k := NewWriter(func(ctx context.Context) (Store, error) { return Open(ctx, path) }, session(), nil)
	k.retry = 20 * time.Millisecond
	stop := run(t, k)
	if !k.Written(t.Context(), k.Append(entries()[0])) {
		t.Fatal(k.Trouble())
	}
	const frames = 60 // 11 kB each
	for range frames {
		k.Append(Entry{At: evening, Frame: frame("x", 200)})
	}
	becomes(t, k, TroubleFull)
	remount(t, folder, 0, "size=8m")
	becomes(t, k, "")
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	// A disk that the system has made read-only while the service was down: the
	// session is gone on with.
	remount(t, folder, syscall.MS_RDONLY, "")
	again := session()
	again.ID, again.Count = k.SessionID(), frames+1
	k = NewWriter(func(ctx context.Context) (Store, error) { return Open(ctx, path) }, again, nil)
	k.retry = 20 * time.Millisecond
	stop = run(t, k)
	k.Append(noteEntry("while read-only"))
	becomes(t, k, TroubleReadOnly)
	remount(t, folder, 0, "size=8m")
	becomes(t, k, "")
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	b := openTest(t, path)
	intact(t, b)
	s, err := b.Last(t.Context(), "/nights", time.Time{})
	if err != nil || s == nil {
		t.Fatal(s, err)
	}
	if got := read(t, b, s.ID); len(got) != frames+2 || got[frames+1].Note == nil {
		t.Errorf("%d entries, want %d", len(got), frames+2)
	}
	b.Close()
	// Read-only from the start.
	remount(t, folder, syscall.MS_RDONLY, "")
	k = NewWriter(func(ctx context.Context) (Store, error) { return Open(ctx, filepath.Join(folder, "other", FileName)) }, session(), nil)
	k.retry = 20 * time.Millisecond
	stop = run(t, k)
	becomes(t, k, TroubleReadOnly)
	remount(t, folder, 0, "size=8m")
	becomes(t, k, "")
	if err := stop(); err != nil {
		t.Error(err)
	}
	// Full from the start.
	if err := os.WriteFile(filepath.Join(folder, "filler"), make([]byte, 9<<20), 0o600); !errors.Is(err, syscall.ENOSPC) {
		t.Fatalf("the disk is not full: %v", err)
	}
	k = NewWriter(func(ctx context.Context) (Store, error) { return Open(ctx, filepath.Join(folder, "third", FileName)) }, session(), nil)
	k.retry = 20 * time.Millisecond
	stop = run(t, k)
	becomes(t, k, TroubleFull)
	if err := os.Remove(filepath.Join(folder, "filler")); err != nil {
		t.Fatal(err)
	}
	becomes(t, k, "")
	if err := stop(); err != nil {
		t.Error(err)
	}
}

// In a folder that was there before, and open to all, the logbook and its further files are
// for their owner alone; so is one that was open to all.
func TestLogbookIsPrivate(t *testing.T) {
	folder := t.TempDir()
	if err := os.Chmod(folder, 0o777); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(folder, FileName)
	for _, before := range []string{"", "open to all"} {
		if before != "" {
			for _, suffix := range []string{"", "-wal", "-shm"} {
				_ = os.Chmod(path+suffix, 0o644)
			}
		}
		b, err := Open(t.Context(), path)
		if err != nil {
			t.Fatal(err)
		}
		begin(t, b, "one")
		files, err := os.ReadDir(folder)
		if err != nil || len(files) < 2 {
			t.Errorf("%v (%v)", files, err)
		}
		for _, f := range files {
			if info, err := f.Info(); err != nil || info.Mode().Perm() != 0o600 {
				t.Errorf("%s: %v (%v)", f.Name(), info.Mode(), err)
			}
		}
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	}
}
