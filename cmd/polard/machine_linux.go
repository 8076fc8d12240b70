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
