package cells

import (
	"math"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// The cube. Face f has an outward normal n and two axes a and b; a direction
// d on it has the angles u = atan(d.a / d.n) and v = atan(d.b / d.n), both
// within 45 degrees. Surfaces of constant u are planes through b, those of
// constant v planes through a: cells have great circles as sides.
//
//	face   n   a   b
//	0     +x  +y  +z
//	1     +y  -x  +z
//	2     -x  -y  +z
//	3     -y  +x  +z
//	4     +z  +y  -x
//	5     -z  +y  +x
//
// Faces of the cube.
const Faces = 6

// ToFace gives the components of d along a, b and n of face f.
func ToFace(f int, d sky.Vec) (a, b, n float64) {
	switch f {
	case 0:
		return d.Y, d.Z, d.X
	case 1:
		return -d.X, d.Z, d.Y
	case 2:
		return -d.Y, d.Z, -d.X
	case 3:
		return d.X, d.Z, -d.Y
	case 4:
		return d.Y, -d.X, d.Z
	default:
		return d.Y, d.X, -d.Z
	}
}

// fromFace is the inverse of ToFace.
func fromFace(f int, a, b, n float64) sky.Vec {
	switch f {
	case 0:
		return sky.Vec{X: n, Y: a, Z: b}
	case 1:
		return sky.Vec{X: -a, Y: n, Z: b}
	case 2:
		return sky.Vec{X: -n, Y: -a, Z: b}
	case 3:
		return sky.Vec{X: a, Y: -n, Z: b}
	case 4:
		return sky.Vec{X: -b, Y: a, Z: n}
	default:
		return sky.Vec{X: b, Y: a, Z: -n}
	}
}

// FaceOf is the face that d falls on: the largest component. On an edge of
// the cube the order x, y, z decides.
func FaceOf(d sky.Vec) int {
	x, y, z := math.Abs(d.X), math.Abs(d.Y), math.Abs(d.Z)
	switch {
	case x >= y && x >= z:
		if d.X > 0 {
			return 0
		}
		return 2
	case y >= z:
		if d.Y > 0 {
			return 1
		}
		return 3
	case d.Z > 0:
		return 4
	default:
		return 5
	}
}

// Grid is the geometry of 6 x n x n cells. Cell numbers run over faces, rows
// (v) and columns (u): (face n + row) n + column.
type Grid struct {
	n    int
	tan  []float64 // tangent of the middle angle of strip i, for u and v alike
	size []size    // of the cell at row, column of any face
}

// size is the middle of a cell on its face, along a, b and n of unit length,
// and its radius: the largest angle from the middle to a point of it.
type size struct {
	middle   sky.Vec
	radius   sky.Angle
	sin, cos float64
}

// Bounds of the number of cells along an edge of the cube. Below, the series
// of tanSum would not converge; above, cells would hold less than one star.
const (
	MinPerEdge = 16
	MaxPerEdge = 1024
)

// New makes the grid with n cells along an edge, which must be MinPerEdge to MaxPerEdge.
func New(n int) Grid {
	g := Grid{n: n, tan: make([]float64, n), size: make([]size, n*n)}
	half := math.Pi / 4 / float64(n)
	for i := range n {
		g.tan[i] = math.Tan(float64(2*i+1-n) * half)
	}
	// The cells of a face mirror each other about both axes.
	for row := range (n + 1) / 2 {
		for col := range (n + 1) / 2 {
			centre := sky.Vec{X: g.tan[col], Y: g.tan[row], Z: 1}
			var s size
			for _, du := range [2]float64{-half, half} {
				for _, dv := range [2]float64{-half, half} {
					x, dx := tanSum(g.tan[col], du)
					y, dy := tanSum(g.tan[row], dv)
					// The sides are great circles and the cell is convex, so
					// the farthest point is a corner.
					s.radius = max(s.radius, sky.Separation(centre, sky.Vec{X: x / dx, Y: y / dy, Z: 1}))
				}
			}
			s.sin, s.cos = math.Sincos(float64(s.radius))
			for _, r := range [2]int{row, n - 1 - row} {
				g.size[r*n+col], g.size[r*n+n-1-col] = s, s
			}
		}
	}
	for i := range g.size {
		g.size[i].middle = sky.Unit(sky.Vec{X: g.tan[i%n], Y: g.tan[i/n], Z: 1})
	}
	return g
}

// tanSum is tan(A + d) as a fraction, for t = tan(A) and a small angle d:
// (t + tan d) / (1 - t tan d), tan d by its series up to d^5. The first term
// left out is 17 d^7 / 315: at half a cell of the bundled file (8.2e-3 rad) it
// is 1.3e-16.
func tanSum(t, d float64) (num, den float64) {
	d2 := d * d
	td := d * (1 + d2*(1.0/3+d2*(2.0/15)))
	return t + td, 1 - t*td
}

// Count is the number of cells.
func (g *Grid) Count() int { return Faces * g.n * g.n }

// split gives face, row and column of a cell.
func (g *Grid) split(cell int) (face, row, col int) {
	return cell / (g.n * g.n), cell / g.n % g.n, cell % g.n
}

// Centre is the middle of a cell in u and v, as a unit vector.
func (g *Grid) Centre(cell int) sky.Vec {
	face := cell / (g.n * g.n)
	m := g.size[cell-face*g.n*g.n].middle
	return fromFace(face, m.X, m.Y, m.Z)
}

// Locate gives the face of d and u and v as a number of steps from the
// corner, steps along an edge in all.
func Locate(d sky.Vec, steps int64) (face int, u, v int64) {
	face = FaceOf(d)
	a, b, n := ToFace(face, d)
	step := func(x float64) int64 {
		i := int64(math.Floor((math.Atan2(x, n)/(math.Pi/2) + 0.5) * float64(steps)))
		return min(max(i, 0), steps-1)
	}
	return face, step(a), step(b)
}

// IsDirection tells whether d, of any length, points anywhere.
func IsDirection(d sky.ICRS) bool {
	n := r3.Norm(sky.Vec(d))
	return n > 0 && !math.IsInf(n, 1)
}

// CellOf is the cell that holds d, or -1 when d is no direction.
func (g *Grid) CellOf(d sky.ICRS) int {
	if !IsDirection(d) {
		return -1
	}
	face, u, v := Locate(sky.Vec(d), int64(g.n))
	return g.Cell(face, int(u), int(v))
}

// Cell is the number of the cell in column u and row v of a face.
func (g *Grid) Cell(face, u, v int) int { return (face*g.n+v)*g.n + u }

// Radius is the largest angle from the middle of a cell to a point of it.
func (g *Grid) Radius(cell int) sky.Angle { return g.size[cell%(g.n*g.n)].radius }

// Step is the angle (radians) of one of so many steps along a cell.
func (g *Grid) Step(perCell int) float64 { return math.Pi / 2 / (float64(g.n) * float64(perCell)) }

// Frame is what places in one cell are counted from: its middle.
type Frame struct {
	face   int
	tu, tv float64
}

// Frame gives the frame of a cell.
func (g *Grid) Frame(cell int) Frame {
	face, row, col := g.split(cell)
	return Frame{face: face, tu: g.tan[col], tv: g.tan[row]}
}

// Direction is the unit vector at the given angles (radians) of u and v from the middle of the cell.
func (f *Frame) Direction(du, dv float64) sky.Vec {
	a, da := tanSum(f.tu, du)
	b, db := tanSum(f.tv, dv)
	// The three are of the order of 1, so that the plain norm is safe; it is
	// much faster than one that guards against overflow.
	x, y, z := a*db, b*da, da*db
	k := 1 / math.Sqrt(x*x+y*y+z*z)
	return fromFace(f.face, k*x, k*y, k*z)
}
