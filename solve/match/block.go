package match

import (
	"context"
	"math"
	"math/cmplx"
	"slices"

	"polard/mountmodel/sky"
	"polard/solve/index"
	"polard/solve/match/proof"
)

const (
	// A centroid may lie badTol (pixels) from where it should, three sigma of a bad one (trailed, saturated, blended), or, in images of
	// a few hundred pixels, as far as a part of the distance between stars: chance candidates grow as its fourth power, and with
	// all of it they would take most of the time there.
	badTol         = 1.5
	partOfDistance = 0.02

	// straightAway is how many candidates of a block are weighed as they come: more than chance gives but in images of a few hundred
	// pixels. Of the others neighbours must show first, which would cost three in a hundred lists of a dozen stars, and saves most
	// of the time.
	straightAway = 32
)

// addedSearch is what one image asks of every block. It does not change.
type addedSearch struct {
	image            proof.Detections
	patterns         []lookup // with the detections in the places of their stars
	shapes           *index.Shapes
	reach            sky.Angle
	tolerance        float64 // pixels
	scaleLo, scaleHi float64 // radians per pixel
	occupied         *occupancy
	least            []int
	v                *verifier
}

func newAddedSearch(s *Search) *addedSearch {
	scale := s.hint.Scale.Radians()
	a := &addedSearch{image: s.image, scaleLo: scale * (1 - hintTolerance), scaleHi: scale * (1 + hintTolerance)}
	a.v = newVerifier(s.index.Added, s.hint.Epoch, s.image, verifyDetections)
	chosen := s.image.Brightest(mostImageStars)
	between := math.Sqrt(float64(s.image.Width) * float64(s.image.Height) / float64(len(chosen.At)))
	a.tolerance = max(centroidTol, min(badTol, partOfDistance*between))
	var shapes []index.Shape
	for _, p := range pivotPatterns(chosen, false, true) {
		z := [4]complex128{chosen.At[p[0]], chosen.At[p[1]], chosen.At[p[2]], chosen.At[p[3]]}
		longest := math.Sqrt(max(norm2(z[1]-z[0]), norm2(z[2]-z[0]), norm2(z[3]-z[0])))
		tol := index.RegionTol + 2*a.tolerance/longest
		if tol > loosestShape {
			continue
		}
		for _, l := range shapesOf(z, anyOrder, index.Query{Tol: tol}, false) {
			a.patterns = append(a.patterns, l)
			shapes = append(shapes, index.Shape{U: l.U, V: l.V, Tol: tol, Shortest: longest * a.scaleLo * (1 - tol), Longest: longest * a.scaleHi * (1 + tol)})
			a.reach = max(a.reach, sky.Angle(longest*a.scaleHi*(1+tol)))
		}
	}
	a.shapes = index.NewShapes(shapes)
	a.occupied = newOccupancy(s.image.Brightest(3*mostImageStars), neighbourTol+index.RegionTol*2*between)
	a.least = proof.LeastHits(a.occupied.fill, leastNearOdds, 4*index.Neighbours)
	return a
}

// try looks through a region. It counts the candidates that fitted and gives those that the whole field speaks for; when the context
// ends it makes haste.
func (a *addedSearch) try(ctx context.Context, r *index.Region) (trials int, found []proven) {
	r.Match(a.shapes, func(shape int, stars [4]uint32) {
		if ctx.Err() != nil {
			return
		}
		l := &a.patterns[shape]
		places := [4]index.Vec32{r.Place(stars[0]), r.Place(stars[1]), r.Place(stars[2]), r.Place(stars[3])}
		c, residual2 := fitPattern(places[:], l.z[:], l.turned)
		fitTol2 := sq(a.tolerance + index.RegionTol*cmplx.Abs(l.z[1]-l.z[0]))
		if alpha2 := norm2(c.alpha); !(residual2 <= fitTol2) || alpha2 < 1/sq(a.scaleHi) || alpha2 > 1/sq(a.scaleLo) {
			return
		}
		trials++
		if trials > straightAway && !a.neighboursSeen(&c, r, stars) {
			return
		}
		c.stars = l.z
		if p, ok := a.v.verify(&c, index.RegionTol); ok {
			found = append(found, p)
		}
	})
	return trials, found
}

// neighboursSeen tells whether enough of the places are occupied where the candidate puts its stars' neighbours.
func (a *addedSearch) neighboursSeen(c *candidate, r *index.Region, pattern [4]uint32) bool {
	var asked [4 * index.Neighbours]uint32
	n, inside, hits := 0, 0, 0
	for _, star := range pattern {
		var room [index.Neighbours]uint32
		for _, j := range r.Brighter(star, a.reach, room[:]) {
			if slices.Contains(pattern[:], j) || slices.Contains(asked[:n], j) {
				continue
			}
			asked[n] = j
			n++
			if z := c.pixel(r.Place(j)); a.image.Holds(z, 0) {
				inside++
				if a.occupied.near(z) {
					hits++
				}
			}
		}
	}
	return hits >= a.least[inside]
}
