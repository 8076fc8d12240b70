// Command polard measures where a mount's right ascension axis points
// relative to the refracted celestial pole, from FITS frames of any part of
// the sky, and tells which bolt to turn, which way and how far.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	// From the first signal on the next one ends the program at once.
	context.AfterFunc(ctx, stop)
	os.Exit(execute(ctx, os.Args[1:], os.Stdout, os.Stderr))
}
