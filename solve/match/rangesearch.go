package match

import (
	"context"
	"math"
	"math/cmplx"
	"runtime"
	"slices"

	"polard/solve/index"
	"polard/solve/match/proof"
	"polard/solve/parallel"
)

// What is asked of a candidate's neighbours. First those of its pivot star, then those of all four stars must
// be more than chance would show.
const (
	// neighbourTol is how far (pixels) a neighbour may lie from where a candidate
	// puts it, before the stretch of the level is added.
	neighbourTol = 2.5

	// nearPassed is how many chance candidates of one search
	// should pass (a tenth of a millisecond each in narrow fields), and with the number
	// of candidates to expect it makes the odds asked for: next to none in the wide
	// fields' levels, where there are few candidates and the level's stars are often
	// not those of a short exposure; leastNearOdds at the strictest, so that a field of a
	// dozen stars is not lost for want of neighbours.
	nearPassed    = 10
	leastNearOdds = 1e-2

	// pivotPart is how much less is asked of the pivot star alone.
	pivotPart = 20
)

// rangeSearch looks through one level for candidates with a scale in a
// range. It does not change: what it finds for a pattern depends on nothing else, however many goroutines
// take part.
type rangeSearch struct {
	level            *index.Level
	image            proof.Detections // all detections
	scaleLo, scaleHi float64          // radians per pixel
	lens             lensPlane
	partial          partial
	asked            neighbours
	hinted           index.Vec32 // where to look
	hintedCos        float32     // cosine of how far from there; 0 searches the whole sky
	weigh            func(*candidate) (proven, bool)

	chosen       proof.Detections // the detections that form patterns, as in the image
	flat         proof.Detections // the same, flattened
	occupied     *occupancy
	leastAtPivot []int // how many of n places must be occupied, see proof.LeastHits
	leastInAll   []int
}

// usual completes a search with the detections that form patterns and what is asked of neighbours,
// where most of the brightest are stars of the level. The patterns are those to be looked up.
func (s rangeSearch) usual() (*rangeSearch, []pattern) {
	spec := s.level.Spec
	scale := math.Sqrt(s.scaleLo * s.scaleHi)
	area := float64(s.image.Width) * float64(s.image.Height) * s.scaleHi * s.scaleHi
	n := int(min(max(imageSurplus*spec.StarsIn(area), fewestImageStars), mostImageStars))
	cellPx := spec.CellSide().Radians() / scale
	if spec.Thinned() {
		s.chosen = even(s.image, cellPx/math.SqrtPi, spec.PerCell, n)
	} else {
		s.chosen = s.image.Brightest(mostImageStars)
	}
	s.flat = s.lens.flatten(s.chosen)
	patterns := pivotPatterns(s.flat, s.partial != whole, !spec.Thinned())
	s.occupied = newOccupancy(s.lens.flatten(s.image.Brightest(3*n)), neighbourTol+spec.ShapeTol*cellPx)
	const most = 4 * index.Neighbours
	odds := min(max(nearPassed/s.expected(patterns), leastNearOdds), 1)
	s.leastAtPivot = proof.LeastHits(s.occupied.fill, min(pivotPart*odds, 1), most)
	if s.partial != whole { // the pivot may have no neighbour left, or none that shows
		clear(s.leastAtPivot)
	}
	s.leastInAll = proof.LeastHits(s.occupied.fill, odds, most)
	return &s, patterns
}

// lowCompleteness is usual where most detections are no stars of the level, of which inField are in the field.
func (s rangeSearch) lowCompleteness(inField float64) (*rangeSearch, *growingPatterns) {
	spec := s.level.Spec
	scale := math.Sqrt(s.scaleLo * s.scaleHi)
	area := float64(s.image.Width) * float64(s.image.Height)
	s.chosen = s.image.Brightest(mostGrowingStars)
	s.flat = s.lens.flatten(s.chosen)
	tol := fewerTol + spec.ShapeTol*spec.CellSide().Radians()/scale/2
	s.occupied = newOccupancy(s.lens.flatten(s.image.Brightest(min(len(s.image.At), detectionsWithin(s.image, tol)))), tol)
	const most = 4 * index.Neighbours
	s.leastAtPivot = proof.LeastHits(s.occupied.fill, min(pivotPart*fewerOdds, 1), most)
	s.leastInAll = proof.LeastHits(s.occupied.fill, fewerOdds, most)
	return &s, &growingPatterns{at: s.flat.At, reach: math.Sqrt(patternReach * area / (math.Pi * inField)), last: !spec.Thinned()}
}

// expectedSample is the part of the image patterns that expected looks at.
const expectedSample = 32

// expected estimates how many chance candidates the patterns will meet.
func (s *rangeSearch) expected(patterns []pattern) float64 {
	n := 1.0
	for i := 0; i < len(patterns); i += expectedSample {
		for _, l := range s.lookups(patterns[i]) {
			entries := 0
			for row := range s.level.Rows(&l.Query) {
				entries += len(row)
			}
			// The part of the visited bins' volume that lies within the tolerance.
			coordinates := 4.0
			if l.Missing != 0 {
				coordinates = 2
			}
			n += expectedSample * float64(entries) * math.Pow(1+0.5*s.level.Spec.ShapeBin/l.Tol, -coordinates)
		}
	}
	return n
}

