package solve

import (
	"cmp"
	"maps"
	"math"
	"runtime"
	"runtime/debug"
	"slices"

	"polard/catalogs"
	"polard/mountmodel/sky"
)

// The pattern index: small groups of catalogue stars, filed by shape, in levels from
// wide fields to narrow ones.
//
// A level holds the catalogue thinned to even density: of every cell of a grid
// over the sky only the brightest few stay. Each of those stars is the
// hub of patterns: itself with three of its nearest neighbours, the spokes, so that
// the patterns' size follows the density and their number grows with the number
// of stars. A pattern is two triangles with an edge in common, the longest spoke.
// Its shape is what the spokes are to the longest of them, two complex numbers
// that neither shift, turn nor scale changes, and is good for four coordinates
// where a triangle (Groth 1986, AJ 91, 1244; Valdes et al. 1995, PASP 107, 1119)
// has two. So a pattern of the image meets thousands of times fewer chance
// likenesses than a triangle does, for one star more that must be seen. Star
// sensors, which know their scale, use a star and two of its neighbours in the same
// way (Liebe 1992, IEEE Aerosp. Electron. Syst. Mag. 7(6), 34; from memory).

const (
	// neighbours is how many nearest neighbours of each star are kept. They also
	// serve as the first check of a candidate, where more of them must show.
	neighbours = 6

	// sizeBits is how many leading bits of the mantissa tell bins of pattern size
	// apart: 4 to the octave.
	sizeBits = 2

	// smallestSize bounds the longest spoke in units of the grid's cell: for
	// shorter ones there are finer levels. sizeBins steps above it, at twelve
	// cells, the pattern would span more than a field.
	smallestSize = 0.05
	sizeBins     = 32
)

// levelSpec describes one level.
type levelSpec struct {
	grid     int     // cells along an edge of a cube face
	perCell  int     // how many stars of a cell are kept, the brightest
	spokes   int     // of how many nearest neighbours three form patterns with a star
	shapeBin float64 // width of a bin in each coordinate of the shape
	shapeTol float64 // how far distortion and projection may move them inside such a field
}

// levelSpecs go from the widest fields to the narrowest, in steps of two in density,
// and of about five and eight at the end, where a level costs a hundred megabytes; the last
// is nearly the whole catalogue. Their cells nest with the cells of the catalogue. With
// one star to a cell, two bright ones in a cell would cost the second; with many, the
// density is no longer even.
//
// shapeTol is about the relative stretch that a lens with two percent of distortion at
// the corner, or a tangent-plane scale wrong by a fifth, gives a pattern a quarter
// of the field large; narrow fields have neither, and what is left is
// refraction and aberration. The more neighbours form patterns, the more stars may
// fail to show; the last level has fewest, for its size. Bins are as wide as
// makes them hold some patterns each.
var levelSpecs = []levelSpec{
	{6, 3, 6, 0.14, 0.02},
	{6, 6, 6, 0.12, 0.02},
	{12, 3, 6, 0.1, 0.02},
	{12, 6, 6, 0.1, 0.02},
	{24, 3, 6, 0.08, 0.012},
	{24, 6, 6, 0.08, 0.012},
	{48, 3, 6, 0.08, 0.006},
	{48, 6, 6, 0.08, 0.006},
	{96, 3, 6, 0.07, 0.003},
	{192, 4, 6, 0.06, 0.0025},
	{384, 8, 5, 0.05, 0.0025},
}

// cellSide is the mean side of the level's grid cell.
func (s levelSpec) cellSide() sky.Angle { return 90 * sky.Degree / sky.Angle(s.grid) }

// starsIn is how many stars of the level a field of the given solid angle
// (square radians) holds where the catalogue is rich enough.
func (s levelSpec) starsIn(area float64) float64 {
	c := s.cellSide().Radians()
	return float64(s.perCell) * area / (c * c)
}

// vec32 is a unit vector in single precision: good to 0.01 arcsec, which
// serves the search; the camera fit goes back to the catalogue.
type vec32 struct{ x, y, z float32 }

