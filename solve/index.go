package solve

import (
	"cmp"
	"math"
	"runtime"
	"slices"

	"polard/catalogs"
	"polard/mountmodel/sky"
)

// The pattern index: triangles of catalogue stars, filed by shape and size, one
// level for each octave of field size.
//
// A level holds the catalogue thinned to even density: of every cell of a grid
// over the sky only the brightest starsPerCell stay. Each of those stars forms
// triangles with pairs of its nearest neighbours, so that the triangles' size
// follows the density and their number grows with the number of stars, not with
// its cube. A triangle is described as Valdes et al. (1995, PASP 107, 1119,
// section 2.2) do, by the ratios x = b/a and y = c/a of its sides a >= b >= c, and by its
// longest side a.

const (
	// starsPerCell is how many stars of a grid cell a level keeps. With one, two
	// bright stars in one cell would cost the second; with many, the density is
	// no longer even.
	starsPerCell = 3

	// neighbours is how many nearest neighbours of each star are kept. They also
	// serve as the first check of a candidate, where two of them must show.
	neighbours = 8

	// triangleNeighbours is how many of the nearest neighbours form triangles
	// with a star: 10 pairs, of which about two thirds are new.
	triangleNeighbours = 5

	// sizeBits is how many leading bits of the mantissa tell bins of triangle size
	// apart: 8 to the octave, steps of 6 to 12 percent, about what a header's
	// scale is usually wrong by.
	sizeBits = 3

	// smallestSize and largestSize bound the longest side in units of the
	// grid's cell: neighbours closer than a tenth of a cell give shapes that
	// centroid errors blur, and those further than six cells span a whole field.
	smallestSize = 0.1
	largestSize  = 6.0

	// leastShapeGap is the least difference between two of the normalised
	// sides at which their order is certain.
	leastShapeGap = 0.004
)

// levelSpec describes one octave of field sizes.
type levelSpec struct {
	grid     int     // cells along an edge of a cube face
	shapeBin float64 // width of a bin in x and y
	shapeTol float64 // how far distortion and projection may move x and y inside such a field
}

// levelSpecs go from the widest fields to the narrowest. The cells of one level
// are four of the next, and all of them nest with the cells of the catalogue. shapeTol is about the relative stretch that a lens
// with two percent of distortion at the corner, or a tangent-plane scale
// wrong by a fifth, gives a triangle a quarter of the field large; narrow
// fields have neither, and what is left is refraction and aberration.
var levelSpecs = []levelSpec{
	{6, 0.02, 0.02},
	{12, 0.02, 0.02},
	{24, 0.01, 0.012},
	{48, 0.005, 0.006},
	{96, 0.005, 0.003},
	{192, 0.005, 0.0025},
	{384, 0.005, 0.0025},
	{768, 0.005, 0.0025},
}

// cellSide is the mean side of the level's grid cell.
func (s levelSpec) cellSide() sky.Angle { return 90 * sky.Degree / sky.Angle(s.grid) }

// starsIn is how many stars of the level a field of the given solid angle
// (square radians) holds where the catalogue is rich enough.
func (s levelSpec) starsIn(area float64) float64 {
	c := s.cellSide().Radians()
	return starsPerCell * area / (c * c)
}

// vec32 is a unit vector in single precision: good to 0.01 arcsec, which
// serves the search; the camera fit goes back to the catalogue.
type vec32 struct{ x, y, z float32 }

func (a vec32) sub(b vec32) vec32   { return vec32{a.x - b.x, a.y - b.y, a.z - b.z} }
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
	starts []uint32 // first entry of each bucket, and the end
	entry  []uint32
	bins   shapeBins
}

// node is a star of a level and its neighbours, nearest first; noStar where
// there are fewer. They lie together because the search, which is bound by
// memory, wants both at once.
type node struct {
	at   vec32
	near [neighbours]uint32
}

const noStar = math.MaxUint32

// An entry packs the anchor star, the pair of its neighbours, and which
// vertex lies opposite which side.
const (
	pairBits  = 5
	orderBits = 3
)

