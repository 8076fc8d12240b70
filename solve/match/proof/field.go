package proof

import (
	"math"
	"math/cmplx"
)

// Detections are the places of an image's detections, brightest first.
type Detections struct {
	Width, Height int
	At            []complex128 // column + i row
}

// Holds tells whether a place lies in the image, or within a margin (pixels) around it.
func (s Detections) Holds(z complex128, margin float64) bool {
	return real(z) >= -0.5-margin && real(z) <= float64(s.Width)-0.5+margin &&
		imag(z) >= -0.5-margin && imag(z) <= float64(s.Height)-0.5+margin
}

// Centre is the middle of the image.
func (s Detections) Centre() complex128 {
	return complex(float64(s.Width-1)/2, float64(s.Height-1)/2)
}

// Brightest are the first n of them.
func (s Detections) Brightest(n int) Detections {
	s.At = s.At[:min(n, len(s.At))]
	return s
}

// Grid finds the detection nearest to a place, and how dense detections
// are around it.
type Grid struct {
	Detections
	cell   float64
	nx, ny int
	starts []int32
	order  []int32
	// density of detections per square pixel, smoothed over coarse cells
	coarse   float64
	cx, cy   int
	density  []float64
	fieldAll float64
}

// densityCells is how many cells along the longer side measure the local
// density of detections: fine enough to see half a frame of cloud, coarse
// enough to hold some stars each.
const densityCells = 8

// NewGrid files detections by square cells of that side, pixels.
func NewGrid(s Detections, cell float64) *Grid {
	g := &Grid{Detections: s, cell: cell}
	g.nx, g.ny = int(float64(s.Width)/cell)+1, int(float64(s.Height)/cell)+1
	g.starts = make([]int32, g.nx*g.ny+1)
	index := make([]int32, len(s.At))
	for i, z := range s.At {
		index[i] = int32(g.cellOf(z))
		g.starts[index[i]+1]++
	}
	for c := range g.nx * g.ny {
		g.starts[c+1] += g.starts[c]
	}
	next := append([]int32(nil), g.starts...)
	g.order = make([]int32, len(s.At))
	for i, c := range index {
		g.order[next[c]] = int32(i)
		next[c]++
	}
	g.measureDensity()
	return g
}

func (g *Grid) cellOf(z complex128) int {
	x := min(max(int((real(z)+0.5)/g.cell), 0), g.nx-1)
	y := min(max(int((imag(z)+0.5)/g.cell), 0), g.ny-1)
	return y*g.nx + x
}

func (g *Grid) measureDensity() {
	g.coarse = float64(max(g.Width, g.Height)) / densityCells
	g.cx, g.cy = int(math.Ceil(float64(g.Width)/g.coarse)), int(math.Ceil(float64(g.Height)/g.coarse))
	count := make([]float64, g.cx*g.cy)
	for _, z := range g.At {
		count[g.coarseCell(z)]++
	}
	g.fieldAll = float64(len(g.At)) / (float64(g.Width) * float64(g.Height))
	g.density = make([]float64, len(count))
	for y := range g.cy {
		for x := range g.cx {
			var n, area float64
			for v := max(y-1, 0); v <= min(y+1, g.cy-1); v++ {
				for u := max(x-1, 0); u <= min(x+1, g.cx-1); u++ {
					n += count[v*g.cx+u]
					area += (min(float64(u+1)*g.coarse, float64(g.Width)) - float64(u)*g.coarse) *
						(min(float64(v+1)*g.coarse, float64(g.Height)) - float64(v)*g.coarse)
				}
			}
			g.density[y*g.cx+x] = n / area
		}
	}
}

func (g *Grid) coarseCell(z complex128) int {
	x := min(max(int((real(z)+0.5)/g.coarse), 0), g.cx-1)
	y := min(max(int((imag(z)+0.5)/g.coarse), 0), g.cy-1)
	return y*g.cx + x
}

// Chance is the probability that a place taken at random near z has a
// detection within r pixels. The denser of neighbourhood and whole field
// counts, so that an empty corner never makes a hit look precious.
func (g *Grid) Chance(z complex128, r float64) float64 {
	rho := max(g.fieldAll, g.density[g.coarseCell(z)])
	return -math.Expm1(-rho * math.Pi * r * r)
}

// Nearest finds the detection nearest to z within r pixels, or -1.
func (g *Grid) Nearest(z complex128, r float64) (best int, dist float64) {
	best, dist = -1, r
	x0, x1 := int((real(z)-r+0.5)/g.cell), int((real(z)+r+0.5)/g.cell)
	y0, y1 := int((imag(z)-r+0.5)/g.cell), int((imag(z)+r+0.5)/g.cell)
	for y := max(y0, 0); y <= min(y1, g.ny-1); y++ {
		for x := max(x0, 0); x <= min(x1, g.nx-1); x++ {
			c := y*g.nx + x
			for _, i := range g.order[g.starts[c]:g.starts[c+1]] {
				if d := cmplx.Abs(g.At[i] - z); d <= dist {
					best, dist = int(i), d
				}
			}
		}
	}
	return best, dist
}
