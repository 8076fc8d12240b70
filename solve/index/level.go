package index

import "math"

const (
	// Neighbours is how many nearest neighbours of each star are kept in every level. They
	// serve as the first check of a candidate, where more of them must show.
	Neighbours = 6

	// mostNeighbours is the most nearest neighbours of which three form patterns with a star.
	mostNeighbours = 7
)

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
	octahedral
	near [Neighbours]int16
}

// Place is the direction of a star of the level.
func (l *Level) Place(star uint32) Vec32 { return l.nodes[star].vec() }

// Pattern gives the stars of an entry: the pivot and the sides, longest first.
func (l *Level) Pattern(e uint32) (p [4]uint32) {
	p[0] = e >> l.pivotShift
	for i, k := range neighbourTriples[e&(1<<l.pivotShift-1)/sizeBins] {
		p[i+1], _ = l.Neighbour(p[0], int(k))
	}
	return p
}

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

// neighbourLists holds the neighbours that a node has no room for.
type neighbourLists map[farNeighbour]uint32

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

// Neighbour gives the k-th nearest neighbour of a star, if there is one.
func (l *Level) Neighbour(star uint32, k int) (uint32, bool) {
	if k >= Neighbours {
		j, ok := l.far[farNeighbour{star, uint8(k)}]
		return j, ok
	}
	switch d := l.nodes[star].near[k]; d {
	case noStar:
		return 0, false
	case farStar:
		return l.far[farNeighbour{star, uint8(k)}], true
	default:
		return uint32(int32(star) + int32(d)), true
	}
}
