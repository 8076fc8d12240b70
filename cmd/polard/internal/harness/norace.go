//go:build !race

package harness

const underRace = false