// neighbourPairs lists the pairs (i, j), i < j, of triangleNeighbours.
var neighbourPairs = func() (pairs [][2]uint8) {
	for j := range uint8(triangleNeighbours) {
		for i := range j {
			pairs = append(pairs, [2]uint8{i, j})
		}
	}
	return pairs
}()

// vertexOrders lists the ways to name the vertices (0 the anchor, 1 and 2 the
// neighbours) opposite the longest, middle and shortest side.
var vertexOrders = [6][3]uint8{{0, 1, 2}, {0, 2, 1}, {1, 0, 2}, {1, 2, 0}, {2, 0, 1}, {2, 1, 0}}

// triangle gives the stars of an entry, opposite the longest, middle and
// shortest side.
func (l *level) triangle(e uint32) (anchor uint32, v [3]uint32) {
	anchor = e >> (pairBits + orderBits)
	pair := neighbourPairs[e>>orderBits&(1<<pairBits-1)]
	near := &l.nodes[anchor].near
	corners := [3]uint32{anchor, near[pair[0]], near[pair[1]]}
	order := vertexOrders[e&(1<<orderBits-1)]
	return anchor, [3]uint32{corners[order[0]], corners[order[1]], corners[order[2]]}
}

// shapeBins maps shape and size to a bucket; the buckets of one shape lie side
// by side in order of size.
type shapeBins struct {
	perUnit float64 // bins in a unit of x and y
	nx, ny  int
	nsize   int
	perSize float64 // one over the smallest longest side, 1/radian
}

func newShapeBins(s levelSpec) shapeBins {
	b := shapeBins{
		perUnit: 1 / s.shapeBin,
		nx:      int(math.Ceil(0.5/s.shapeBin)) + 1,
		ny:      int(math.Ceil(1/s.shapeBin)) + 1,
		perSize: 1 / (smallestSize * s.cellSide().Radians()),
	}
	b.nsize = b.sizeBin(largestSize*s.cellSide().Radians()) + 1
	return b
}

// sizeBin is the bin of a longest side in radians, below 0 for one too small
// to be filed: the exponent and first bits of the mantissa, which grow as
// the logarithm does and cost a shift.
func (b shapeBins) sizeBin(longest float64) int {
	const shift = 23 - sizeBits
	const one = 127 << sizeBits // bin of 1
	return int(math.Float32bits(float32(longest*b.perSize))>>shift) - one
}

// index is the bin of a shape coordinate counted from the low end of its range.
func (b shapeBins) index(above float64) int {
	if above <= 0 {
		return 0
	}
	return int(above * b.perUnit)
}

func (b shapeBins) bucket(x, y float64, size int) int {
	return (b.index(x-0.5)*b.ny+b.index(y))*b.nsize + size
}

func (b shapeBins) buckets() int { return b.nx * b.ny * b.nsize }

// buildLevel thins the catalogue, finds neighbours and files the triangles.
func buildLevel(cat *catalogs.Catalogue, spec levelSpec) *level {
	l := &level{spec: spec, bins: newShapeBins(spec)}
	l.nodes = nearest(thin(cat, spec.grid), spec.grid)
	l.file()
	return l
}

// thin keeps the brightest starsPerCell of every cell of the level's grid, in
// the catalogue's own order, which keeps neighbours in the sky near each other
// in memory. The catalogue's cells lie within the level's or the level's within
// them, and hold their stars brightest first.
func thin(cat *catalogs.Catalogue, grid int) []vec32 {
	own := int(math.Round(math.Sqrt(float64(cat.Cells()) / 6))) // cells along an edge of the catalogue's cube
	if grid < own {
		return thinCoarse(cat, grid)
	}
	parts := make([][]vec32, runtime.GOMAXPROCS(0))
	chunk := (cat.Cells() + len(parts) - 1) / len(parts)
	inParallel(len(parts), len(parts), func(_, w int) {
		k := grid / own
		used := make([]uint8, k*k)
		var out []vec32
		for c := w * chunk; c < min((w+1)*chunk, cat.Cells()); c++ {
			clear(used)
			lo, hi := cat.CellRange(c)
			for id := lo; id < hi; id++ {
				d := cat.Star(id).Dir
				g := gridCell(d, grid)
				// the place within the catalogue's cell
				if sub := g/grid%k*k + g%k; used[sub] < starsPerCell {
					used[sub]++
					out = append(out, vec32FromICRS(d))
				}
			}
		}
		parts[w] = out
	})
	return slices.Concat(parts...)
}