func (a vec32) sub(b vec32) vec32   { return vec32{a.x - b.x, a.y - b.y, a.z - b.z} }
func (a vec32) add(b vec32) vec32   { return vec32{a.x + b.x, a.y + b.y, a.z + b.z} }
func (a vec32) dot(b vec32) float32 { return a.x*b.x + a.y*b.y + a.z*b.z }
func (a vec32) cross(b vec32) vec32 {
	return vec32{a.y*b.z - a.z*b.y, a.z*b.x - a.x*b.z, a.x*b.y - a.y*b.x}
}
func (a vec32) scale(f float32) vec32 { return vec32{a.x * f, a.y * f, a.z * f} }

func vec32FromICRS(d sky.ICRS) vec32 { return vec32{float32(d.X), float32(d.Y), float32(d.Z)} }

// level is one built octave of the index. It never changes once built.
type level struct {
	spec   levelSpec
	nodes  []node
	far    map[farNeighbour]uint32 // neighbours too far away in memory for a node
	starts []uint32                // first entry of each bucket, and the end
	entry  []uint32
	bins   shapeBins
}

// node is a star of a level and its neighbours, nearest first, as differences of
// their numbers from its own: stars near each other in the sky are so in memory,
// except across the edges of the cube. It is small and in one place because the
// search, which is bound by memory, wants all of it at once.
type node struct {
	at   vec32
	near [neighbours]int16
}

// farNeighbour names a place in a node's list of neighbours.
type farNeighbour struct {
	star uint32
	k    uint8
}

// Marks in place of a difference: no such neighbour, and one listed in level.far.
const (
	noStar  = math.MinInt16
	farStar = math.MinInt16 + 1
)

// neighbour gives the k-th nearest neighbour of a star, if there is one.
func (l *level) neighbour(star uint32, k int) (uint32, bool) {
	switch d := l.nodes[star].near[k]; d {
	case noStar:
		return 0, false
	case farStar:
		return l.far[farNeighbour{star, uint8(k)}], true
	default:
		return uint32(int32(star) + int32(d)), true
	}
}

// An entry packs the hub, which of its neighbours are the spokes, and the bin of
// the longest spoke's length.
const (
	tripleBits = 5
	sizeMask   = sizeBins - 1
	hubShift   = tripleBits + 5
	mostHubs   = 1 << (32 - hubShift)
)

// spokeTriples lists the ways to choose three of the neighbours, farthest first;
// those of the nearest n come first for every n.
var spokeTriples = func() (triples [][3]uint8) {
	for far := range uint8(neighbours) {
		for middle := range far {
			for close := range middle {
				triples = append(triples, [3]uint8{far, middle, close})
			}
		}
	}
	return triples
}()

// triples is how many of spokeTriples a level files.
func (s levelSpec) triples() int { return s.spokes * (s.spokes - 1) * (s.spokes - 2) / 6 }

// pattern gives the stars of an entry: the hub and the spokes, longest first.
func (l *level) pattern(e uint32) (p [4]uint32) {
	p[0] = e >> hubShift
	for i, k := range spokeTriples[e/sizeBins&(1<<tripleBits-1)] {
		p[i+1], _ = l.neighbour(p[0], int(k))
	}
	return p
}

// shapeBins maps a shape to a bucket: a grid over the four coordinates, u within
// the upper half of the unit circle, v within the circle.
type shapeBins struct {
	perUnit float64 // bins in a unit of each coordinate
	half    int     // bins in the range from 0 to 1
	perSize float64 // one over the smallest longest spoke, 1/radian
}

func newShapeBins(s levelSpec) shapeBins {
	return shapeBins{
		perUnit: 1 / s.shapeBin,
		half:    int(math.Ceil(1/s.shapeBin)) + 1,
		perSize: 1 / (smallestSize * s.cellSide().Radians()),
	}
}

// sizeBin is the bin of a longest spoke in radians, negative or beyond sizeBins-1
// for one that is not filed: the exponent and first bits of the mantissa, which
// grow as the logarithm does and cost a shift.
func (b shapeBins) sizeBin(longest float64) int {
	const shift = 23 - sizeBits
	const one = 127 << sizeBits // bin of 1
	return int(math.Float32bits(float32(longest*b.perSize))>>shift) - one
}

// signed is the bin of a coordinate that runs from -1 to 1, positive that of one from
// 0 to 1; what lies outside gets the nearest.
func (b shapeBins) signed(x float64) int {
	return min(max(int(math.Floor(x*b.perUnit))+b.half, 0), 2*b.half-1)
}

