//go:build race

package solve

// raceEnabled: the race detector makes the search ten times slower.
const raceEnabled = true
