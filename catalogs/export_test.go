package catalogs

import (
	"iter"
	"sort"

	"polard/catalogs/cells"
	"polard/mountmodel/sky"
)

// CellOf is the cell that holds the direction d, of any length, or -1 when d is
// zero or not finite. A star's own direction gives its own cell.
func (c *Catalogue) CellOf(d sky.ICRS) int { return c.grid.CellOf(d) }

// CellRadius is the largest angle from the middle of a cell to a point of it.
func (c *Catalogue) CellRadius(cell int) sky.Angle { return c.grid.Radius(cell) }

// CellsInCone yields, in ascending order, every cell that has a point within
// radius of the centre, and perhaps some that come within a cell's size of it.
func (c *Catalogue) CellsInCone(center sky.ICRS, radius sky.Angle) iter.Seq[int] {
	k, ok := cells.NewCone(center, radius)
	if !ok {
		return func(func(int) bool) {}
	}
	return c.grid.InCone(k)
}

// Star gives the star of an index, which must be 0 to Len()-1.
func (c *Catalogue) Star(i int32) Star {
	cell := sort.Search(c.Cells(), func(cell int) bool { return c.first[cell+1] > i })
	return c.star(i, c.frame(cell))
}

// CoarsePerEdge makes the small files of the tests.
const CoarsePerEdge = cells.MinPerEdge

// EncodeCoarse is Encode with few cells.
func EncodeCoarse(stars []Star) ([]byte, error) {
	return encode(stars, [32]byte{1, 2, 3}, CoarsePerEdge)
}