// thinCoarse is thin for cells that hold several of the catalogue's.
func thinCoarse(cat *catalogs.Catalogue, grid int) []vec32 {
	cells := make([][]catalogs.Star, 6*grid*grid)
	for c := range cat.Cells() {
		lo, hi := cat.CellRange(c)
		for id := lo; id < min(hi, lo+starsPerCell); id++ {
			s := cat.Star(id)
			g := gridCell(s.Dir, grid)
			cells[g] = append(cells[g], s)
		}
	}
	var kept []catalogs.Star
	for _, stars := range cells {
		slices.SortFunc(stars, func(a, b catalogs.Star) int { return cmp.Or(cmp.Compare(a.V, b.V), cmp.Compare(a.ID, b.ID)) })
		kept = append(kept, stars[:min(starsPerCell, len(stars))]...)
	}
	slices.SortFunc(kept, func(a, b catalogs.Star) int { return cmp.Compare(a.ID, b.ID) })
	out := make([]vec32, len(kept))
	for i, s := range kept {
		out[i] = vec32FromICRS(s.Dir)
	}
	return out
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
// an edge of the cube that hold starsPerCell each.
func nearest(stars []vec32, grid int) []node {
	nodes := make([]node, len(stars))
	for i := range nodes {
		nodes[i].at = stars[i]
		for k := range nodes[i].near {
			nodes[i].near[k] = noStar
		}
	}
	if len(stars) <= bruteForceStars {
		for i := range stars {
			best := nearList{ids: &nodes[i].near}
			for j := range stars {
				if j != i {
					best.offer(stars, stars[i], uint32(j))
				}
			}
		}
		return nodes
	}
	inParallel(runtime.GOMAXPROCS(0), 6, func(_, face int) {
		newFaceGrid(stars, face, grid).nearest(stars, nodes)
	})
	return nodes
}

// nearList is a list of the nearest stars so far, nearest first.
type nearList struct {
	ids  *[neighbours]uint32
	dist [neighbours]float32
	n    int
}

func (b *nearList) offer(stars []vec32, at vec32, j uint32) {
	d := stars[j].sub(at)
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

// faceGrid files the stars of one cube face, and of a margin around it, by
// square cells in the face's plane.
type faceGrid struct {
	face   int
	n      int     // cells along the edge, margin included
	cell   float64 // side of a cell, in the plane
	corner float64
	starts []int32
	order  []uint32
	own    []uint32 // stars that belong to the face itself
	uv     [][2]float32
}

// faceReach is how many cells around a star's own are searched at most: as far
// as the largest triangles go.
const faceReach = 6

func newFaceGrid(stars []vec32, face, n int) *faceGrid {
	g := &faceGrid{face: face, cell: 2 / float64(n)}
	g.n = n + 2*faceReach
	g.corner = -1 - faceReach*g.cell
	g.starts = make([]int32, g.n*g.n+1)
	type filed struct {
		star uint32
		cell int32
	}
	var in []filed
	for i, s := range stars {
		u, v, ok := g.project(s)
		if !ok {
			continue
		}
		cu, cv := int((u-g.corner)/g.cell), int((v-g.corner)/g.cell)
		if u < g.corner || v < g.corner || cu >= g.n || cv >= g.n {
			continue
		}
		c := int32(cu*g.n + cv)
		in = append(in, filed{uint32(i), c})
		g.starts[c+1]++
		if f, _, _ := faceOf(float64(s.x), float64(s.y), float64(s.z)); f == face {
			g.own = append(g.own, uint32(i))
			g.uv = append(g.uv, [2]float32{float32(u), float32(v)})
		}
	}
	for c := range g.n * g.n {
		g.starts[c+1] += g.starts[c]
	}
	next := append([]int32(nil), g.starts...)
	g.order = make([]uint32, len(in))
	for _, f := range in {
		g.order[next[f.cell]] = f.star
		next[f.cell]++
	}
	return g
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

func (g *faceGrid) nearest(stars []vec32, nodes []node) {
	for k, i := range g.own {
		u, v := float64(g.uv[k][0]), float64(g.uv[k][1])
		cu, cv := int((u-g.corner)/g.cell), int((v-g.corner)/g.cell)
		best := nearList{ids: &nodes[i].near}
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
						if j != i {
							best.offer(stars, stars[i], j)
						}
					}
				}
			}
			seen := float64(reach) * g.cell * shrink
			if best.n == neighbours && float64(best.dist[neighbours-1]) <= seen*seen {
				break
			}
		}
	}
}

