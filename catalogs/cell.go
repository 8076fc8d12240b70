package catalogs

import (
	"iter"
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
const faces = 6

// toFace gives the components of d along a, b and n of face f.
func toFace(f int, d sky.Vec) (a, b, n float64) {
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

// fromFace is the inverse of toFace.
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

// faceOf is the face that d falls on: the largest component. On an edge of
// the cube the order x, y, z decides.
func faceOf(d sky.Vec) int {
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

// grid is the geometry of 6 x n x n cells. Cell numbers run over faces, rows
// (v) and columns (u): (face n + row) n + column.
type grid struct {
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
	minPerEdge = 16
	maxPerEdge = 1024
)

func newGrid(n int) grid {
	g := grid{n: n, tan: make([]float64, n), size: make([]size, n*n)}
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

func (g *grid) cells() int { return faces * g.n * g.n }

// split gives face, row and column of a cell.
func (g *grid) split(cell int) (face, row, col int) {
	return cell / (g.n * g.n), cell / g.n % g.n, cell % g.n
}

// centre is the middle of a cell in u and v, as a unit vector.
func (g *grid) centre(cell int) sky.Vec {
	face := cell / (g.n * g.n)
	m := g.size[cell-face*g.n*g.n].middle
	return fromFace(face, m.X, m.Y, m.Z)
}

// locate gives the face of d and u and v as a number of steps from the
// corner, steps along an edge in all.
func locate(d sky.Vec, steps int) (face, u, v int) {
	face = faceOf(d)
	a, b, n := toFace(face, d)
	step := func(x float64) int {
		i := int(math.Floor((math.Atan2(x, n)/(math.Pi/2) + 0.5) * float64(steps)))
		return min(max(i, 0), steps-1)
	}
	return face, step(a), step(b)
}

// isDirection tells whether d, of any length, points anywhere.
func isDirection(d sky.ICRS) bool {
	n := r3.Norm(sky.Vec(d))
	return n > 0 && !math.IsInf(n, 1)
}

// cellOf is the cell that holds d, or -1 when d is no direction.
func (g *grid) cellOf(d sky.ICRS) int {
	if !isDirection(d) {
		return -1
	}
	face, u, v := locate(sky.Vec(d), g.n)
	return (face*g.n+v)*g.n + u
}

// Slack for rounding in the choice of cells, far above the rounding of a
// unit vector (1e-16) and far below a cell (1e-2 radian).
const (
	slackRadians = 1e-9
	slackCosine  = 1e-12
)

// cone is a circle on the sky, made ready for tests.
type cone struct {
	axis     sky.Vec
	radius   float64 // radians, 0 to pi
	sin, cos float64
	chord2   float64 // squared length of the chord that spans radius
}

// newCone is false when nothing can lie in the cone: the centre is no
// direction, or the radius is negative or NaN.
func newCone(centre sky.ICRS, radius sky.Angle) (cone, bool) {
	if !isDirection(centre) || !(radius >= 0) {
		return cone{}, false
	}
	r := math.Min(float64(radius), math.Pi)
	k := cone{axis: sky.Vec(sky.Unit(centre)), radius: r}
	k.sin, k.cos = math.Sincos(r)
	h := math.Sin(r / 2)
	k.chord2 = 4 * h * h
	return k, true
}

// whole tells whether the cone is the whole sky.
func (k *cone) whole() bool { return k.radius >= math.Pi }

// holds tells whether the unit vector d lies in the cone. The chord keeps its
// digits for small radii, where the cosine does not.
func (k *cone) holds(d sky.Vec) bool {
	return k.whole() || r3.Norm2(r3.Sub(d, k.axis)) <= k.chord2
}

// touches tells whether a cell of the given centre and size may meet the
// cone. It may say yes to a cell that does not, never no to one that does.
func (k *cone) touches(centre sky.Vec, s size) bool {
	if k.radius+float64(s.radius) >= math.Pi {
		return true
	}
	return r3.Dot(centre, k.axis) >= k.cos*s.cos-k.sin*s.sin-slackCosine
}

// covers tells whether the whole cell lies in the cone; when in doubt, no.
func (k *cone) covers(centre sky.Vec, s size) bool {
	if k.whole() {
		return true
	}
	return k.radius > float64(s.radius) && r3.Dot(centre, k.axis) >= k.cos*s.cos+k.sin*s.sin+slackCosine
}

// inCone yields, in ascending order, every cell that meets the cone and few
// others.
func (g *grid) inCone(k cone) iter.Seq[int] {
	return func(yield func(int) bool) {
		for face := range faces {
			a, b, n := toFace(face, k.axis)
			colLo, colHi := g.strips(k, a, n, b)
			rowLo, rowHi := g.strips(k, b, n, a)
			for row := rowLo; row < rowHi; row++ {
				for col := colLo; col < colHi; col++ {
					cell := (face*g.n+row)*g.n + col
					if k.touches(g.centre(cell), g.size[row*g.n+col]) && !yield(cell) {
						return
					}
				}
			}
		}
	}
}

// strips gives the strips lo..hi-1 of one face that the cone can meet. The
// planes between strips share an axis, so a strip is a range of longitude
// about that axis: along is the component of the cone's axis along it, x and n
// the components across. A circle of radius r at latitude l spans asin(sin r /
// cos l) of longitude to either side, or all of it if it holds a pole.
func (g *grid) strips(k cone, x, n, along float64) (lo, hi int) {
	across := math.Hypot(x, n)
	if k.radius >= math.Pi/2-slackRadians || k.sin >= across-slackRadians {
		return 0, g.n
	}
	longitude := math.Atan2(x, n)
	reach := math.Asin(k.sin/across) + slackRadians
	scale := float64(g.n) / (math.Pi / 2)
	l := math.Floor((longitude - reach + math.Pi/4) * scale)
	h := math.Floor((longitude+reach+math.Pi/4)*scale) + 1
	if l >= float64(g.n) || h <= 0 {
		return 0, 0
	}
	return max(int(l), 0), min(int(h), g.n)
}
