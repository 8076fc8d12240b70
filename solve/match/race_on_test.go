//go:build race

package match

// raceEnabled: the race detector makes the search ten times slower.
const raceEnabled = true
