package index

import (
	"slices"

	"polard/catalogs/deep"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// The sky as it is gone through for narrow fields, a block of an added catalogue at a time. Here it is the image whose
// shapes are filed and the sky's that are looked up: each star of the sky is then read once, and nothing of it is kept.

const (
	// RegionTol is the stretch of narrow fields: refraction (3e-4 at 45 degrees of altitude, 1e-3 at 20) and a
	// header's scale that is off need no more, and lenses do not distort them.
	RegionTol = 0.0025

	// regionNearest is of how many of the nearest brighter stars three form patterns with a star: of a hundred lists of 9 to 18 stars among
	// half as many others, in fields of 0.2 degrees, 85 are solved with four and 97 with six, which take half as long again.
	regionNearest = 6

	// starsPerCell is how many stars a cell of a region's grid holds on average.
	starsPerCell = 2

	// mostCells bounds the cells along a side, for stars in a row, and leastSide (radians) the side of one, for stars in one place.
	mostCells, leastSide = 1000, 1e-7
)

// Region is a block's stars in the plane of a stereographic projection from its middle, which keeps shapes
// (Snyder 1987, USGS Professional Paper 1395, chapter 21). It may be filled again.
type Region struct {
	middle, e1, e2 sky.Vec
	read, stars    []regionStar // as read; by cell
	starts, next   []int32      // of each cell
	side           float32      // of a cell
	left, below    float32
	columns, rows  int
}

type regionStar struct {
	x, y float32 // radians at the middle, along e1 and e2
	mag  uint16
	own  bool // a pivot of this block
}

// Fill makes the region hold a block and the stars that patterns of a longest side up to reach want around it, with so many stars a square degree
// at their places of a Julian year. Pivots are those that have so many brighter ones in a square degree at least.
func (r *Region) Fill(cat *deep.Catalogue, b deep.Block, reach sky.Angle, pivotsFrom, perSquareDegree, year float64) {
	r.middle = sky.Vec(b.Center)
	axis := sky.Vec{Z: 1}
	if r.middle.Z*r.middle.Z > 0.5 {
		axis = sky.Vec{X: 1}
	}
	r.e1 = sky.Unit(r3.Cross(axis, r.middle))
	r.e2 = r3.Cross(r.middle, r.e1)
	r.read = r.read[:0]
	cat.Thinned(b, reach, perSquareDegree, year, func(p deep.Placed) {
		k := 2 / (1 + r3.Dot(p.At, r.middle))
		r.read = append(r.read, regionStar{
			x: float32(k * r3.Dot(p.At, r.e1)), y: float32(k * r3.Dot(p.At, r.e2)), mag: p.Mag, own: p.Own && float64(p.Rank) >= pivotsFrom,
		})
	})
	r.file()
}

// file sorts the stars read into cells.
func (r *Region) file() {
	var width, height float32
	r.left, r.below, width, height = extent(r.read)
	r.side = sqrt32(width * height * starsPerCell / float32(max(len(r.read), 1)))
	r.side = max(r.side, max(width, height)/mostCells, leastSide)
	r.columns, r.rows = int(width/r.side)+1, int(height/r.side)+1
	n := r.columns * r.rows
	r.starts = slices.Grow(r.starts[:0], n+1)[:n+1]
	clear(r.starts)
	for i := range r.read {
		r.starts[r.cellOf(&r.read[i])+1]++
	}
	for c := range n {
		r.starts[c+1] += r.starts[c]
	}
	r.next = append(r.next[:0], r.starts...)
	r.stars = slices.Grow(r.stars[:0], len(r.read))[:len(r.read)]
	for i := range r.read {
		c := r.cellOf(&r.read[i])
		r.stars[r.next[c]] = r.read[i]
		r.next[c]++
	}
}

// extent is the lower left corner and the size of what holds some stars.
func extent(stars []regionStar) (left, below, width, height float32) {
	if len(stars) == 0 {
		return
	}
	left, below = stars[0].x, stars[0].y
	right, above := left, below
	for i := range stars {
		x, y := stars[i].x, stars[i].y
		left, right, below, above = min(left, x), max(right, x), min(below, y), max(above, y)
	}
	return left, below, right - left, above - below
}

func (r *Region) cellOf(s *regionStar) int {
	return int((s.y-r.below)/r.side)*r.columns + int((s.x-r.left)/r.side)
}

// Place is the direction of a star.
func (r *Region) Place(star uint32) Vec32 {
	s := &r.stars[star]
	x, y := float64(s.x), float64(s.y)
	h := (x*x + y*y) / 4
	at := r3.Add(r3.Scale(1-h, r.middle), r3.Add(r3.Scale(x, r.e1), r3.Scale(y, r.e2)))
	return VecOf(sky.ICRS(r3.Scale(1/(1+h), at)))
}

// Brighter gives the nearest stars within reach that are not fainter, nearest first, as many as fit.
func (r *Region) Brighter(star uint32, reach sky.Angle, into []uint32) []uint32 {
	near := r.nearest(star, len(into), float32(reach*reach))
	return into[:copy(into, near.ids[:near.n])]
}

// nearest finds the nearest stars that are not fainter, so many at most, closer than a distance whose square is given.
func (r *Region) nearest(star uint32, wanted int, worst float32) nearList {
	best := newNearList(wanted)
	best.worst = worst
	s := &r.stars[star]
	fx, fy := (s.x-r.left)/r.side, (s.y-r.below)/r.side
	column, row := int(fx), int(fy)
	fx, fy = fx-float32(column), fy-float32(row)
	around := min(fx, fy, 1-fx, 1-fy)
	for y := row - 1; y <= row+1; y++ {
		r.offer(&best, star, s, y, column-1, column+1)
	}
	for ring := 2; sq32((float32(ring-1)+around)*r.side) < best.worst && ring < max(r.columns, r.rows); ring++ {
		r.offer(&best, star, s, row-ring, column-ring, column+ring)
		r.offer(&best, star, s, row+ring, column-ring, column+ring)
		for _, x := range [2]int{column - ring, column + ring} {
			if x < 0 || x >= r.columns {
				continue
			}
			for y := max(row-ring+1, 0); y < min(row+ring, r.rows); y++ {
				r.offer(&best, star, s, y, x, x)
			}
		}
	}
	return best
}

// offer offers the stars of some cells of a row, which lie together.
func (r *Region) offer(best *nearList, star uint32, s *regionStar, row, from, to int) {
	from, to = max(from, 0), min(to, r.columns-1)
	if row < 0 || row >= r.rows || from > to {
		return
	}
	first := row * r.columns
	lo, hi := r.starts[first+from], r.starts[first+to+1]
	at, worst := *s, best.worst
	stars := r.stars[lo:hi]
	for k := range stars {
		o := &stars[k]
		dx, dy := o.x-at.x, o.y-at.y
		if d := dx*dx + dy*dy; d < worst && o.mag <= at.mag && uint32(lo)+uint32(k) != star {
			best.take(d, uint32(lo)+uint32(k))
			worst = best.worst
		}
	}
}

// Match looks up the patterns of all pivots: visit gets the shapes that are like one of the sky, and the stars of that,
// pivot first and then the sides, longest first.
func (r *Region) Match(shapes *Shapes, visit func(shape int, stars [4]uint32)) {
	shortest2 := float32(sq(shapes.shortest))
	for i := range r.stars {
		s := &r.stars[i]
		if !s.own {
			continue
		}
		near := r.nearest(uint32(i), regionNearest, float32(sq(shapes.longest)))
		for far := 2; far < near.n; far++ {
			longest2 := near.dist[far]
			if longest2 < shortest2 || longest2 == 0 {
				continue
			}
			o := &r.stars[near.ids[far]]
			x, y := (o.x-s.x)/longest2, (o.y-s.y)/longest2
			var side [regionNearest]complex64 // in units of the longest, and turned to it
			for k := range far {
				o := &r.stars[near.ids[k]]
				dx, dy := o.x-s.x, o.y-s.y
				side[k] = complex(dx*x+dy*y, dy*x-dx*y)
			}
			length := sqrt32(longest2)
			for middle := 1; middle < far; middle++ {
				for close := range middle {
					shapes.like(side[middle], side[close], length, func(shape int) {
						visit(shape, [4]uint32{uint32(i), near.ids[far], near.ids[middle], near.ids[close]})
					})
				}
			}
		}
	}
}
