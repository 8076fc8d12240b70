package solve

import (
	"iter"
	"math"
	"math/cmplx"
	"runtime"
	"slices"
	"sort"
)

// The match: triangles of the image's brightest stars are looked up in the
// index (Groth 1986, AJ 91, 1244; Valdes et al. 1995, PASP 107, 1119); each
// catalogue triangle of the same shape is a candidate, which says where every
// other star must be. A candidate whose neighbours show is verified against the
// whole field, and proved or dropped (proof.go).

const (
	// imageNeighbours is how many nearest neighbours of an image star form
	// triangles with it. It is larger than triangleNeighbours because the
	// image holds stars that the catalogue's level does not.
	imageNeighbours = 10

	// imageSurplus is how many more stars are taken from the image than the
	// catalogue's level should hold in its field.
	imageSurplus = 1.3

	// fewestImageStars and mostImageStars bound the image stars of one attempt.
	fewestImageStars = 10
	mostImageStars   = 60

	// sharpTol and softTol are how far (pixels) a bright star's centroid may lie
	// from where it should: three sigma of a good one, and of a bad one (trailed,
	// saturated, blended). The cost grows as the square, so the sharp one is
	// tried everywhere first.
	sharpTol = 0.35
	softTol  = 1.5

	// shortestSide is the shortest side of a triangle in pixels: below it, a
	// centroid's error of a few tenths moves the shape across many bins.
	shortestSide = 12

	// neighbourTol is how far (pixels) a neighbour may lie from where a candidate
	// puts it, before the stretch of the level is added.
	neighbourTol = 2.5

	// A candidate's neighbours decide whether it is worth looking at the whole
	// field: first those of its anchor, then those of all three stars must be
	// more than chance would show. nearPassed is how many chance candidates of one search
	// should pass (a tenth of a millisecond each in narrow fields), and with the number
	// of entries to look at it makes the odds asked for: next to none in the wide
	// fields' levels, where there are few candidates and the level's stars are often
	// not those of a short exposure; leastNearOdds at the strictest, so that a field of a
	// dozen stars is not lost for want of neighbours.
	// quickPart is how much less is asked of the anchor alone.
	nearPassed    = 3000
	leastNearOdds = 1e-3
	quickPart     = 50
)

// spots is what the match knows of an image: star places, brightest first.
type spots struct {
	width, height int
	at            []complex128 // column + i row
}

func (s spots) holds(z complex128, margin float64) bool {
	return real(z) >= -0.5-margin && real(z) <= float64(s.width)-0.5+margin &&
		imag(z) >= -0.5-margin && imag(z) <= float64(s.height)-0.5+margin
}

func (s spots) centre() complex128 {
	return complex(float64(s.width-1)/2, float64(s.height-1)/2)
}

func (s spots) brightest(n int) spots {
	s.at = s.at[:min(n, len(s.at))]
	return s
}

// even keeps stars that have fewer than starsPerCell brighter ones within the
// radius (pixels) in which a level of the index holds about that many: the
// image's own thinning to even density.
func (s spots) even(radius float64, most int) spots {
	var kept []complex128
	for _, z := range s.at {
		brighter := 0
		for _, k := range kept {
			if sq(real(z-k))+sq(imag(z-k)) < radius*radius {
				brighter++
			}
		}
		if brighter < starsPerCell {
			if kept = append(kept, z); len(kept) == most {
				break
			}
		}
	}
	s.at = kept
	return s
}

func sq(x float64) float64 { return x * x }

// imageTriangle holds three image stars opposite its longest, middle and
// shortest side.
type imageTriangle struct {
	v       [3]int
	x, y    float64
	longest float64 // pixels
	rank    int     // sum of the brightness ranks
}

// imageTriangles forms triangles of each star with pairs of its nearest
// neighbours, brightest first.
func imageTriangles(s spots) []imageTriangle {
	n := len(s.at)
	seen := make(map[[3]int]bool)
	var out []imageTriangle
	order := make([]int, n)
	for a := range n {
		for i := range order {
			order[i] = i
		}
		sort.Slice(order, func(i, j int) bool {
			return cmplx.Abs(s.at[order[i]]-s.at[a]) < cmplx.Abs(s.at[order[j]]-s.at[a])
		})
		near := order[min(1, n):min(1+imageNeighbours, n)]
		for j, c := range near {
			for _, b := range near[:j] {
				key := sorted3(a, b, c)
				if seen[key] {
					continue
				}
				seen[key] = true
				corner := [3]int{a, b, c}
				side := [3]float64{cmplx.Abs(s.at[b] - s.at[c]), cmplx.Abs(s.at[a] - s.at[c]), cmplx.Abs(s.at[a] - s.at[b])}
				x, y, o, ok := shape(side)
				p := vertexOrders[o]
				if !ok || side[p[2]] < shortestSide {
					continue
				}
				out = append(out, imageTriangle{
					v: [3]int{corner[p[0]], corner[p[1]], corner[p[2]]},
					x: x, y: y, longest: side[p[0]], rank: a + b + c,
				})
			}
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].rank < out[j].rank })
	return out
}

