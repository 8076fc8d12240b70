package match

import (
	"context"
	"errors"
	"math/rand/v2"
	"slices"
	"sync/atomic"
	"testing"

	"polard/mountmodel/sky"
	"polard/solve/match/proof"
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

// What a pass leaves out as tried, a pass before it has looked up, in whatever image: in the same order of the same detections,
// and not later.
func TestTriedBefore(t *testing.T) {
	for i, p := range passes {
		if p.tried == 0 {
			continue
		}
		before := func(o order, w when) bool {
			want := p
			want.name, want.order, want.when, want.patterns, want.tried = "", o, w, p.tried, 0
			return slices.ContainsFunc(passes[:i], func(q pass) bool {
				sooner := q.effort == cheap || q.effort == p.effort || p.effort == expensive
				q.name, q.effort = "", p.effort
				return sooner && q == want
			})
		}
		// Where no sky is structured, the order by brightness is that of a smooth sky first.
		if !before(p.order, p.when) && !(p.order == smoothFirst && before(smoothFirst, structuredSky) && before(byBrightness, always)) {
			t.Errorf("%q leaves out %d patterns that no pass before it looks up", p.name, p.tried)
		}
	}
}

// patternCount counts the patterns that it is given.
type patternCount struct{ n atomic.Int64 }

func (c *patternCount) try(context.Context, pattern) (int, []proven) { c.n.Add(1); return 0, nil }

// The patterns that one pass looks up and those that another leaves out as tried are the same, and the rest is all
// others: also where patterns grow, some at a time.
func TestLeaveOut(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 16))
	var at []complex128
	for range 40 {
		at = append(at, complex(100*rng.Float64(), 100*rng.Float64()))
	}
	looked := func(n int, q patternQueue) int64 {
		var c patternCount
		if m, err := new(Search).look(t.Context(), &c, q, n, nil); m != nil || err != nil {
			t.Fatal(m, err)
		}
		return c.n.Load()
	}
	for _, n := range []int{1, 200, 350, 2000} {
		for name, queue := range map[string]func() patternQueue{
			"growing": func() patternQueue {
				return patternQueue{more: (&growingPatterns{at: at, reach: 60}).more}
			},
			"ready": func() patternQueue {
				return patternQueue{ready: pivotPatterns(proof.Detections{Width: 100, Height: 100, At: at}, false, false)}
			},
		} {
			rest := queue()
			rest.leaveOut(n)
			if first, others, all := looked(n, queue()), looked(toTheEnd, rest), looked(toTheEnd, queue()); first == 0 || others == 0 || first+others != all {
				t.Errorf("%s, %d: %d and %d patterns of %d", name, n, first, others, all)
			}
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
