package match

import (
	"errors"
	"math/rand/v2"
	"testing"

	"polard/mountmodel/sky"
)

// Names of passes are their own, and each looks something up.
func TestPassTable(t *testing.T) {
	before := map[string]bool{}
	for _, p := range passes {
		if before[p.name] || p.name == "" {
			t.Errorf("two passes are %q", p.name)
		}
		before[p.name] = true
		if p.patterns <= 0 {
			t.Errorf("%q looks up nothing", p.name)
		}
	}
}

// What the cheap passes leave is tried by the rest, once; with too few detections nothing is.
func TestCheapAndRest(t *testing.T) {
	if testing.Short() || raceEnabled {
		t.Skip("a whole search in vain")
	}
	rng := rand.New(rand.NewPCG(20, 6))
	in := Image{Width: 800, Height: 600}
	for i := range 30 {
		in.Detections = append(in.Detections, Detection{
			Pos: sky.Pixel{X: 800 * rng.Float64(), Y: 600 * rng.Float64()}, Cov: [2][2]float64{{0.01, 0}, {0, 0.01}}, Flux: 1 / float64(i+1), SNR: 20, Height: 20,
		})
	}
	for _, hint := range []Hint{{}, {Scale: 6 * sky.Arcsecond}} {
		s := New(theIndex(), in, hint)
		var failure *Failure
		if _, err := s.Cheap(t.Context()); !errors.As(err, &failure) || failure.Code != "no_match" || !s.More() {
			t.Errorf("%+v: cheap passes: %v, more %v", hint, err, s.More())
		}
		if _, err := s.Rest(t.Context()); !errors.As(err, &failure) || s.More() {
			t.Errorf("%+v: the rest: %v, more %v", hint, err, s.More())
		}
	}
	in.Detections = in.Detections[:FewestStars-1]
	s := New(theIndex(), in, Hint{})
	var failure *Failure
	if _, err := s.Cheap(t.Context()); !errors.As(err, &failure) || failure.Code != "few_stars" || s.More() {
		t.Errorf("few stars: %v, more %v", err, s.More())
	}
}
