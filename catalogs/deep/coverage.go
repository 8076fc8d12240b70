package deep

import (
	"math"

	"polard/catalogs"
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

// Part is a circle on the sky.
type Part struct {
	Center sky.ICRS
	Radius sky.Angle
}

// Thinned visits the brightest stars of each cell within radius of the centre to which stars were added: so many that
// there are perSquareDegree. It gives the area of those cells in square degrees.
func (c *Catalogue) Thinned(center sky.ICRS, radius sky.Angle, perSquareDegree float64, visit func(catalogs.Star)) (area float64) {
	k, ok := cells.NewCone(center, radius)
	if !ok {
		return 0
	}
	step := grid.Step(1 << placeBits)
	for cell := range grid.InCone(k) {
		if c.depths[cell] == 0 {
			continue
		}
		size := cellArea(cell)
		area += size
		f := grid.Frame(cell)
		lo, hi := c.cellRange(cell)
		for i := lo; i < min(hi, lo+int(math.Ceil(perSquareDegree*size))); i++ {
			r := c.record(i, cell)
			visit(r.star(int32(i), r.direction(&f, step)))
		}
	}
	return area
}

// Parts are circles that together hold what was added, each with about so many square degrees of it at most.
func (c *Catalogue) Parts(area float64) []Part {
	// Blocks of cells, halved until their circles are small enough: a circle has half as much again as its block.
	block := perEdge
	for block > 6 && 1.6*sq(90.0*float64(block)/perEdge) > area {
		block /= 2
	}
	var out []Part
	for face := range cells.Faces {
		for v := 0; v < perEdge; v += block {
			for u := 0; u < perEdge; u += block {
				if p, any := c.around(face, u, v, block); any {
					out = append(out, p)
				}
			}
		}
	}
	return out
}

// around is the circle about the middle of the cells of a block to which stars were added.
func (c *Catalogue) around(face, u, v, block int) (p Part, any bool) {
	var covered []int
	var sum sky.Vec
	for row := v; row < min(v+block, perEdge); row++ {
		for column := u; column < min(u+block, perEdge); column++ {
			if cell := grid.Cell(face, column, row); c.depths[cell] != 0 {
				covered = append(covered, cell)
				at := grid.Centre(cell)
				sum = sky.Vec{X: sum.X + at.X, Y: sum.Y + at.Y, Z: sum.Z + at.Z}
			}
		}
	}
	if len(covered) == 0 {
		return p, false
	}
	p.Center = sky.ICRS(sky.Unit(sum))
	for _, cell := range covered {
		p.Radius = max(p.Radius, sky.Separation(p.Center, sky.ICRS(grid.Centre(cell)))+grid.Radius(cell))
	}
	return p, true
}
