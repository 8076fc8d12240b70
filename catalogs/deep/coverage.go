package deep

import (
	"math"

	"polard/catalogs/cells"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
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

// CellSide is the mean side of a cell.
const CellSide = 90 * sky.Degree / perEdge

// Block is a square of cells on one face of the cube, to some of which stars were added.
type Block struct {
	Center         sky.ICRS
	Radius         sky.Angle // of the circle about the centre that holds it
	face, u, v, to int       // the first column and row, and how many there are of each
}

// Blocks are the squares of so many cells along each side that hold what was added and reach within a radius of the centre.
func (c *Catalogue) Blocks(side int, center sky.ICRS, radius sky.Angle) (out []Block) {
	far := min(radius+sky.Angle(side+1)*CellSide, math.Pi).Cos() // surely out of reach: a block's half diagonal is 0.82 of its side at most
	for face := range cells.Faces {
		for v := 0; v < perEdge; v += side {
			for u := 0; u < perEdge; u += side {
				b := Block{face: face, u: u, v: v, to: side}
				b.Center = sky.ICRS(grid.Centre(grid.Cell(face, min(u+side/2, perEdge-1), min(v+side/2, perEdge-1))))
				if r3.Dot(sky.Vec(b.Center), sky.Vec(center)) < far || !c.anyIn(b) {
					continue
				}
				for _, corner := range [4][2]int{{u, v}, {u, v + side - 1}, {u + side - 1, v}, {u + side - 1, v + side - 1}} {
					cell := grid.Cell(face, min(corner[0], perEdge-1), min(corner[1], perEdge-1))
					b.Radius = max(b.Radius, sky.Separation(b.Center, sky.ICRS(grid.Centre(cell)))+grid.Radius(cell))
				}
				if sky.Separation(b.Center, center) <= radius+b.Radius {
					out = append(out, b)
				}
			}
		}
	}
	return out
}

// anyIn tells whether stars were added to a block.
func (c *Catalogue) anyIn(b Block) bool {
	for row := b.v; row < min(b.v+b.to, perEdge); row++ {
		first := grid.Cell(b.face, b.u, row)
		for _, depth := range c.depths[first : first+min(b.to, perEdge-b.u)] {
			if depth != 0 {
				return true
			}
		}
	}
	return false
}

// Placed is a star at its place of some time.
type Placed struct {
	At   sky.Vec // unit vector
	Mag  uint16  // in thousandths, from -2
	Rank float32 // stars a square degree that are not fainter, in its cell
	Own  bool    // in the block, not around it
}

// Thinned visits the brightest stars of each cell to which stars were added, of a block and of those within a margin
// around it, by cell and from bright to faint: so many that there are perSquareDegree. They stand at their places of a Julian year, as
// seen from the Sun.
func (c *Catalogue) Thinned(b Block, margin sky.Angle, perSquareDegree, year float64, visit func(Placed)) {
	k, ok := cells.NewCone(b.Center, b.Radius+margin)
	if !ok {
		return
	}
	step, years := grid.Step(1<<placeBits), year-yearOfPlaces
	around := int(math.Ceil(float64(margin / (CellSide * leastOfCell))))
	for cell := range grid.InCone(k) {
		if c.depths[cell] == 0 {
			continue
		}
		own := false
		if face, u, v := cell/(perEdge*perEdge), cell%perEdge-b.u, cell/perEdge%perEdge-b.v; face == b.face {
			if min(u, v) < -around || max(u, v) >= b.to+around {
				continue
			}
			own = min(u, v) >= 0 && max(u, v) < b.to
		}
		size := cellArea(cell)
		f := grid.Frame(cell)
		lo, hi := c.cellRange(cell)
		for i := range min(hi-lo, int(math.Ceil(perSquareDegree*size))) {
			r := c.record(lo+i, cell)
			visit(Placed{At: r.placeAfter(&f, step, years), Mag: r.mag(), Rank: float32(float64(i) / size), Own: own})
		}
	}
}

// leastOfCell is the least distance across a cell, at the corners of the cube, as a part of CellSide.
const leastOfCell = 0.7

// placeAfter is the direction so many years after yearOfPlaces, as seen from the Sun.
func (r record) placeAfter(f *cells.Frame, step, years float64) sky.Vec {
	d := r.direction(f, step)
	if !r.hasMotion() {
		return d
	}
	const radians = pmStep / 3.6e6 * math.Pi / 180
	ra, dec := radians*years*float64(int16(r.lo>>30)), radians*years*float64(int16(r.lo>>14))
	h := math.Sqrt(d.X*d.X + d.Y*d.Y)
	if h == 0 {
		return d
	}
	x, y := d.X/h, d.Y/h
	return r3.Add(d, sky.Vec{X: -ra*y - dec*d.Z*x, Y: ra*x - dec*d.Z*y, Z: dec * h})
}