func (b shapeBins) positive(x float64) int {
	return min(max(int(x*b.perUnit), 0), b.half-1)
}

func (b shapeBins) bucket(u, v complex128) int {
	return b.row(b.signed(real(u)), b.positive(imag(u)), b.signed(real(v))) + b.signed(imag(v))
}

// row is the first bucket of those that differ in the last coordinate only.
func (b shapeBins) row(ur, ui, vr int) int {
	return ((ur*b.half+ui)*2*b.half + vr) * 2 * b.half
}

func (b shapeBins) buckets() int { return 8 * b.half * b.half * b.half * b.half }

// buildLevel thins the catalogue, finds neighbours and files the patterns.
func buildLevel(cat *catalogs.Catalogue, spec levelSpec) *level {
	if spec.grid >= largeGrid {
		// What images and smaller levels have left behind is given back first, and
		// what this one leaves behind at the end: the peak decides what a small computer
		// needs.
		debug.FreeOSMemory()
		defer debug.FreeOSMemory()
	}
	l := &level{spec: spec, bins: newShapeBins(spec)}
	l.nodes = thin(cat, spec.grid, spec.perCell)
	l.far = nearest(l.nodes, spec.grid)
	l.file()
	return l
}

// largeGrid is the grid of the first level that takes tens of megabytes.
const largeGrid = 192

// thin keeps the brightest perCell of every cell of the level's grid, in
// the catalogue's own order, which keeps neighbours in the sky near each other
// in memory. The catalogue's cells lie within the level's or the level's within
// them, and hold their stars brightest first.
func thin(cat *catalogs.Catalogue, grid, perCell int) []node {
	own := int(math.Round(math.Sqrt(float64(cat.Cells()) / 6))) // cells along an edge of the catalogue's cube
	if grid < own {
		return thinCoarse(cat, grid, perCell)
	}
	workers := runtime.GOMAXPROCS(0)
	chunk := (cat.Cells() + workers - 1) / workers
	// Counted first, so that a level never lies in memory twice.
	each := func(visit func(w int, d sky.ICRS)) {
		inParallel(workers, workers, func(_, w int) {
			k := grid / own
			used := make([]uint8, k*k)
			for c := w * chunk; c < min((w+1)*chunk, cat.Cells()); c++ {
				clear(used)
				lo, hi := cat.CellRange(c)
				for id := lo; id < hi; id++ {
					d := cat.Star(id).Dir
					g := gridCell(d, grid)
					// the place within the catalogue's cell
					if sub := g/grid%k*k + g%k; int(used[sub]) < perCell {
						used[sub]++
						visit(w, d)
					}
				}
			}
		})
	}
	counts := make([]int, workers)
	each(func(w int, _ sky.ICRS) { counts[w]++ })
	total := 0
	for w, n := range counts {
		counts[w] = total
		total += n
	}
	nodes := make([]node, total)
	each(func(w int, d sky.ICRS) {
		nodes[counts[w]].at = vec32FromICRS(d)
		counts[w]++
	})
	return nodes
}

// thinCoarse is thin for cells that hold several of the catalogue's.
func thinCoarse(cat *catalogs.Catalogue, grid, perCell int) []node {
	cells := make([][]catalogs.Star, 6*grid*grid)
	for c := range cat.Cells() {
		lo, hi := cat.CellRange(c)
		for id := lo; id < min(hi, lo+int32(perCell)); id++ {
			s := cat.Star(id)
			g := gridCell(s.Dir, grid)
			cells[g] = append(cells[g], s)
		}
	}
	var kept []catalogs.Star
	for _, stars := range cells {
		slices.SortFunc(stars, func(a, b catalogs.Star) int { return cmp.Or(cmp.Compare(a.V, b.V), cmp.Compare(a.ID, b.ID)) })
		kept = append(kept, stars[:min(perCell, len(stars))]...)
	}
	slices.SortFunc(kept, func(a, b catalogs.Star) int { return cmp.Compare(a.ID, b.ID) })
	nodes := make([]node, len(kept))
	for i, s := range kept {
		nodes[i].at = vec32FromICRS(s.Dir)
	}
	return nodes
}

