package main

import "golang.org/x/sys/unix"

// clockSynced tells whether a time service keeps the clock: the kernel's
// STA_UNSYNC, adjtimex(2).
func clockSynced() (synced, known bool) {
	var t unix.Timex
	if _, err := unix.Adjtimex(&t); err != nil {
		return false, false
	}
	return t.Status&unix.STA_UNSYNC == 0, true
}

// freeBytes is the room left for this user where a folder lies, statfs(2).
func freeBytes(folder string) (free uint64, known bool) {
	var s unix.Statfs_t
	if err := unix.Statfs(folder, &s); err != nil {
		return 0, false
	}
	return s.Bavail * uint64(s.Bsize), true
}
