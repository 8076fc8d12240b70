package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime/debug"
	"testing"

	"polard/cmd/polard/internal/devices/devicestest"
	"polard/cmd/polard/internal/harness"
	"polard/cmd/polard/internal/pipeline"
)

// The tests keep their logbooks in a folder of their own. As a process that a test
// has started, this is the program itself.
func TestMain(m *testing.M) {
	devicestest.DriveIfAsked()
	if os.Getenv(asProgram) != "" {
		probe = breakNamed(os.Getenv(breaksBy))
		main()
	}
	if os.Getenv(asReader) != "" {
		readOnce(os.Args[len(os.Args)-1])
	}
	folder, err := os.MkdirTemp("", "polard-tests-")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Setenv("STATE_DIRECTORY", folder)
	os.Setenv("CACHE_DIRECTORY", filepath.Join(folder, "cache"))
	harness.WithoutAdded(folder)
	status := m.Run()
	os.RemoveAll(folder)
	os.Exit(status)
}

// asReader makes the test binary read one frame, as the program does while newer ones wait: without the deeper search.
const asReader = "POLARD_TEST_AS_READER"

func readOnce(path string) {
	debug.SetGCPercent(gcPercent)
	p, err := pipeline.New()
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(exitUsage)
	}
	p.Deepen = func(context.Context) (context.Context, bool) { return nil, false }
	o := p.ReadFile(context.Background(), path)
	if err := printSolved(os.Stdout, o, "", true); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(exitUsage)
	}
	if o.Solution == nil {
		os.Exit(exitNot)
	}
	os.Exit(exitDone)
}