// faceOf tells which face of the cube around the sphere a direction pierces
// (0, 1, 2 for +x, +y, +z; 3, 4, 5 for the opposite ones) and where, as
// tangents of the angles from the face's centre.
func faceOf(x, y, z float64) (face int, u, v float64) {
	ax, ay, az := math.Abs(x), math.Abs(y), math.Abs(z)
	switch {
	case ax >= ay && ax >= az:
		face, u, v = 0, y/ax, z/ax
		if x < 0 {
			face = 3
		}
	case ay >= az:
		face, u, v = 1, z/ay, x/ay
		if y < 0 {
			face = 4
		}
	default:
		face, u, v = 2, x/az, y/az
		if z < 0 {
			face = 5
		}
	}
	return face, u, v
}

// gridCell is the cell of a grid of n by n equal angles on each cube face.
func gridCell(d sky.ICRS, n int) int {
	face, u, v := faceOf(d.X, d.Y, d.Z)
	return (face*n+equalAngle(u, n))*n + equalAngle(v, n)
}

func equalAngle(tan float64, n int) int {
	i := int((math.Atan(tan)*(4/math.Pi) + 1) / 2 * float64(n))
	return min(max(i, 0), n-1)
}

// bruteForceStars is the number of stars up to which neighbours are found by
// looking at every pair: 3000 take 30 ms, and there the cells are so large
// that a cube face with its margin would be the whole sky.
const bruteForceStars = 3000

// nearest finds the neighbours of every star; grid is the number of cells along
// an edge of the cube that hold a few stars each. It gives those that a node has no room for.
func nearest(nodes []node, grid int) map[farNeighbour]uint32 {
	far := make(map[farNeighbour]uint32)
	if len(nodes) <= bruteForceStars {
		for i := range nodes {
			var best nearList
			for j := range nodes {
				if j != i {
					best.offer(nodes, nodes[i].at, uint32(j))
				}
			}
			best.store(nodes, uint32(i), far)
		}
		return far
	}
	var parts [6]map[farNeighbour]uint32
	grids := make([]faceGrid, runtime.GOMAXPROCS(0)) // used again for the next face
	inParallel(len(grids), len(parts), func(w, face int) {
		parts[face] = make(map[farNeighbour]uint32)
		grids[w].fill(nodes, face, grid)
		grids[w].nearest(nodes, parts[face])
	})
	for _, p := range parts {
		maps.Copy(far, p)
	}
	return far
}

// nearList is a list of the nearest stars so far, nearest first.
type nearList struct {
	ids  [neighbours]uint32
	dist [neighbours]float32
	n    int
}

func (b *nearList) offer(nodes []node, at vec32, j uint32) {
	d := nodes[j].at.sub(at)
	r := d.dot(d)
	k := b.n
	if k == neighbours {
		if k--; r >= b.dist[k] {
			return
		}
	} else {
		b.n++
	}
	for k > 0 && b.dist[k-1] > r {
		b.dist[k], b.ids[k] = b.dist[k-1], b.ids[k-1]
		k--
	}
	b.dist[k], b.ids[k] = r, j
}

// store packs the list into the node of star i; neighbours that do not fit go to far.
func (b *nearList) store(nodes []node, i uint32, far map[farNeighbour]uint32) {
	for k := range neighbours {
		to := &nodes[i].near[k]
		d := int64(b.ids[k]) - int64(i)
		switch {
		case k >= b.n:
			*to = noStar
		case d > math.MaxInt16 || d <= farStar:
			*to = farStar
			far[farNeighbour{i, uint8(k)}] = b.ids[k]
		default:
			*to = int16(d)
		}
	}
}

// faceGrid files the stars of one cube face, and of a margin around it, by
// square cells in the face's plane.
type faceGrid struct {
	face   int
	n      int     // cells along the edge, margin included
	cell   float64 // side of a cell, in the plane
	corner float64
	starts []int32
	next   []int32
	order  []uint32
}

// faceReach is how many cells around a star's own are searched at most: as far
// as the largest triangles go.
const faceReach = 6

