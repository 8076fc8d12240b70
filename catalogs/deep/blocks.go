package deep

import (
	"math"

	"polard/catalogs/cells"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// CellSide is the mean side of a cell.
const CellSide = 90 * sky.Degree / perEdge

// Block is a square of cells on one face of the cube, to some of which stars were added.
type Block struct {
	Center         sky.ICRS
	Radius         sky.Angle // of the circle about the centre that holds those cells
	face, u, v, to int       // the first column and row, and how many there are of each
}

// Blocks are the squares of so many cells along each side that hold what was added.
func (c *Catalogue) Blocks(side int) (out []Block) {
	for face := range cells.Faces {
		for v := 0; v < perEdge; v += side {
			for u := 0; u < perEdge; u += side {
				if b, any := c.block(face, u, v, side); any {
					out = append(out, b)
				}
			}
		}
	}
	return out
}

func (c *Catalogue) block(face, u, v, side int) (b Block, any bool) {
	b = Block{face: face, u: u, v: v, to: side}
	middle := grid.Cell(face, min(u+side/2, perEdge-1), min(v+side/2, perEdge-1))
	b.Center = sky.ICRS(grid.Centre(middle))
	for row := v; row < min(v+side, perEdge); row++ {
		for column := u; column < min(u+side, perEdge); column++ {
			if cell := grid.Cell(face, column, row); c.depths[cell] != 0 {
				any = true
				b.Radius = max(b.Radius, sky.Separation(b.Center, sky.ICRS(grid.Centre(cell)))+grid.Radius(cell))
			}
		}
	}
	return b, any
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
