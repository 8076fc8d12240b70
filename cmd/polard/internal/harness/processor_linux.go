package harness

import (
	"syscall"
	"testing"
)

// ProcessorMs is the processor time that this process has had on all cores: on a
// machine that others use too it says more than the clock does.
func ProcessorMs(b *testing.B) float64 {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e6
}