func (g *faceGrid) fill(nodes []node, face, n int) {
	g.face, g.cell = face, 2/float64(n)
	g.n = n + 2*faceReach
	g.corner = -1 - faceReach*g.cell
	g.starts = slices.Grow(g.starts[:0], g.n*g.n+1)[:g.n*g.n+1]
	clear(g.starts)
	for i := range nodes {
		if c, ok := g.cellOf(nodes[i].at); ok {
			g.starts[c+1]++
		}
	}
	for c := range g.n * g.n {
		g.starts[c+1] += g.starts[c]
	}
	g.next = append(g.next[:0], g.starts...)
	total := int(g.starts[g.n*g.n])
	g.order = slices.Grow(g.order[:0], total)[:total]
	for i := range nodes {
		if c, ok := g.cellOf(nodes[i].at); ok {
			g.order[g.next[c]] = uint32(i)
			g.next[c]++
		}
	}
}

// cellOf is the cell of a star on the face or in its margin.
func (g *faceGrid) cellOf(s vec32) (cell int, ok bool) {
	u, v, ok := g.project(s)
	if !ok || u < g.corner || v < g.corner {
		return 0, false
	}
	cu, cv := int((u-g.corner)/g.cell), int((v-g.corner)/g.cell)
	return cu*g.n + cv, cu < g.n && cv < g.n
}

// leastCosine is the cosine, from the face's axis, below which a star is beyond
// any margin in use.
const leastCosine = 0.2

func (g *faceGrid) project(s vec32) (u, v float64, ok bool) {
	x, y, z := float64(s.x), float64(s.y), float64(s.z)
	var w float64
	switch g.face % 3 {
	case 0:
		w, u, v = x, y, z
	case 1:
		w, u, v = y, z, x
	default:
		w, u, v = z, x, y
	}
	if g.face >= 3 {
		w = -w
	}
	if w < leastCosine {
		return 0, 0, false
	}
	return u / w, v / w, true
}

func (g *faceGrid) nearest(nodes []node, far map[farNeighbour]uint32) {
	for i := range nodes {
		at := nodes[i].at
		if f, _, _ := faceOf(float64(at.x), float64(at.y), float64(at.z)); f != g.face {
			continue
		}
		u, v, _ := g.project(at)
		cu, cv := int((u-g.corner)/g.cell), int((v-g.corner)/g.cell)
		var best nearList
		// A step in the plane is at least this much on the sphere.
		shrink := 1 / (1 + u*u + v*v)
		for reach := 1; reach <= faceReach; reach++ {
			for du := -reach; du <= reach; du++ {
				step := 1
				if reach > 1 && du > -reach && du < reach {
					step = 2 * reach // only the ring that is new
				}
				for dv := -reach; dv <= reach; dv += step {
					a, b := cu+du, cv+dv
					if a < 0 || b < 0 || a >= g.n || b >= g.n {
						continue
					}
					c := a*g.n + b
					for _, j := range g.order[g.starts[c]:g.starts[c+1]] {
						if j != uint32(i) {
							best.offer(nodes, at, j)
						}
					}
				}
			}
			seen := float64(reach) * g.cell * shrink
			if best.n == neighbours && float64(best.dist[neighbours-1]) <= seen*seen {
				break
			}
		}
		best.store(nodes, uint32(i), far)
	}
}

// file sorts all patterns into buckets by counting them first.
func (l *level) file() {
	workers := runtime.GOMAXPROCS(0)
	hubs := min(len(l.nodes), mostHubs)
	chunk := (hubs + workers - 1) / workers
	counts := make([][]uint32, workers)
	each := func(visit func(w int, p []filedPattern)) {
		inParallel(workers, workers, func(_, w int) {
			g := gatherer{l.bins.buckets()/gathered + 1, make([][]filedPattern, gathered), func(p []filedPattern) { visit(w, p) }}
			for i := w * chunk; i < min((w+1)*chunk, hubs); i++ {
				l.patternsOf(uint32(i), g.add)
			}
			g.flush()
		})
	}
	for w := range counts {
		counts[w] = make([]uint32, l.bins.buckets())
	}
	each(func(w int, patterns []filedPattern) {
		for _, p := range patterns {
			counts[w][p.bucket]++
		}
	})
	l.starts = make([]uint32, l.bins.buckets()+1)
	var total uint32
	for b := range l.bins.buckets() {
		l.starts[b] = total
		for w := range workers {
			n := counts[w][b]
			counts[w][b] = total
			total += n
		}
	}
	l.starts[l.bins.buckets()] = total
	l.entry = make([]uint32, total)
	each(func(w int, patterns []filedPattern) {
		for _, p := range patterns {
			l.entry[counts[w][p.bucket]] = p.entry
			counts[w][p.bucket]++
		}
	})
}