func sorted3(a, b, c int) [3]int {
	if a > b {
		a, b = b, a
	}
	if b > c {
		b, c = c, b
	}
	if a > b {
		a, b = b, a
	}
	return [3]int{a, b, c}
}

// occupancy tells in one look whether a detection lies near a place.
type occupancy struct {
	cells []bool
	nx    int
	ny    int
	side  float64
	fill  float64 // part of the cells that are set: the odds of a chance hit
}

func newOccupancy(s spots, tol float64) *occupancy {
	o := &occupancy{side: tol / 1.25}
	o.nx, o.ny = int(float64(s.width)/o.side)+3, int(float64(s.height)/o.side)+3
	o.cells = make([]bool, o.nx*o.ny)
	for _, z := range s.at {
		x0, x1 := int((real(z)-tol)/o.side)+1, int((real(z)+tol)/o.side)+1
		y0, y1 := int((imag(z)-tol)/o.side)+1, int((imag(z)+tol)/o.side)+1
		for y := max(y0, 0); y <= min(y1, o.ny-1); y++ {
			for x := max(x0, 0); x <= min(x1, o.nx-1); x++ {
				o.cells[y*o.nx+x] = true
			}
		}
	}
	set := 0
	for _, c := range o.cells {
		if c {
			set++
		}
	}
	o.fill = float64(set) / float64(len(o.cells))
	return o
}

func (o *occupancy) near(z complex128) bool {
	x, y := int(real(z)/o.side)+1, int(imag(z)/o.side)+1
	return x >= 0 && y >= 0 && x < o.nx && y < o.ny && o.cells[y*o.nx+x]
}

// candidate is a similarity between the image and the sky near one star: pixel
// = at + alpha w, with w = east-like + i north-like gnomonic coordinates about
// the star, in the basis e1, e2; w is conjugated for an image that is not mirrored.
type candidate struct {
	star     vec32
	e1, e2   vec32
	at       complex128
	alpha    complex128 // pixels per radian
	mirrored bool
	corners  [3]complex128 // the detections it came from, as in the image
}

func (c *candidate) pixel(s vec32) complex128 {
	d := s.sub(c.star)
	w := complex(float64(d.dot(c.e1)), float64(d.dot(c.e2)))
	if !c.mirrored {
		w = cmplx.Conj(w)
	}
	return c.at + c.alpha*w
}

// fitTriangle finds the similarity that carries a catalogue triangle onto an
// image triangle; misfit is the square of the largest distance left, in pixels.
func fitTriangle(s0, s1, s2 vec32, z0, z1, z2 complex128) (c candidate, misfit float64) {
	d1, d2 := s1.sub(s0), s2.sub(s0)
	c.star, c.at = s0, z0
	n1 := float32(math.Sqrt(float64(d1.dot(d1))))
	c.e1 = d1.scale(1 / n1)
	c.e2 = s0.cross(c.e1)
	w1 := complex(float64(n1), 0)
	w2 := complex(float64(d2.dot(c.e1)), float64(d2.dot(c.e2)))
	u1, u2 := z1-z0, z2-z0
	// The sense in which the corners go round tells a mirrored image: with
	// rows counted along Y and looking outwards, (column, row, out) is a
	// right-handed triad only in a mirrored image.
	c.mirrored = (imag(w2) > 0) == (imag(cmplx.Conj(u1)*u2) > 0)
	if !c.mirrored {
		w2 = cmplx.Conj(w2)
	}
	// Least squares over the three corners with a free shift.
	wm, um := (w1+w2)/3, (u1+u2)/3
	num := cmplx.Conj(-wm)*(-um) + cmplx.Conj(w1-wm)*(u1-um) + cmplx.Conj(w2-wm)*(u2-um)
	den := norm2(wm) + norm2(w1-wm) + norm2(w2-wm)
	c.alpha = num * complex(1/den, 0)
	shift := um - c.alpha*wm
	c.at = z0 + shift
	misfit = max(norm2(shift), norm2(shift+c.alpha*w1-u1), norm2(shift+c.alpha*w2-u2))
	return c, misfit
}

// norm2 is the square of the absolute value.
func norm2(z complex128) float64 { return sq(real(z)) + sq(imag(z)) }

// search looks through one level for candidates with a scale in the given
// range, some image triangles at a time. The result depends on nothing but
// its input, however many goroutines take part.
type search struct {
	level            *level
	image            spots   // all detections
	scaleLo, scaleHi float64 // radians per pixel
	centroidTol      float64 // pixels
	hinted           vec32   // where to look first
	hintedCos        float32 // cosine of how far from there; 0 searches the whole sky
	assumed          float64 // radians per pixel, for flattening a wide field; 0 for narrow ones
	weigh            func(*candidate) (proven, bool)
	trials           *int // candidates: catalogue triangles that fitted, over the whole frame

	chosen    spots // the image stars that form triangles, as in the image
	flat      spots // the same, flattened
	triangles []imageTriangle
	next      int // the first triangle not tried yet
	occupied  *occupancy
	quick     []int // how many of n places must be occupied, see leastHits
	near      []int
}

// lensPlane undoes the tangent plane for a wide field: each place is moved so
// that distances near it are those of the sky at its centre's scale. The move
// is the equidistant one, r = tan(theta) to theta, which is right along the
// radius to second order; what is left is within the level's shapeTol.
func (s *search) lensPlane(in spots) spots {
	if s.assumed == 0 {
		return in
	}
	c := in.centre()
	out := in
	out.at = make([]complex128, len(in.at))
	for i, z := range in.at {
		r := cmplx.Abs(z-c) * s.assumed
		f := 1.0
		if r > 0 {
			f = math.Atan(r) / r
		}
		out.at[i] = c + (z-c)*complex(f, 0)
	}
	return out
}

// prepare picks the image stars and forms their triangles.
func (s *search) prepare() {
	spec := s.level.spec
	scale := math.Sqrt(s.scaleLo * s.scaleHi)
	area := float64(s.image.width) * float64(s.image.height) * scale * scale
	n := int(min(max(imageSurplus*spec.starsIn(area), fewestImageStars), mostImageStars))
	cellPx := spec.cellSide().Radians() / scale
	s.chosen = s.image.even(cellPx/math.SqrtPi, n)
	s.flat = s.lensPlane(s.chosen)
	s.triangles = imageTriangles(s.flat)
	s.occupied = newOccupancy(s.lensPlane(s.image.brightest(3*n)), neighbourTol+spec.shapeTol*cellPx)
	odds := max(nearPassed/float64(s.volume()), leastNearOdds)
	s.quick = leastHits(s.occupied.fill, quickPart*odds, 3*neighbours)
	s.near = leastHits(s.occupied.fill, odds, 3*neighbours)
}

// volumeSample is the part of the image triangles that volume looks at.
const volumeSample = 16

// volume estimates how many entries of the index the whole search will look at.
func (s *search) volume() int {
	n := 1
	for i := 0; i < len(s.triangles); i += volumeSample {
		for entries := range s.alike(s.triangles[i]) {
			n += volumeSample * len(entries)
		}
	}
	return n
}

// alike gives the parts of the index that may hold triangles like t.
func (s *search) alike(t imageTriangle) iter.Seq[[]uint32] {
	return func(yield func([]uint32) bool) {
		bins, spec := s.level.bins, s.level.spec
		sizeLo := max(bins.sizeBin(t.longest*s.scaleLo*(1-spec.shapeTol)), 0)
		sizeHi := min(bins.sizeBin(t.longest*s.scaleHi*(1+spec.shapeTol)), bins.nsize-1)
		if sizeLo > sizeHi {
			return
		}
		tol := spec.shapeTol + 2*s.centroidTol/t.longest
		for ix := bins.index(t.x - tol - 0.5); ix <= min(bins.index(t.x+tol-0.5), bins.nx-1); ix++ {
			for iy := bins.index(t.y - tol); iy <= min(bins.index(t.y+tol), bins.ny-1); iy++ {
				row := (ix*bins.ny + iy) * bins.nsize
				if !yield(s.level.entry[s.level.starts[row+sizeLo]:s.level.starts[row+sizeHi+1]]) {
					return
				}
			}
		}
	}
}

// roundSize is how many image triangles are looked up together: enough to
// share among the processors, few enough that little is done in vain when the
// first of them leads to the solution.
const roundSize = 8

// round looks up the next few image triangles, at most n, and gives what is
// proved by them, in their order.
func (s *search) round(n int) []proven {
	if s.triangles == nil {
		s.prepare()
	}
	n = min(n, roundSize, len(s.triangles)-s.next)
	var trials [roundSize]int
	var found [roundSize][]proven
	inParallel(runtime.GOMAXPROCS(0), n, func(_, i int) {
		trials[i], found[i] = s.try(s.triangles[s.next+i])
	})
	s.next += n
	for _, t := range trials[:n] {
		*s.trials += t
	}
	return slices.DeleteFunc(slices.Concat(found[:n]...), func(p proven) bool {
		return p.log10Odds(*s.trials) < proofLog10Odds
	})
}

// left is how many triangles have not been looked up yet.
func (s *search) left() int {
	if s.triangles == nil {
		s.prepare()
	}
	return len(s.triangles) - s.next
}

// block is how many entries of the index are looked at together: the
// processor waits for memory most of the time, and so it waits for many at once.
const block = 32

// try looks at every catalogue triangle like t. It counts those that fitted and
// gives those that the whole field speaks for.
func (s *search) try(t imageTriangle) (trials int, found []proven) {
	fitTol2 := sq(s.centroidTol + s.level.spec.shapeTol*t.longest)
	alphaLo2, alphaHi2 := 1/sq(s.scaleHi), 1/sq(s.scaleLo)
	z0, z1, z2 := s.flat.at[t.v[0]], s.flat.at[t.v[1]], s.flat.at[t.v[2]]
	nodes := s.level.nodes
	var anchors [block]uint32
	var corners [block][3]uint32
	var places [block][3]vec32
	for entries := range s.alike(t) {
		for part := range slices.Chunk(entries, block) {
			for k, e := range part {
				anchors[k], corners[k] = s.level.triangle(e)
			}
			for k := range part {
				v := &corners[k]
				places[k] = [3]vec32{nodes[v[0]].at, nodes[v[1]].at, nodes[v[2]].at}
			}
			for k := range part {
				p := &places[k]
				if s.hintedCos != 0 && p[0].dot(s.hinted) < s.hintedCos {
					continue
				}
				c, misfit2 := fitTriangle(p[0], p[1], p[2], z0, z1, z2)
				if alpha2 := norm2(c.alpha); misfit2 > fitTol2 || alpha2 < alphaLo2 || alpha2 > alphaHi2 {
					continue
				}
				trials++
				if !s.neighboursShow(&c, anchors[k], corners[k]) {
					continue
				}
				c.corners = [3]complex128{s.chosen.at[t.v[0]], s.chosen.at[t.v[1]], s.chosen.at[t.v[2]]}
				if p, ok := s.weigh(&c); ok {
					found = append(found, p)
				}
			}
		}
	}
	return trials, found
}

// leastHits is, for each number of places asked for, how many must be occupied for
// the odds against chance, each being occupied with probability fill.
func leastHits(fill, odds float64, most int) []int {
	least := make([]int, most+1)
	for n := range least {
		k := 0
		for k <= n && log10Tail(k, fill*float64(n)) > math.Log10(odds) {
			k++
		}
		least[n] = k
	}
	return least
}

// neighboursShow is the quick check: enough of the places where the
// candidate puts the neighbours of its stars must be occupied.
func (s *search) neighboursShow(c *candidate, anchor uint32, v [3]uint32) bool {
	var asked [3 * neighbours]uint32
	n, inside, hits := 0, 0, 0
	ask := func(star uint32) {
	next:
		for _, j := range s.level.nodes[star].near {
			if j == noStar {
				break
			}
			if j == v[0] || j == v[1] || j == v[2] {
				continue
			}
			for _, a := range asked[:n] {
				if a == j {
					continue next
				}
			}
			asked[n] = j
			n++
			if z := c.pixel(s.level.nodes[j].at); s.image.holds(z, 0) {
				inside++
				if s.occupied.near(z) {
					hits++
				}
			}
		}
	}
	ask(anchor)
	if hits < s.quick[inside] {
		return false
	}
	for _, star := range v {
		if star != anchor {
			ask(star)
		}
	}
	return hits >= s.near[inside]
}
