// Package costtest measures what a test costs. In goes a function, out come its processor time and the memory
// that the process took for it, as the kernel tells them (getrusage(2), proc(5)).
package costtest

import (
	"bytes"
	"flag"
	"os"
	"runtime/debug"
	"slices"
	"strconv"
	"syscall"
	"testing"
	"time"
)

var asked = flag.Bool("cost", false, "tell how time and memory grow: make cost")

// Skip ends a test that was not asked for.
func Skip(t testing.TB) {
	t.Helper()
	if !*asked {
		t.Skip("make cost runs it")
	}
	debug.SetGCPercent(12) // as the program does
}

// ProcessorTime is what this process has used so far on all processors.
func ProcessorTime(t testing.TB) time.Duration {
	t.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// residentMB reads the process's memory, now (VmRSS) or at most (VmHWM), in megabytes.
func residentMB(t testing.TB, which string) float64 {
	t.Helper()
	status, err := os.ReadFile("/proc/self/status")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := bytes.Cut(status, []byte(which+":"))
	kB, err := strconv.ParseFloat(string(bytes.Fields(rest)[0]), 64)
	if err != nil {
		t.Fatal(err)
	}
	return kB / 1000
}

// Of is the median processor time of some runs of do, and by how much the process grew at most.
func Of(t testing.TB, runs int, do func(run int)) (median time.Duration, grownMB float64) {
	t.Helper()
	debug.FreeOSMemory()
	// 5 sets the mark of the most memory back to what there is now: proc(5).
	if err := os.WriteFile("/proc/self/clear_refs", []byte("5"), 0); err != nil {
		t.Skipf("the most memory cannot be told here: %v", err)
	}
	before := residentMB(t, "VmRSS")
	var times []time.Duration
	for run := range runs {
		start := ProcessorTime(t)
		do(run)
		times = append(times, ProcessorTime(t)-start)
	}
	slices.Sort(times)
	return times[len(times)/2], residentMB(t, "VmHWM") - before
}

// Milliseconds is a time in them.
func Milliseconds(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }
