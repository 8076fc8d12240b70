package match

import (
	"cmp"
	"context"
	"math"
	"math/bits"
	"math/cmplx"
	"polard/solve/index"
	"polard/solve/match/proof"
	"polard/solve/parallel"
	"runtime"
	"slices"
)

// The match: patterns of the image's brightest stars, each a hub and three spokes,
// are looked up in the index; each catalogue pattern of the same shape is
// a candidate, which says where every other star must be. A candidate whose
// neighbours show is verified against the whole field, and proved or dropped
// (package proof).

const (
	// imageNeighbours is how many nearest neighbours of an image star form
	// patterns with it, three at a time. It is larger than a level's number of spokes
	// because the image holds stars that the level does not.
	imageNeighbours = 10

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

	// fineTol and coarseTol are how far (pixels) a bright star's centroid may lie
	// from where it should: three sigma of a good one, and of a bad one (trailed,
	// saturated, blended). The cost grows as the square, so the sharp one is
	// tried everywhere first.
	fineTol   = 0.35
	coarseTol = 1.5

	// shortestSpoke is the shortest spoke in pixels: the centroids of closer
	// stars disturb each other.
	shortestSpoke = 5

	// loosestShape is the widest tolerance of a shape with which it is worth looking
	// up: with an eighth of the unit circle's radius in each of four coordinates, one
	// shape in some hundred fits by chance.
	loosestShape = 0.12

	// neighbourTol is how far (pixels) a neighbour may lie from where a candidate
	// puts it, before the stretch of the level is added.
	neighbourTol = 2.5

	// A candidate's neighbours decide whether it is worth looking at the whole
	// field: first those of its hub, then those of all four stars must be
	// more than chance would show. nearPassed is how many chance candidates of one search
	// should pass (a tenth of a millisecond each in narrow fields), and with the number
	// of candidates to expect it makes the odds asked for: next to none in the wide
	// fields' levels, where there are few candidates and the level's stars are often
	// not those of a short exposure; leastNearOdds at the strictest, so that a field of a
	// dozen stars is not lost for want of neighbours.
	// quickPart is how much less is asked of the hub alone.
	// In the last sweeps of a hinted scale, how well the pattern fits counts as well: between clouds none of the
	// neighbours may show.
	nearPassed    = 10
	leastNearOdds = 1e-2
	quickPart     = 20
)

// even keeps stars that have fewer than perCell brighter ones within the
// radius (pixels) in which a level of the index holds about that many: the
// image's own thinning to even density.
func even(s proof.Detections, radius float64, perCell, most int) proof.Detections {
	var kept []complex128
	for _, z := range s.At {
		brighter := 0
		for _, k := range kept {
			if sq(real(z-k))+sq(imag(z-k)) < radius*radius {
				brighter++
			}
		}
		if brighter < perCell {
			if kept = append(kept, z); len(kept) == most {
				break
			}
		}
	}
	s.At = kept
	return s
}

// imagePattern holds the numbers of four image stars: the hub and three spokes. In an
// open pattern the third spoke is missing, and its place holds the hub again.
type imagePattern [4]uint16

func (p imagePattern) open() bool { return p[3] == p[0] }

// imagePatterns forms patterns of each star with three of its nearest neighbours,
// or two for open patterns, brightest first: in order of the sum of the stars' ranks. With brighter,
// neighbours much farther down the list than the star do not count.
func imagePatterns(s proof.Detections, open, brighter bool) []imagePattern {
	n := len(s.At)
	var byRank [4 * mostImageStars][]imagePattern
	add := func(p imagePattern) {
		rank := int(p[0]) + int(p[1]) + int(p[2]) + int(p[3])
		byRank[rank] = append(byRank[rank], p)
	}
	type neighbour struct {
		dist2 float64
		star  uint16
	}
	near := make([]neighbour, 0, mostImageStars)
	for hub := range n {
		near = near[:0]
		for i, z := range s.At {
			if brighter && float64(i) > rankSlack*float64(hub)+rankMargin {
				break
			}
			if d := norm2(z - s.At[hub]); i != hub && d >= shortestSpoke*shortestSpoke {
				near = append(near, neighbour{d, uint16(i)})
			}
		}
		slices.SortFunc(near, func(a, b neighbour) int {
			return cmp.Or(cmp.Compare(a.dist2, b.dist2), cmp.Compare(a.star, b.star))
		})
		near = near[:min(imageNeighbours, len(near))]
		for i := range near {
			for j := range i {
				p := imagePattern{uint16(hub), near[i].star, near[j].star, uint16(hub)}
				if open {
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

// occupancy tells in one look whether a detection lies near a place.
type occupancy struct {
	bits []uint64 // one for each cell
	nx   int
	ny   int
	side float64
	fill float64 // part of the cells that are set: the odds of a chance hit
}

func newOccupancy(s proof.Detections, tol float64) *occupancy {
	o := &occupancy{side: tol / 1.25}
	o.nx, o.ny = int(float64(s.Width)/o.side)+3, int(float64(s.Height)/o.side)+3
	o.bits = make([]uint64, (o.nx*o.ny+63)/64)
	for _, z := range s.At {
		x0, x1 := int((real(z)-tol)/o.side)+1, int((real(z)+tol)/o.side)+1
		y0, y1 := int((imag(z)-tol)/o.side)+1, int((imag(z)+tol)/o.side)+1
		for y := max(y0, 0); y <= min(y1, o.ny-1); y++ {
			for x := max(x0, 0); x <= min(x1, o.nx-1); x++ {
				c := y*o.nx + x
				o.bits[c/64] |= 1 << (c % 64)
			}
		}
	}
	set := 0
	for _, b := range o.bits {
		set += bits.OnesCount64(b)
	}
	o.fill = float64(set) / float64(o.nx*o.ny)
	return o
}

func (o *occupancy) near(z complex128) bool {
	x, y := int(real(z)/o.side)+1, int(imag(z)/o.side)+1
	c := y*o.nx + x
	return x >= 0 && y >= 0 && x < o.nx && y < o.ny && o.bits[c/64]>>(c%64)&1 != 0
}

// candidate is a similarity between the image and the sky near one star: pixel
// = at + alpha w, with w = east-like + i north-like gnomonic coordinates about
// the star, in the basis e1, e2; w is conjugated for an image that is not mirrored.
type candidate struct {
	star     index.Vec32
	e1, e2   index.Vec32
	at       complex128
	alpha    complex128 // pixels per radian
	mirrored bool
	bend     float64       // of the lens assumed, see lensPlane
	stars    [4]complex128 // the detections it came from, as in the image
}

func (c *candidate) pixel(s index.Vec32) complex128 {
	d := s.Sub(c.star)
	w := complex(float64(d.Dot(c.e1)), float64(d.Dot(c.e2)))
	if !c.mirrored {
		w = cmplx.Conj(w)
	}
	return c.at + c.alpha*w
}

// fitPattern finds the similarity that carries a catalogue pattern, hub first and at least
// two spokes, onto one of the image; turned tells that the image's second spoke lies to
// the right of its first. misfit is the square of the largest distance left, in pixels.
func fitPattern(s []index.Vec32, z []complex128, turned bool) (c candidate, misfit float64) {
	c.star = s[0]
	c.e1, c.e2 = index.Tangent(s[0], s[1].Sub(s[0]))
	var w, u [4]complex128
	for i := 1; i < len(s); i++ {
		d := s[i].Sub(s[0])
		w[i] = complex(float64(d.Dot(c.e1)), float64(d.Dot(c.e2)))
		u[i] = z[i] - z[0]
	}
	// The sense in which the spokes go round tells a mirrored image: with
	// rows counted along Y and looking outwards, (column, row, out) is a
	// right-handed triad only in a mirrored image.
	c.mirrored = (imag(w[2]) < 0) == turned
	if !c.mirrored {
		for i := range w {
			w[i] = cmplx.Conj(w[i])
		}
	}
	// Least squares over the stars with a free shift.
	part := complex(1/float64(len(s)), 0)
	wm, um := (w[1]+w[2]+w[3])*part, (u[1]+u[2]+u[3])*part
	var num complex128
	var den float64
	for i := range s {
		num += cmplx.Conj(w[i]-wm) * (u[i] - um)
		den += norm2(w[i] - wm)
	}
	c.alpha = num * complex(1/den, 0)
	shift := um - c.alpha*wm
	c.at = z[0] + shift
	for i := range s {
		misfit = max(misfit, norm2(shift+c.alpha*w[i]-u[i]))
	}
	return c, misfit
}

// norm2 is the square of the absolute value.
func norm2(z complex128) float64 { return sq(real(z)) + sq(imag(z)) }

// rangeSearch looks through one level for candidates with a scale in the given
// range, some image patterns at a time. The result depends on nothing but
// its input, however many goroutines take part.
type rangeSearch struct {
	level            *index.Level
	image            proof.Detections // all detections
	scaleLo, scaleHi float64          // radians per pixel
	tolerance        float64          // pixels
	partial          partial
	asked            neighbours
	deepInField      float64     // stars of the level in the field, for a deep search; 0 for others
	hinted           index.Vec32 // where to look first
	hintedCos        float32     // cosine of how far from there; 0 searches the whole sky
	assumed          float64     // radians per pixel, for flattening a wide field; 0 for narrow ones
	bend             float64     // of the lens assumed, see lensPlane
	weigh            func(*candidate) (proven, bool)
	trials           *int // candidates: catalogue patterns that fitted, over the whole frame

	prepared bool
	chosen   proof.Detections // the image stars that form patterns, as in the image
	flat     proof.Detections // the same, flattened
	patterns []imagePattern
	source   *deepPatterns // of further patterns; nil when there are none
	next     int           // the first pattern not tried yet
	occupied *occupancy
	quick    []int // how many of n places must be occupied, see proof.LeastHits
	near     []int
}

// lensPlane undoes the tangent plane for a wide field, and the distortion of a lens
// whose image of the tangent plane is r = t (1 + bend t^2): each place is moved so
// that distances near it are those of the sky at its centre's scale. The move
// is the equidistant one, t = tan(theta) to theta, which is right along the
// radius to second order; what is left is within the level's shapeTol.
func (s *rangeSearch) lensPlane(in proof.Detections) proof.Detections {
	if s.assumed == 0 {
		return in
	}
	c := in.Centre()
	out := in
	out.At = make([]complex128, len(in.At))
	for i, z := range in.At {
		r := cmplx.Abs(z-c) * s.assumed
		f := 1.0
		if r > 0 {
			t := r
			for range 3 { // enough for a tenth of distortion
				t = r / (1 + s.bend*t*t)
			}
			f = math.Atan(t) / r
		}
		out.At[i] = c + (z-c)*complex(f, 0)
	}
	return out
}

// prepare picks the image stars and forms their patterns.
func (s *rangeSearch) prepare() {
	s.prepared = true
	if s.deepInField > 0 {
		s.prepareDeep()
		return
	}
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
	s.flat = s.lensPlane(s.chosen)
	s.patterns = imagePatterns(s.flat, s.partial != whole, !spec.Thinned())
	s.occupied = newOccupancy(s.lensPlane(s.image.Brightest(3*n)), neighbourTol+spec.ShapeTol*cellPx)
	const most = 4 * index.Neighbours
	odds := min(max(nearPassed/s.expected(), leastNearOdds), 1)
	if s.asked == none {
		odds = 1
	}
	s.quick = proof.LeastHits(s.occupied.fill, min(quickPart*odds, 1), most)
	if s.partial != whole || s.asked == orGoodFit { // the hub may have no neighbour left, or none that shows
		clear(s.quick)
	}
	s.near = proof.LeastHits(s.occupied.fill, odds, most)
}

// expectedSample is the part of the image patterns that expected looks at.
const expectedSample = 32

// expected estimates how many chance candidates the whole search will meet.
func (s *rangeSearch) expected() float64 {
	n := 1.0
	for i := 0; i < len(s.patterns); i += expectedSample {
		for _, l := range s.lookups(s.patterns[i]) {
			entries := 0
			for row := range s.level.Rows(&l.Query) {
				entries += len(row)
			}
			// The part of the visited bins' volume that lies within the tolerance.
			coordinates := 4.0
			if l.Unseen != 0 {
				coordinates = 2
			}
			n += expectedSample * float64(entries) * math.Pow(1+0.5*s.level.Spec.ShapeBin/l.Tol, -coordinates)
		}
	}
	return n
}

// lookup is a shape to look for in the index.
type lookup struct {
	index.Query
	z             [4]complex128
	turned        bool       // the shape is of the image's mirror image
	least2, most2 [2]float32 // squares of the shorter spokes over that of the longest
}

// lookups gives the shapes as which an image pattern may be filed: more than one
// where centroid errors may change which spoke is longer, or on which side of
// the longest the second lies.
func (s *rangeSearch) lookups(p imagePattern) (all []lookup) {
	z := [4]complex128{s.flat.At[p[0]], s.flat.At[p[1]], s.flat.At[p[2]], s.flat.At[p[3]]}
	longest := max(norm2(z[1]-z[0]), norm2(z[2]-z[0]), norm2(z[3]-z[0]))
	longest = math.Sqrt(longest)
	spec := s.level.Spec
	// Both ends of a spoke and of the longest one move.
	tol := spec.ShapeTol + 2*s.tolerance/longest
	if tol > loosestShape {
		return nil
	}
	sizeLo, sizeHi, ok := s.level.Sizes(longest*s.scaleLo*(1-tol), longest*s.scaleHi*(1+tol))
	if !ok {
		return nil
	}
	orders := [][4]uint8{{0, 1, 2, 3}, {0, 1, 3, 2}, {0, 2, 1, 3}, {0, 2, 3, 1}, {0, 3, 1, 2}, {0, 3, 2, 1}}
	if p.open() {
		orders = [][4]uint8{{0, 1, 2, 0}, {0, 2, 1, 0}}
	}
	// The catalogue's pattern is filed by its central star.
	middle := (z[1] + z[2] + z[3] - 3*z[0]) / 4
	slack := tol * longest
	for _, to := range z[1:] {
		if !p.open() && s.level.Spec.Thinned() && cmplx.Abs(to-z[0]-middle) < cmplx.Abs(middle)-slack {
			return nil
		}
	}
	for _, o := range orders {
		l := lookup{
			Query: index.Query{Tol: tol, SizeLo: sizeLo, SizeHi: sizeHi},
			z:     [4]complex128{z[0], z[o[1]], z[o[2]], z[o[3]]},
		}
		if p.open() {
			l.Unseen = 3
		}
		d1, d2, d3 := l.z[1]-z[0], l.z[2]-z[0], l.z[3]-z[0]
		back := cmplx.Conj(d1) * complex(1/norm2(d1), 0)
		l.U, l.V = d2*back, d3*back
		long := norm2(l.U)
		if long > sq(1+tol) || norm2(l.V) > sq(math.Sqrt(long)+tol) {
			continue
		}
		for i, w := range [2]complex128{l.U, l.V} {
			r, slack := cmplx.Abs(w), math.Sqrt2*tol
			l.least2[i], l.most2[i] = float32(sq(max(r-slack, 0))), float32(sq(r+slack))
		}
		if p.open() && s.partial == anyShorter {
			// Filed on either side of the longest spoke, as the unseen one decides.
			other := l
			other.Unseen = 2
			for _, other.V = range [2]complex128{l.U, cmplx.Conj(l.U)} {
				for _, other.turned = range [2]bool{false, true} {
					if side := imag(l.U); side > -tol && !other.turned || side < tol && other.turned {
						all = append(all, other)
					}
				}
			}
		}
		if side := imag(l.U); side > -tol {
			all = append(all, l)
			if side > tol {
				continue
			}
		}
		l.U, l.V, l.turned = cmplx.Conj(l.U), cmplx.Conj(l.V), true
		all = append(all, l)
	}
	return all
}

// lengthsFit tells whether the shorter spokes of a catalogue pattern are what the lookup asks,
// in units of the longest: most of what shares a bucket is not, and a fit costs more.
func (l *lookup) lengthsFit(p *[4]index.Vec32, seen int) bool {
	d := p[1].Sub(p[0])
	longest2 := d.Dot(d)
	for i := 2; i < seen; i++ {
		d := p[i].Sub(p[0])
		if r2 := d.Dot(d); r2 < l.least2[i-2]*longest2 || r2 > l.most2[i-2]*longest2 {
			return false
		}
	}
	return true
}

// roundSize is how many image patterns are looked up together: enough to
// share among the processors, few enough that little is done in vain when the
// first of them leads to the solution.
const roundSize = 64

// round looks up the next few image patterns, at most n, and gives what is
// proved by them, in their order. The error is the context's.
func (s *rangeSearch) round(ctx context.Context, n int) ([]proven, error) {
	n = min(n, roundSize, s.left())
	var trials [roundSize]int
	var found [roundSize][]proven
	if err := parallel.Each(ctx, runtime.GOMAXPROCS(0), n, func(_, i int) {
		trials[i], found[i] = s.try(ctx, s.patterns[s.next+i])
	}); err != nil {
		return nil, err
	}
	s.next += n
	for _, t := range trials[:n] {
		*s.trials += t
	}
	return slices.DeleteFunc(slices.Concat(found[:n]...), func(p proven) bool {
		return p.log10Odds(*s.trials) < proof.Threshold
	}), nil
}

// left is how many patterns have not been looked up yet, of those formed so far; 0 when all
// have been.
func (s *rangeSearch) left() int {
	if !s.prepared {
		s.prepare()
	}
	if s.next == len(s.patterns) && s.source != nil {
		s.patterns, s.next = s.source.more(), 0
	}
	return len(s.patterns) - s.next
}

// release lets go of the memory of a search that has come to its end.
func (s *rangeSearch) release() {
	s.chosen.At, s.flat.At, s.patterns, s.source, s.next, s.occupied = nil, nil, nil, nil, 0, nil
}

// block is how many entries of the index are looked at together: the
// processor waits for memory most of the time, and so it waits for many at once.
const block = 32

// try looks at every catalogue pattern like p. It counts those that fitted and
// gives those that the whole field speaks for. When the context ends it stops early.
func (s *rangeSearch) try(ctx context.Context, p imagePattern) (trials int, found []proven) {
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
func (s *rangeSearch) compare(p imagePattern, l *lookup, entries []uint32) (trials int, found []proven) {
	fitTol2 := sq(s.tolerance + s.level.Spec.ShapeTol*cmplx.Abs(l.z[1]-l.z[0]))
	alphaLo2, alphaHi2 := 1/sq(s.scaleHi), 1/sq(s.scaleLo)
	var stars [block][4]uint32
	var places [block][4]index.Vec32
	for k, e := range entries {
		stars[k] = s.level.Pattern(e)
	}
	seen, third := 4, 2
	if l.Unseen != 0 {
		seen = 3
	}
	if l.Unseen == 2 {
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
		c, misfit2 := fitPattern(places[k][:seen], l.z[:seen], l.turned)
		if alpha2 := norm2(c.alpha); !(misfit2 <= fitTol2) || alpha2 < alphaLo2 || alpha2 > alphaHi2 {
			continue
		}
		trials++
		// By chance, a pattern of three lies as near to its place, within the tolerance, with odds
		// as its area, one of four as the square of that.
		fitOdds := misfit2 / fitTol2
		if seen == 4 {
			fitOdds *= fitOdds
		}
		if !s.neighboursShow(&c, stars[k], fitOdds) {
			continue
		}
		c.bend = s.bend
		c.stars = [4]complex128{s.chosen.At[p[0]], s.chosen.At[p[1]], s.chosen.At[p[2]], s.chosen.At[p[3]]}
		if p, ok := s.weigh(&c); ok {
			found = append(found, p)
		}
	}
	return trials, found
}

// neighboursShow is the quick check: enough of the places where the
// candidate puts the neighbours of its stars must be occupied; for a patient search, with the odds
// that chance fits the pattern as well, fewer may do.
func (s *rangeSearch) neighboursShow(c *candidate, pattern [4]uint32, fitOdds float64) bool {
	var asked [4 * index.Neighbours]uint32
	n, inside, hits := 0, 0, 0
	for i, star := range pattern {
	next:
		for k := range index.Neighbours {
			j, ok := s.level.Neighbour(star, k)
			if !ok {
				break
			}
			if j == pattern[0] || j == pattern[1] || j == pattern[2] || j == pattern[3] {
				continue
			}
			for _, a := range asked[:n] {
				if a == j {
					continue next
				}
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
		if i == 0 && hits < s.quick[inside] {
			return false
		}
	}
	if hits >= s.near[inside] || s.asked != orGoodFit {
		return hits >= s.near[inside]
	}
	return math.Log10(fitOdds)+proof.Log10Tail(hits, s.occupied.fill*float64(inside)) <= math.Log10(leastNearOdds)
}

func sq(x float64) float64 { return x * x }
