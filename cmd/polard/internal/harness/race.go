//go:build race

package harness

const underRace = true
