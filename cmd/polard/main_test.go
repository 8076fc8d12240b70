package main

import (
	"fmt"
	"os"
	"testing"
)

// The tests keep their logbooks in a folder of their own.
func TestMain(m *testing.M) {
	folder, err := os.MkdirTemp("", "polard-tests-")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Setenv("STATE_DIRECTORY", folder)
	status := m.Run()
	os.RemoveAll(folder)
	os.Exit(status)
}