// filedPattern is an entry and the bucket it belongs to.
type filedPattern struct{ bucket, entry uint32 }

// gatherer collects patterns and hands over those of neighbouring buckets
// together, in the order in which they came: scattered one by one over a hundred
// megabytes, each would cost a wait for memory.
type gatherer struct {
	per   int // buckets of a part
	parts [][]filedPattern
	give  func([]filedPattern)
}

// A gatherer has so many parts, and hands over so many patterns at once: then a part of a
// large level, its counts and the gathered patterns each fit a processor's second cache.
const (
	gathered   = 256
	handedOver = 1024
)

func (g *gatherer) add(bucket int, e uint32) {
	part := &g.parts[bucket/g.per]
	if *part == nil {
		*part = make([]filedPattern, 0, handedOver)
	}
	if *part = append(*part, filedPattern{uint32(bucket), e}); len(*part) == handedOver {
		g.give(*part)
		*part = (*part)[:0]
	}
}

func (g *gatherer) flush() {
	for i, p := range g.parts {
		g.give(p)
		g.parts[i] = p[:0]
	}
}

// patternsOf visits the patterns of which a star is the hub.
func (l *level) patternsOf(hub uint32, visit func(bucket int, e uint32)) {
	at := l.nodes[hub].at
	var spoke [neighbours]vec32
	var length [neighbours]float32
	n := 0
	for ; n < l.spec.spokes; n++ {
		j, ok := l.neighbour(hub, n)
		if !ok {
			break
		}
		spoke[n] = l.nodes[j].at.sub(at)
		length[n] = float32(math.Sqrt(float64(spoke[n].dot(spoke[n]))))
	}
	far, size := uint8(0), -1
	var e1, e2 vec32
	for t, triple := range spokeTriples[:l.spec.triples()] {
		if int(triple[0]) >= n {
			break
		}
		if triple[0] != far {
			far = triple[0]
			size = l.bins.sizeBin(float64(length[far]))
			e1, e2 = tangent(at, spoke[far])
		}
		if size < 0 || size >= sizeBins {
			continue
		}
		if !central(&spoke, triple) {
			continue
		}
		u, v := turned(spoke[triple[1]], e1, e2, length[triple[1]]/length[far]), turned(spoke[triple[2]], e1, e2, length[triple[2]]/length[far])
		if imag(u) < 0 {
			u, v = complex(real(u), -imag(u)), complex(real(v), -imag(v))
		}
		visit(l.bins.bucket(u, v), hub<<hubShift|uint32(t)*sizeBins|uint32(size))
	}
}

// central tells whether the hub lies nearest to the middle of the four stars:
// each group of stars is filed once, by its central star.
func central(spoke *[neighbours]vec32, triple [3]uint8) bool {
	a, b, c := spoke[triple[0]], spoke[triple[1]], spoke[triple[2]]
	middle := a.add(b).add(c).scale(0.25)
	// |d - middle|^2 >= |middle|^2
	return a.dot(a) >= 2*a.dot(middle) && b.dot(b) >= 2*b.dot(middle) && c.dot(c) >= 2*c.dot(middle)
}

// tangent gives unit vectors square to the direction at: along the spoke d, and
// to the left of it as seen from outside the sphere.
func tangent(at, d vec32) (e1, e2 vec32) {
	e1 = d.sub(at.scale(d.dot(at)))
	e1 = e1.scale(1 / float32(math.Sqrt(float64(e1.dot(e1)))))
	return e1, at.cross(e1)
}

// turned is a spoke as a complex number of the given size, its angle counted from e1.
// Chords and the angle at the hub tell the shape of a wide pattern better than
// a plane does.
func turned(d, e1, e2 vec32, size float32) complex128 {
	x, y := float64(d.dot(e1)), float64(d.dot(e2))
	r := math.Sqrt(x*x + y*y)
	if r == 0 {
		return 0
	}
	return complex(x/r*float64(size), y/r*float64(size))
}
