//go:build !race

package detect

// raceEnabled: the race detector makes everything ten times slower, and takes memory of its own.
const raceEnabled = false
