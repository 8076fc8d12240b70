package pairing

import (
	"os"

	"golang.org/x/sys/windows"
)

var errLocked = windows.ERROR_LOCK_VIOLATION

// tryLock takes the lock on a file, or says that another process has it.
func tryLock(f *os.File) error {
	return windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0, new(windows.Overlapped))
}

// syncFolder does nothing: there are no folders to be synced, and NTFS keeps a journal of
// names.
func syncFolder(string) error { return nil }
