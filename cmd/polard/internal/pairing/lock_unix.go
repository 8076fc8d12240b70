//go:build unix

package pairing

import (
	"os"

	"golang.org/x/sys/unix"
)

// lockFile waits until no other process holds the file, which is this one's until it
// is closed.
func lockFile(f *os.File) error { return unix.Flock(int(f.Fd()), unix.LOCK_EX) }
