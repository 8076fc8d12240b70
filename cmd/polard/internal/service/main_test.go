package service

import (
	"os"
	"testing"

	"polard/cmd/polard/internal/harness"
)

func TestMain(m *testing.M) {
	folder, err := os.MkdirTemp("", "polard-tests-")
	if err != nil {
		panic(err)
	}
	harness.WithoutAdded(folder)
	status := m.Run()
	os.RemoveAll(folder)
	os.Exit(status)
}