// file sorts all triangles into buckets by counting them first.
func (l *level) file() {
	workers := runtime.GOMAXPROCS(0)
	chunk := (len(l.nodes) + workers - 1) / workers
	counts := make([][]uint32, workers)
	each := func(visit func(w, bucket int, e uint32)) {
		inParallel(workers, workers, func(_, w int) {
			for i := w * chunk; i < min((w+1)*chunk, len(l.nodes)); i++ {
				l.trianglesOf(uint32(i), func(bucket int, e uint32) { visit(w, bucket, e) })
			}
		})
	}
	for w := range counts {
		counts[w] = make([]uint32, l.bins.buckets())
	}
	each(func(w, bucket int, _ uint32) { counts[w][bucket]++ })
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
	each(func(w, bucket int, e uint32) {
		l.entry[counts[w][bucket]] = e
		counts[w][bucket]++
	})
}

// trianglesOf visits the triangles for which star a is the anchor. A triangle
// that several of its stars could anchor belongs to the first of them.
func (l *level) trianglesOf(a uint32, visit func(bucket int, e uint32)) {
	nearA := l.nodes[a].near[:triangleNeighbours]
	sa := l.nodes[a].at
	for p, pair := range neighbourPairs {
		b, c := nearA[pair[0]], nearA[pair[1]]
		if c == noStar {
			continue
		}
		if b < a && l.anchors(b, a, c) || c < a && l.anchors(c, a, b) {
			continue
		}
		sb, sc := l.nodes[b].at, l.nodes[c].at
		// Side k lies opposite corner k.
		d0, d1, d2 := sb.sub(sc), sa.sub(sc), sa.sub(sb)
		side := [3]float64{
			math.Sqrt(float64(d0.dot(d0))), math.Sqrt(float64(d1.dot(d1))), math.Sqrt(float64(d2.dot(d2))),
		}
		x, y, order, ok := shape(side)
		if !ok {
			continue
		}
		size := l.bins.sizeBin(side[vertexOrders[order][0]])
		if size < 0 || size >= l.bins.nsize {
			continue
		}
		visit(l.bins.bucket(x, y, size), a<<(pairBits+orderBits)|uint32(p)<<orderBits|uint32(order))
	}
}

func (l *level) anchors(star, b, c uint32) bool {
	found := 0
	for _, n := range l.nodes[star].near[:triangleNeighbours] {
		if n == b || n == c {
			found++
		}
	}
	return found == 2
}

// shape gives the normalised sides x = b/a and y = c/a and the order of the
// corners opposite the longest, middle and shortest side (an index into
// vertexOrders). It is not ok where two sides are too much alike to tell
// which is longer.
func shape(side [3]float64) (x, y float64, order int, ok bool) {
	switch {
	case side[0] >= side[1] && side[1] >= side[2]:
		order = 0
	case side[0] >= side[2] && side[2] >= side[1]:
		order = 1
	case side[1] >= side[0] && side[0] >= side[2]:
		order = 2
	case side[1] >= side[2] && side[2] >= side[0]:
		order = 3
	case side[2] >= side[0] && side[0] >= side[1]:
		order = 4
	default:
		order = 5
	}
	o := vertexOrders[order]
	a, b, c := side[o[0]], side[o[1]], side[o[2]]
	x, y = b/a, c/a
	return x, y, order, 1-x >= leastShapeGap && x-y >= leastShapeGap
}
