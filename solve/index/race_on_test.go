//go:build race

package index

// raceEnabled: the race detector makes the search ten times slower.
const raceEnabled = true
