package match

import (
	"cmp"
	"slices"

	"polard/solve/match/proof"
)

// Patterns of the image's stars.

const (
	// imageNeighbours is how many nearest neighbours of an image star form
	// patterns with it, three at a time. It is larger than a level's number of neighbours
	// because the image holds stars that the level does not.
	imageNeighbours = 10

	// partialNeighbours is the same for partial patterns, each of which costs far more. Of 31 surveyed lists of 12 to 18 stars in a
	// degree and less that whole patterns leave unsolved, 27 are solved with four neighbours and no other with five or six.
	partialNeighbours = 4

	// imageSurplus is how many more stars are taken from the image than the
	// catalogue's level should hold in its field.
	imageSurplus = 1.3

	// fewestImageStars and mostImageStars bound the image stars of one attempt.
	fewestImageStars = 10
	mostImageStars   = 60

	// In a level whose patterns are of a star and brighter ones, so are those of the image: of stars
	// that are not farther down its list than a factor and some places allow.
	rankSlack  = 1.4
	rankMargin = 6

	// shortestSide is the shortest side in pixels: the centroids of closer
	// stars disturb each other.
	shortestSide = 5
)

// pattern holds the numbers of four image stars: the pivot and three of its neighbours. In a
// partial pattern the third neighbour is missing, and its place holds the pivot again.
type pattern [4]uint16

func (p pattern) isPartial() bool { return p[3] == p[0] }

// pivotPatterns forms patterns of each star with three of its nearest neighbours,
// or two for partial patterns, brightest first: in order of the sum of the stars' ranks. With brighter,
// neighbours much farther down the list than the star do not count.
func pivotPatterns(s proof.Detections, partial, brighter bool) []pattern {
	n := len(s.At)
	var byRank [4 * mostImageStars][]pattern
	add := func(p pattern) {
		rank := int(p[0]) + int(p[1]) + int(p[2]) + int(p[3])
		byRank[rank] = append(byRank[rank], p)
	}
	type neighbour struct {
		dist2 float64
		star  uint16
	}
	near := make([]neighbour, 0, mostImageStars)
	most := imageNeighbours
	if partial {
		most = partialNeighbours
	}
	for pivot := range n {
		near = near[:0]
		for i, z := range s.At {
			if brighter && float64(i) > rankSlack*float64(pivot)+rankMargin {
				break
			}
			if d := norm2(z - s.At[pivot]); i != pivot && d >= shortestSide*shortestSide {
				near = append(near, neighbour{d, uint16(i)})
			}
		}
		slices.SortFunc(near, func(a, b neighbour) int {
			return cmp.Or(cmp.Compare(a.dist2, b.dist2), cmp.Compare(a.star, b.star))
		})
		near = near[:min(most, len(near))]
		for i := range near {
			for j := range i {
				p := pattern{uint16(pivot), near[i].star, near[j].star, uint16(pivot)}
				if partial {
					add(p)
					continue
				}
				for k := range j {
					p[3] = near[k].star
					add(p)
				}
			}
		}
	}
	return slices.Concat(byRank[:]...)
}

// growingPatterns forms the patterns of the low-completeness pass, some at a time.
type growingPatterns struct {
	at    []complex128
	reach float64    // longest side, pixels
	last  bool       // the pivot is the star that comes last, not the central one
	near  [][]uint16 // of each star so far, those within reach
	next  int        // the star that joins next
}

// more gives the patterns of the next star with those before it, by their central star, or by
// that star in levels whose pivots are the faintest of their patterns;
// none when there are no more stars.
func (d *growingPatterns) more() []pattern {
	var out []pattern
	for len(out) == 0 && d.next < len(d.at) {
		i := uint16(d.next)
		d.next++
		var near []uint16
		for j, z := range d.at[:i] {
			if r := norm2(z - d.at[i]); r <= sq(d.reach) && r >= sq(shortestSide) {
				near = append(near, uint16(j))
			}
		}
		if len(near) > mostWithinReach {
			near = nil
		}
		d.near = append(d.near, near)
		add := func(p pattern) {
			if d.last || d.central(p) {
				out = append(out, p)
			}
		}
		for a := range near {
			for b := range a {
				for c := range b {
					add(pattern{i, near[a], near[b], near[c]})
				}
			}
		}
		for _, pivot := range near {
			if d.last {
				break
			}
			others := d.near[pivot]
			if len(others) == mostWithinReach {
				continue
			}
			for b := range others {
				for c := range b {
					add(pattern{pivot, i, others[b], others[c]})
				}
			}
			d.near[pivot] = append(d.near[pivot], i)
		}
	}
	return out
}

// central tells whether the pivot lies nearest to the middle of the four stars, as package index files them.
func (d *growingPatterns) central(p pattern) bool {
	z := d.at[p[0]]
	a, b, c := d.at[p[1]]-z, d.at[p[2]]-z, d.at[p[3]]-z
	middle := (a + b + c) / 4
	m := norm2(middle)
	return norm2(a-middle) >= m && norm2(b-middle) >= m && norm2(c-middle) >= m
}

// patternQueue hands out patterns in order.
type patternQueue struct {
	ready []pattern
	more  func() []pattern // when those are out; nil when there are no others
}

// take gives the next patterns, at most n; none when all are out.
func (q *patternQueue) take(n int) []pattern {
	if len(q.ready) == 0 && q.more != nil {
		q.ready = q.more()
	}
	n = min(n, len(q.ready))
	out := q.ready[:n]
	q.ready = q.ready[n:]
	return out
}

// leaveOut takes off the queue what the rounds take that look up n patterns.
func (q *patternQueue) leaveOut(n int) {
	for ; n > 0; n -= roundSize {
		q.take(min(n, roundSize))
	}
}
