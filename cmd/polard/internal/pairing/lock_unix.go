//go:build unix

package pairing

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

var errLocked = unix.EWOULDBLOCK

// tryLock takes the lock on a file, or says that another process has it.
func tryLock(f *os.File) error { return unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB) }

// syncFolder has the names in a folder on the disk.
func syncFolder(folder string) error {
	d, err := os.Open(folder)
	if err != nil {
		return err
	}
	err = d.Sync()
	if errors.Is(err, unix.EINVAL) { // a file system that knows no such thing: fsync(2)
		err = nil
	}
	return errors.Join(err, d.Close())
}
