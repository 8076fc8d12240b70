package index

import (
	"context"
	"math"
	"math/bits"
	"math/cmplx"
	"runtime"
	"runtime/debug"
	"sync/atomic"
	"time"

	"polard/catalogs"
	"polard/mountmodel/sky"
	"polard/solve/parallel"
)

// The pattern index: small groups of catalogue stars, filed by shape, in levels from
// wide fields to narrow ones.
//
// A level holds the catalogue thinned to even density: of every cell of a grid
// over the sky only the brightest few stay. Each of those stars is the
// pivot of patterns: itself with three of its nearest neighbours, the sides, so that
// the patterns' size follows the density and their number grows with the number
// of stars. A pattern is two triangles with an edge in common, the longest side.
// Its shape is what the sides are to the longest of them, two complex numbers
// that neither shift, turn nor scale changes, and is good for four coordinates
// where a triangle (Groth 1986, AJ 91, 1244; Valdes et al. 1995, PASP 107, 1119)
// has two. So a pattern of the image meets thousands of times fewer chance
// likenesses than a triangle does, for one star more that must be seen. Star
// sensors, which know their scale, use a star and two of its neighbours in the same
// way (Liebe 1992, IEEE Aerosp. Electron. Syst. Mag. 7(6), 34; from memory).

const (
	// neighbours is how many nearest neighbours of each star are kept in every level. They
	// serve as the first check of a candidate, where more of them must show.
	Neighbours = 6

	// mostNeighbours is the most nearest neighbours of which three form patterns with a star.
	mostNeighbours = 7

	// sizeBits is how many leading bits of the mantissa tell bins of pattern size
	// apart: 4 to the octave.
	sizeBits = 2

	// smallestSize bounds the longest side in units of the grid's cell: for
	// shorter ones there are finer levels. sizeBins steps above it, at twelve
	// cells, the pattern would span more than a field.
	smallestSize = 0.05
	sizeBins     = 32

	// longestSide is the longest chord that is filed, 40 degrees: from there on it would
	// not be in the widest field.
	longestSide = 0.684
)

// Index gives the levels of a catalogue's index. Each is made when first wanted. It is safe for use by
// many goroutines.
type Index struct {
	Catalogue *catalogs.Catalogue
	folder    string // of cached levels; "" for none
	clock     func() time.Time
	levels    []lazyLevel
}

// lazyLevel is a level that is made when first wanted.
type lazyLevel struct {
	made  atomic.Pointer[Level]
	maker chan struct{} // has room for one: who makes the level
}

// New makes an index of a catalogue. Its levels are cached in the folder, 160 MB in all,
// for the next process that wants them (cache.go); "" caches none. The clock tells unfinished files that are old.
func New(cat *catalogs.Catalogue, folder string, clock func() time.Time) *Index {
	x := &Index{Catalogue: cat, folder: folder, clock: clock, levels: make([]lazyLevel, len(Specs))}
	for i := range x.levels {
		x.levels[i].maker = make(chan struct{}, 1)
	}
	return x
}

