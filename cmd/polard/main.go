// Command polard measures where a mount's right ascension axis points
// relative to the refracted celestial pole, from FITS frames of any part of
// the sky, and tells which bolt to turn, which way and how far.
//
//	main.go, command.go  the call, exit status
//	solve.go             where frames point; headers.go: world coordinates beside them
//	axis.go, watch.go    the axis from frames, and from ordinary exposures (ordinary.go);
//	                     axiswords.go: in words; suggestion.go: the call put right
//	trail.go             what exposures ask of the alignment
//	serve.go             the page; config.go: its file; pairing.go: other devices; notifiers.go: broker and alarms
//	rehearse.go          the page with a simulated rig
//	measure.go           camera and mount measure by themselves; measureloop.go: while bolts are turned; devices.go: which there are
//	site.go, siteflags.go  the set-up of a place
//	placeflags.go          where the mount stands, its air, the pole aimed at
//	check.go             what this machine lacks; machine_linux.go, machine_other.go: what it is
//	catalogue.go, catalogueplan.go  stars that a user adds
//	log.go, entries.go   what the logbook holds; report.go: a night of it
//	overview.go          many piers on one page
//	state.go             where the program keeps its files
//	terminal.go, logging.go  what is printed and logged
package main

import (
	"context"
	"os"
	"os/signal"
	"runtime"
	"runtime/debug"
	"syscall"
)

// gcPercent is how much the heap may grow before its garbage is collected. The index of
// the sky holds up to a hundred and fifty megabytes that are never garbage and cost a
// collection next to nothing; the usual 100 would set aside as much again for garbage.
const gcPercent = 12

// The thread that the system gives signals to first does nothing but wait: one that waited for a disk or a network that hangs
// would take a Ctrl-C only when that answers.
func init() { runtime.LockOSThread() }

func main() {
	debug.SetGCPercent(gcPercent)
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	// From the first signal on the next one ends the program at once.
	context.AfterFunc(ctx, stop)
	status := make(chan int)
	go func() { status <- execute(ctx, os.Args[1:], os.Stdout, os.Stderr) }()
	os.Exit(<-status)
}
