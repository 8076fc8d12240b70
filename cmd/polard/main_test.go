package main

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"polard/cmd/polard/internal/devices/devicestest"
)

// The tests keep their logbooks in a folder of their own. As a process that a test
// has started, this is the program itself.
func TestMain(m *testing.M) {
	devicestest.DriveIfAsked()
	if os.Getenv(asProgram) != "" {
		main()
	}
	folder, err := os.MkdirTemp("", "polard-tests-")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Setenv("STATE_DIRECTORY", folder)
	os.Setenv("CACHE_DIRECTORY", filepath.Join(folder, "cache"))
	status := m.Run()
	os.RemoveAll(folder)
	os.Exit(status)
}
