// Command polard measures where a mount's right ascension axis points
// relative to the refracted celestial pole, from FITS frames of any part of
// the sky, and tells which bolt to turn, which way and how far.
package main

import (
	"context"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"
)

// gcPercent is how much the heap may grow before its garbage is collected. The index of
// the sky holds up to a hundred and fifty megabytes that are never garbage and cost a
// collection next to nothing; the usual 100 would set aside as much again for garbage.
const gcPercent = 12

func main() {
	debug.SetGCPercent(gcPercent)
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	// From the first signal on the next one ends the program at once.
	context.AfterFunc(ctx, stop)
	os.Exit(execute(ctx, os.Args[1:], os.Stdout, os.Stderr))
}
