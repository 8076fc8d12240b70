package main

import (
	"strings"
	"testing"
)

// Places in the sky as charts give them, to the last digit shown: the first from the
// identity 15 degrees = 1 hour, the others at the ends of their ranges.
func TestPlacesForPeople(t *testing.T) {
	for deg, want := range map[float64]string{0: "00h 00m 00.0s", 37.954: "02h 31m 49.0s", 359.99999: "00h 00m 00.0s", 180: "12h 00m 00.0s"} {
		if got := hoursOf(deg); got != want {
			t.Errorf("%g degrees: %s, want %s", deg, got, want)
		}
	}
	for deg, want := range map[float64]string{0: "+00\u00b0 00' 00\"", 88.12: "+88\u00b0 07' 12\"", -0.5: "-00\u00b0 30' 00\"", -89.99999: "-90\u00b0 00' 00\""} {
		if got := degreesOf(deg); got != want {
			t.Errorf("%g degrees: %s, want %s", deg, got, want)
		}
	}
}

// A command that there is none of suggests what is like it, and nothing else.
func TestUnknownCommandSuggestsItsLike(t *testing.T) {
	for _, c := range []struct{ typed, suggests string }{{"serv", "serve"}, {"solv", "solve"}, {"foo", ""}, {"sit", "site"}, {"pole", ""}, {"slove", "solve"}, {"reprot", "report"}} {
		status, _, stderr := call(t, c.typed)
		if status != exitUsage || c.suggests == "" && strings.Contains(stderr, "Did you mean") || c.suggests != "" && !strings.Contains(stderr, c.suggests) {
			t.Errorf("polard %s: status %d, %s", c.typed, status, stderr)
		}
	}
}