// searcher looks for candidates that a pattern of the image leads to. It counts those that fitted and gives those that the
// whole field speaks for. When the context ends it stops early.
type searcher interface {
	try(ctx context.Context, p pattern) (trials int, found []proven)
}

// roundSize is how many image patterns are looked up together: enough to
// share among the processors, few enough that little is done in vain when the
// first of them leads to the solution.
const roundSize = 64

// round looks up some patterns, at most roundSize. It counts the candidates that fitted and gives
// those that the whole field speaks for, in the patterns' order. The error is the context's.
func round(ctx context.Context, patterns []pattern, in searcher) (trials int, found []proven, err error) {
	var tried [roundSize]int
	var each [roundSize][]proven
	if err := parallel.Each(ctx, runtime.GOMAXPROCS(0), len(patterns), func(_, i int) {
		tried[i], each[i] = in.try(ctx, patterns[i])
	}); err != nil {
		return 0, nil, err
	}
	for _, t := range tried[:len(patterns)] {
		trials += t
	}
	return trials, slices.Concat(each[:len(patterns)]...), nil
}

// block is how many entries of the index are looked at together: the
// processor waits for memory most of the time, and so it waits for many at once.
const block = 32

// try looks at every catalogue pattern like p. It counts those that fitted and
// gives those that the whole field speaks for. When the context ends it stops early.
func (s *rangeSearch) try(ctx context.Context, p pattern) (trials int, found []proven) {
	var batch [block]uint32
	for _, l := range s.lookups(p) {
		n := 0
		flush := func() {
			t, f := s.compare(p, &l, batch[:n])
			trials, found, n = trials+t, append(found, f...), 0
		}
		for row := range s.level.Rows(&l.Query) {
			if ctx.Err() != nil {
				return trials, found
			}
			for _, e := range row {
				if size := index.SizeOf(e); size < l.SizeLo || size > l.SizeHi {
					continue
				}
				batch[n] = e
				if n++; n == block {
					flush()
				}
			}
		}
		flush()
	}
	return trials, found
}

// compare tries entries of the index as what a lookup shows.
func (s *rangeSearch) compare(p pattern, l *lookup, entries []uint32) (trials int, found []proven) {
	fitTol2 := sq(centroidTol + s.level.Spec.ShapeTol*cmplx.Abs(l.z[1]-l.z[0]))
	alphaLo2, alphaHi2 := 1/sq(s.scaleHi), 1/sq(s.scaleLo)
	var stars [block][4]uint32
	var places [block][4]index.Vec32
	for k, e := range entries {
		stars[k] = s.level.Pattern(e)
	}
	seen, third := 4, 2
	if l.Missing != 0 {
		seen = 3
	}
	if l.Missing == 2 {
		third = 3
	}
	for k := range entries {
		v := &stars[k]
		places[k] = [4]index.Vec32{s.level.Place(v[0]), s.level.Place(v[1]), s.level.Place(v[third])}
		if seen == 4 { // else it is not looked at, and would be one more wait for memory
			places[k][3] = s.level.Place(v[3])
		}
	}
	for k := range entries {
		if s.hintedCos != 0 && places[k][0].Dot(s.hinted) < s.hintedCos {
			continue
		}
		if !l.lengthsFit(&places[k], seen) {
			continue
		}
		c, residual2 := fitPattern(places[k][:seen], l.z[:seen], l.turned)
		if alpha2 := norm2(c.alpha); !(residual2 <= fitTol2) || alpha2 < alphaLo2 || alpha2 > alphaHi2 {
			continue
		}
		trials++
		// By chance, a pattern of three lies as near to its place, within the tolerance, with odds
		// as its area, one of four as the square of that.
		fitOdds := residual2 / fitTol2
		if seen == 4 {
			fitOdds *= fitOdds
		}
		if !s.neighboursSeen(&c, stars[k], fitOdds) {
			continue
		}
		c.distortion = s.lens.distortion
		c.stars = [4]complex128{s.chosen.At[p[0]], s.chosen.At[p[1]], s.chosen.At[p[2]], s.chosen.At[p[3]]}
		if p, ok := s.weigh(&c); ok {
			found = append(found, p)
		}
	}
	return trials, found
}

// neighboursSeen is the quick check: enough of the places where the
// candidate puts the neighbours of its stars must be occupied; with orGoodFit fewer may do, where
// chance would seldom fit the pattern as well.
func (s *rangeSearch) neighboursSeen(c *candidate, pattern [4]uint32, fitOdds float64) bool {
	var asked [4 * index.Neighbours]uint32
	n, inside, hits := 0, 0, 0
	for i, star := range pattern {
		for k := range index.Neighbours {
			j, ok := s.level.Neighbour(star, k)
			if !ok {
				break
			}
			if slices.Contains(pattern[:], j) || slices.Contains(asked[:n], j) {
				continue
			}
			asked[n] = j
			n++
			if z := c.pixel(s.level.Place(j)); s.image.Holds(z, 0) {
				inside++
				if s.occupied.near(z) {
					hits++
				}
			}
		}
		if i == 0 && hits < s.leastAtPivot[inside] {
			return false
		}
	}
	if hits >= s.leastInAll[inside] || s.asked != orGoodFit {
		return hits >= s.leastInAll[inside]
	}
	return math.Log10(fitOdds)+proof.Log10Tail(hits, s.occupied.fill*float64(inside)) <= math.Log10(leastNearOdds)
}
