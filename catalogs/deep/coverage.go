package deep

import (
	"math"

	"polard/catalogs/cells"
	"polard/mountmodel/sky"
)

// depthStep is that of the depths kept, in magnitudes.
const depthStep = 0.1

func depthCode(mag float64) byte {
	return byte(min(max(math.Ceil(mag/depthStep-1e-9), 1), math.MaxUint8))
}

// Depth is the magnitude of the faintest star that was added in the cell (0.47 degrees wide) of a direction; not ok
// where none was.
func (c *Catalogue) Depth(d sky.ICRS) (mag float64, ok bool) {
	cell := grid.CellOf(d)
	if cell < 0 || c.depths[cell] == 0 {
		return 0, false
	}
	return depthStep * float64(c.depths[cell]), true
}

// Area is the part of the sky, in square degrees, to which stars were added: that of the cells that hold some.
func (c *Catalogue) Area() float64 {
	var area float64
	for cell, depth := range c.depths {
		if depth != 0 {
			area += cellArea(cell)
		}
	}
	return area
}

// cellArea is the size of a cell in square degrees: its step along u and v squared, by how much both
// shrink towards the cube's corners. With x = tan u and y = tan v it is (1+x^2)(1+y^2)/(1+x^2+y^2)^1.5 of what it is at the
// middle of a face.
func cellArea(cell int) float64 {
	x, y := tangents(cell)
	side := 90.0 / perEdge
	return side * side * (1 + x*x) * (1 + y*y) / math.Pow(1+x*x+y*y, 1.5)
}

func tangents(cell int) (x, y float64) {
	angle := func(i int) float64 { return (float64(2*i+1)/perEdge - 1) * math.Pi / 4 }
	return math.Tan(angle(cell % perEdge)), math.Tan(angle(cell / perEdge % perEdge))
}

// Covered visits the cells to which stars were added: their middles, and the faintest magnitude.
func (c *Catalogue) Covered(visit func(middle sky.ICRS, depth float64)) {
	for cell, depth := range c.depths {
		if depth != 0 {
			visit(sky.ICRS(grid.Centre(cell)), depthStep*float64(depth))
		}
	}
}

// Count is how many stars of a circle are not fainter than a magnitude, bundled ones included, without
// visiting them one by one where a cell lies inside.
func (c *Catalogue) Count(center sky.ICRS, radius sky.Angle, faintest float64) int {
	k, ok := cells.NewCone(center, radius)
	if !ok {
		return 0
	}
	n, limit, step := 0, magCode(faintest), grid.Step(1<<placeBits)
	for cell := range grid.InCone(k) {
		lo, hi := c.cellRangeTo(cell, limit)
		if k.Covers(&grid, cell) {
			n += hi - lo
			continue
		}
		f := grid.Frame(cell)
		for i := lo; i < hi; i++ {
			if k.Holds(c.record(i, cell).direction(&f, step)) {
				n++
			}
		}
	}
	return n
}

// Cells visits the middles of all cells, of nearly equal size, of which Covered tells some.
func Cells(visit func(middle sky.ICRS)) {
	for cell := range cellCount {
		visit(sky.ICRS(grid.Centre(cell)))
	}
}

// BytesFor is about how large a file is to which so many stars were added.
func BytesFor(stars float64) float64 {
	const bundled = 2.56e6
	return float64(layoutOf(0, 0).end) + recordSize*(stars+bundled)
}