// Level gives the level of that number in [Specs]. The one who wants it first makes it, in goroutines
// that have ended when Level returns; when that one's context ends first, the next makes it. The error is the context's.
func (x *Index) Level(ctx context.Context, number int) (*Level, error) {
	lazy := &x.levels[number]
	if l := lazy.made.Load(); l != nil {
		return l, nil
	}
	select {
	case lazy.maker <- struct{}{}:
		defer func() { <-lazy.maker }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	if l := lazy.made.Load(); l != nil {
		return l, nil
	}
	l, err := x.cached(ctx, Specs[number])
	if err != nil {
		return nil, err
	}
	lazy.made.Store(l)
	return l, nil
}

// Spec describes one level.
type Spec struct {
	Grid     int     // cells along an edge of a cube face
	PerCell  int     // how many stars of a cell are kept, the brightest, to thin them to even density
	nearest  int     // of how many neighbours three form patterns with a star
	ShapeBin float64 // width of a bin in each coordinate of the shape
	ShapeTol float64 // how far distortion and projection may move them inside such a field

	// A level that is not thinned holds all stars to the magnitude faintest, about so many, and
	// a star's neighbours are the nearest of those that are not fainter than itself: what shows
	// the star shows them, however deep an image goes, and no part of the sky is too crowded or
	// too empty. Stars to the magnitude brighter are left to another level as pivots.
	faintest, brighter float64
	stars              int
}

// Specs go from the widest fields to the narrowest, in steps of two in density. Their
// cells nest with the cells of the catalogue. With one star to a cell, two bright ones in a
// cell would cost the second; with many, the density is no longer even.
//
// Four levels are not thinned. The last two, for fields up to three degrees, hold more than a
// hundred megabytes together, and no room is left for steps between them, which fields of a
// degree would want; they do not, since their stars' neighbours are brighter ones. The
// first is for fields of 20 degrees and more through a lens, of which a short exposure may show a
// dozen stars, and the one in the middle for fields from there down to two degrees: between clouds or
// above a horizon the stars seen are not those that thinning to even density would keep.
//
// shapeTol is about the relative stretch that a lens with two percent of distortion at
// the corner, or a tangent-plane scale wrong by a fifth, gives a pattern a quarter
// of the field large; narrow fields have neither, and what is left is
// refraction and aberration. The more neighbours form patterns, the more stars may
// fail to show; the last level has fewest, for its size. Bins are as wide as
// makes them hold some patterns each.
var Specs = []Spec{
	{Grid: 6, faintest: 6, stars: 5000, nearest: 7, ShapeBin: 0.12, ShapeTol: 0.03},
	{Grid: 3, PerCell: 6, nearest: 6, ShapeBin: 0.14, ShapeTol: 0.03},
	{Grid: 6, PerCell: 3, nearest: 6, ShapeBin: 0.14, ShapeTol: 0.02},
	{Grid: 6, PerCell: 6, nearest: 6, ShapeBin: 0.12, ShapeTol: 0.02},
	{Grid: 12, PerCell: 3, nearest: 6, ShapeBin: 0.1, ShapeTol: 0.02},
	{Grid: 12, PerCell: 6, nearest: 6, ShapeBin: 0.1, ShapeTol: 0.02},
	{Grid: 24, PerCell: 3, nearest: 6, ShapeBin: 0.08, ShapeTol: 0.012},
	{Grid: 24, PerCell: 6, nearest: 6, ShapeBin: 0.08, ShapeTol: 0.012},
	{Grid: 24, faintest: 8.2, stars: 56_500, nearest: 6, ShapeBin: 0.08, ShapeTol: 0.012},
	{Grid: 48, PerCell: 3, nearest: 6, ShapeBin: 0.08, ShapeTol: 0.006},
	{Grid: 48, PerCell: 6, nearest: 6, ShapeBin: 0.08, ShapeTol: 0.006},
	{Grid: 96, PerCell: 3, nearest: 6, ShapeBin: 0.07, ShapeTol: 0.003},
	{Grid: 192, faintest: 10.5, stars: 607_000, nearest: 4, ShapeBin: 0.06, ShapeTol: 0.0025},
	{Grid: 384, faintest: 16, stars: 2_560_000, brighter: 9.5, nearest: 4, ShapeBin: 0.05, ShapeTol: 0.0025},
}

func (s Spec) Thinned() bool { return s.PerCell > 0 }

// CellSide is the mean side of the level's grid cell.
func (s Spec) CellSide() sky.Angle { return 90 * sky.Degree / sky.Angle(s.Grid) }

// StarsIn is how many stars of the level a field of the given solid angle
// (square radians) holds where the catalogue is rich enough.
func (s Spec) StarsIn(area float64) float64 {
	c := s.CellSide().Radians()
	if !s.Thinned() {
		return float64(s.stars) * area / (4 * math.Pi)
	}
	return float64(s.PerCell) * area / (c * c)
}

// Vec32 is a unit vector in single precision: good to 0.01 arcsec, which
// serves the search; the camera fit goes back to the catalogue.
type Vec32 struct{ x, y, z float32 }

func (a Vec32) Sub(b Vec32) Vec32   { return Vec32{a.x - b.x, a.y - b.y, a.z - b.z} }
func (a Vec32) Add(b Vec32) Vec32   { return Vec32{a.x + b.x, a.y + b.y, a.z + b.z} }
func (a Vec32) Dot(b Vec32) float32 { return a.x*b.x + a.y*b.y + a.z*b.z }
func (a Vec32) Cross(b Vec32) Vec32 {
	return Vec32{a.y*b.z - a.z*b.y, a.z*b.x - a.x*b.z, a.x*b.y - a.y*b.x}
}
func (a Vec32) Scale(f float32) Vec32 { return Vec32{a.x * f, a.y * f, a.z * f} }

// Vec is the direction in double precision.
func (a Vec32) Vec() sky.Vec { return sky.Vec{X: float64(a.x), Y: float64(a.y), Z: float64(a.z)} }

// VecOf is a direction in single precision.
func VecOf(d sky.ICRS) Vec32 { return Vec32{float32(d.X), float32(d.Y), float32(d.Z)} }

// octaPlace is a direction in the octahedral map: the sphere projected from its centre onto
// an octahedron, whose lower half is folded out over the square's corners (Cigolle et al.
// 2014, A Survey of Efficient Representations for Independent Unit Vectors, JCGT 3(2), 1).
// It is two thirds of a vector's size and good to 0.06 arcsec, a tenth of the smallest pixel.
type octaPlace struct{ p, q float32 }

func octaPlaceOf(v Vec32) octaPlace {
	k := 1 / (abs32(v.x) + abs32(v.y) + abs32(v.z))
	p, q := v.x*k, v.y*k
	if v.z < 0 {
		p, q = foldedOut(p, q)
	}
	return octaPlace{p, q}
}

func (o octaPlace) vec() Vec32 {
	r := o.ray()
	return r.Scale(1 / sqrt32(r.Dot(r)))
}

// ray is the direction as a vector of any length.
func (o octaPlace) ray() Vec32 {
	x, y, z := o.p, o.q, 1-abs32(o.p)-abs32(o.q)
	if z < 0 {
		x, y = foldedOut(x, y)
	}
	return Vec32{x, y, z}
}

// foldedOut mirrors a place in a triangle of the square at the edge of the inner
// square; twice, it is nothing.
func foldedOut(p, q float32) (float32, float32) {
	return withSign(1-abs32(q), p), withSign(1-abs32(p), q)
}

func abs32(x float32) float32  { return math.Float32frombits(math.Float32bits(x) &^ (1 << 31)) }
func sqrt32(x float32) float32 { return float32(math.Sqrt(float64(x))) }
func withSign(x, sign float32) float32 {
	return math.Float32frombits(math.Float32bits(x)&^(1<<31) | math.Float32bits(sign)&(1<<31))
}

// Level is one built octave of the index. It never changes once built.
type Level struct {
	Spec       Spec
	nodes      []node
	far        neighbourLists
	starts     []uint32 // first entry of each bucket, and the end
	entry      []uint32
	bins       shapeBins
	pivotShift uint // of an entry
}

// node is a star of a level and its neighbours, nearest first, as differences of
// their numbers from its own: stars near each other in the sky are so in memory,
// except across the edges of the cube. It is small and in one place because the
// search, which is bound by memory, wants all of it at once.
type node struct {
	octaPlace
	near [Neighbours]int16
}

// Place is the direction of a star of the level.
func (l *Level) Place(star uint32) Vec32 { return l.nodes[star].vec() }

// An entry packs the pivot, which of its neighbours are the sides, and the bin of
// the longest side's length. The fewer ways to choose sides, the more pivots there may be.
const sizeMask = sizeBins - 1

// neighbourTriples lists the ways to choose three of the neighbours, farthest first;
// those of the nearest n come first for every n.
var neighbourTriples = func() (triples [][3]uint8) {
	for far := range uint8(mostNeighbours) {
		for middle := range far {
			for close := range middle {
				triples = append(triples, [3]uint8{far, middle, close})
			}
		}
	}
	return triples
}()

// SizeOf is the bin of the longest side of an entry's pattern.
func SizeOf(entry uint32) int { return int(entry & sizeMask) }

// triples is how many of neighbourTriples a level files.
func (s Spec) triples() int { return s.nearest * (s.nearest - 1) * (s.nearest - 2) / 6 }

// pivotShift is how many bits of an entry are below the pivot's.
func (s Spec) pivotShift() uint {
	return uint(bits.Len(sizeMask) + bits.Len(uint(s.triples()-1)))
}

// mostPivots is how many pivots a level's entries can name.
func (s Spec) mostPivots() int { return 1 << (32 - s.pivotShift()) }

// Pattern gives the stars of an entry: the pivot and the sides, longest first.
func (l *Level) Pattern(e uint32) (p [4]uint32) {
	p[0] = e >> l.pivotShift
	for i, k := range neighbourTriples[e&(1<<l.pivotShift-1)/sizeBins] {
		p[i+1], _ = l.Neighbour(p[0], int(k))
	}
	return p
}

// shapeBins maps a shape to a bucket: a grid over the four coordinates, u within
// the upper half of the unit circle, v within the circle.
type shapeBins struct {
	perUnit float64 // bins in a unit of each coordinate
	half    int     // bins in the range from 0 to 1
	perSize float64 // one over the smallest longest side, 1/radian
}

func newShapeBins(s Spec) shapeBins {
	return shapeBins{
		perUnit: 1 / s.ShapeBin,
		half:    int(math.Ceil(1/s.ShapeBin)) + 1,
		perSize: 1 / (smallestSize * s.CellSide().Radians()),
	}
}

// sizeBin is the bin of a longest side in radians, negative or beyond sizeBins-1
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
	// From 0 on cutting off is rounding down, and below it the bin is 0 either way.
	return min(max(int(x*b.perUnit+float64(b.half)), 0), 2*b.half-1)
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

// buildLevel thins the catalogue, finds neighbours and files the patterns. The error is the context's.
func buildLevel(ctx context.Context, cat *catalogs.Catalogue, spec Spec) (*Level, error) {
	if spec.stars >= manyStars {
		// What images and smaller levels have left behind is given back first, and
		// what this one leaves behind at the end: the peak decides what a small computer
		// needs.
		debug.FreeOSMemory()
		defer debug.FreeOSMemory()
	}
	l := &Level{Spec: spec, bins: newShapeBins(spec), pivotShift: spec.pivotShift()}
	var mags []float32 // nil where neighbours may be fainter
	var err error
	if spec.Thinned() {
		l.nodes, err = thin(ctx, cat, spec.Grid, spec.PerCell)
	} else {
		l.nodes, mags, err = starsTo(ctx, cat, spec.faintest)
	}
	if err != nil {
		return nil, err
	}
	if l.far, err = nearest(ctx, l.nodes, mags, spec); err != nil {
		return nil, err
	}
	if spec.stars >= manyStars {
		runtime.GC() // what the search for neighbours has left behind, before the entries are made
	}
	if err := l.file(ctx); err != nil {
		return nil, err
	}
	return l, nil
}

// manyStars is how many take a hundred megabytes.
const manyStars = 1_000_000

// LargeGrid is the grid of the first level for fields of some degrees at most.
const LargeGrid = 192

// file sorts all patterns into buckets by counting them first.
func (l *Level) file(ctx context.Context) error {
	workers := runtime.GOMAXPROCS(0)
	pivots := min(len(l.nodes), l.Spec.mostPivots())
	chunk := (pivots + workers - 1) / workers
	counts := make([][]uint32, workers)
	each := func(visit func(w int, p []filedPattern)) error {
		return parallel.Each(ctx, workers, workers, func(_, w int) {
			g := newGatherer(l.bins.buckets(), func(p []filedPattern) { visit(w, p) })
			for i := w * chunk; i < min((w+1)*chunk, pivots); i++ {
				if i%pivotsAtOnce == 0 && ctx.Err() != nil {
					return
				}
				l.patternsOf(uint32(i), g.add)
			}
			g.flush()
		})
	}
	for w := range counts {
		counts[w] = make([]uint32, l.bins.buckets())
	}
	if err := each(func(w int, patterns []filedPattern) {
		for _, p := range patterns {
			counts[w][p.bucket]++
		}
	}); err != nil {
		return err
	}
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
	return each(func(w int, patterns []filedPattern) {
		for _, p := range patterns {
			l.entry[counts[w][p.bucket]] = p.entry
			counts[w][p.bucket]++
		}
	})
}

// pivotsAtOnce are filed, a millisecond's work, before another look at the context.
const pivotsAtOnce = 1024

// filedPattern is an entry and the bucket it belongs to.
type filedPattern struct{ bucket, entry uint32 }

// gatherer collects patterns and hands over those of neighbouring buckets
// together, in the order in which they came: scattered one by one over a hundred
// megabytes, each would cost a wait for memory.
type gatherer struct {
	shift int // of a bucket's number, to that of its part
	parts [][]filedPattern
	give  func([]filedPattern)
}

// A gatherer has at most so many parts, and hands over so many patterns at once: then a part of a
// large level, its counts and the gathered patterns each fit a processor's second cache.
const (
	gathered   = 256
	handedOver = 1024
)

func newGatherer(buckets int, give func([]filedPattern)) gatherer {
	g := gatherer{give: give}
	for (buckets-1)>>g.shift >= gathered {
		g.shift++
	}
	g.parts = make([][]filedPattern, (buckets-1)>>g.shift+1)
	return g
}

func (g *gatherer) add(bucket int, e uint32) {
	part := &g.parts[bucket>>g.shift]
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

// patternsOf visits the patterns of which a star is the pivot. Of a group of stars one is: the
// faintest if it is the nearest brighter ones that it is filed with, or else the one that lies
// nearest to the middle of the four.
func (l *Level) patternsOf(pivot uint32, visit func(bucket int, e uint32)) {
	at := l.nodes[pivot].vec()
	var side [mostNeighbours]Vec32
	var length [mostNeighbours]float32
	var gram [mostNeighbours][mostNeighbours]float32 // the sides' scalar products, for central
	n := 0
	for ; n < l.Spec.nearest; n++ {
		j, ok := l.Neighbour(pivot, n)
		if !ok {
			break
		}
		side[n] = l.nodes[j].vec().Sub(at)
		square := side[n].Dot(side[n])
		length[n] = sqrt32(square)
		if l.Spec.Thinned() {
			gram[n][n] = square
			for k := range n {
				gram[n][k] = side[n].Dot(side[k])
				gram[k][n] = gram[n][k]
			}
		}
	}
	far, size := uint8(0), -1
	var shape [mostNeighbours]complex128
	for t, triple := range neighbourTriples[:l.Spec.triples()] {
		if int(triple[0]) >= n {
			break
		}
		if triple[0] != far {
			far = triple[0]
			longest := length[far]
			size = -1
			if longest < longestSide {
				size = l.bins.sizeBin(float64(longest))
			}
			if size >= 0 && size < sizeBins {
				e1, e2 := Tangent(at, side[far])
				for k := range far {
					shape[k] = turned(side[k], e1, e2, length[k]/longest)
				}
			}
		}
		if size < 0 || size >= sizeBins || l.Spec.Thinned() && !central(&gram, triple) {
			continue
		}
		u, v := shape[triple[1]], shape[triple[2]]
		if imag(u) < 0 {
			u, v = cmplx.Conj(u), cmplx.Conj(v)
		}
		visit(l.bins.bucket(u, v), pivot<<l.pivotShift|uint32(t)*sizeBins|uint32(size))
	}
}

// central tells whether the pivot lies nearest to the middle of the four stars, given the
// scalar products of the sides.
func central(gram *[mostNeighbours][mostNeighbours]float32, triple [3]uint8) bool {
	for _, k := range triple {
		// |d - middle|^2 >= |middle|^2, middle = (a + b + c) / 4
		if 2*gram[k][k] < gram[k][triple[0]]+gram[k][triple[1]]+gram[k][triple[2]] {
			return false
		}
	}
	return true
}

// Tangent gives unit vectors square to the direction at: along the side d, and
// to the left of it as seen from outside the sphere.
func Tangent(at, d Vec32) (e1, e2 Vec32) {
	e1 = d.Sub(at.Scale(d.Dot(at)))
	e1 = e1.Scale(1 / sqrt32(e1.Dot(e1)))
	return e1, at.Cross(e1)
}

// turned is a side as a complex number of the given size, its angle counted from e1.
// Chords and the angle at the pivot tell the shape of a wide pattern better than
// a plane does.
func turned(d, e1, e2 Vec32, size float32) complex128 {
	x, y := d.Dot(e1), d.Dot(e2)
	r := sqrt32(x*x + y*y)
	if r == 0 {
		return 0
	}
	size /= r
	return complex(float64(x*size), float64(y*size))
}
