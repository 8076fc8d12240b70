package background

import (
	"math"
	"slices"

	"polard/solve/robust"
)

// Map is sky level and pixel noise of an image: bilinear between the centres of equal tiles, and the
// offsets of rows and columns.
type Map struct {
	mesh
	level, noise []float32 // of the tiles, row-major
	leastNoise   float32   // of a tile: extrapolation does not go below
	medians      medians
	values       values     // of the image
	tiles        *structure // of the tiles that were measured first
	finer        bool       // than those tiles
	rows         []float32  // offsets of rows and columns, nil where there are none
	columns      []float32
}

// medians tell of all tiles.
type medians struct {
	level, noise  float64
	lowerQuartile float64 // lower quartile of the noise
}

func newMedians(level, noise []float32) medians {
	sorted := slices.Sorted(slices.Values(noise))
	return medians{float64(robust.Median(level)), float64(sorted[len(sorted)/2]), float64(sorted[len(sorted)/4])}
}

// mesh is nx times ny equal tiles.
type mesh struct {
	nx, ny       int
	tileW, tileH float64 // pixels
}

// Level is the median sky level, in pixel values.
func (m *Map) Level() float64 { return m.medians.level }

// Noise is the median noise of a pixel, in pixel values.
func (m *Map) Noise() float64 { return m.medians.noise }

// LowerQuartileNoise is the noise that the quietest quarter of the map stays below.
func (m *Map) LowerQuartileNoise() float64 { return m.medians.lowerQuartile }

// Dither is a fixed noise that makes differences of coarse pixel values continuous, for the difference of a pixel from another; 0 where
// values are fine.
func (m *Map) Dither(x, y, fromX, fromY int) float32 {
	if m.values.dither == 0 {
		return 0
	}
	return m.values.dither * (dither(x, y) - dither(fromX, fromY))
}

// LeastNoise bounds the noise of every pixel from below.
func (m *Map) LeastNoise() float32 { return m.leastNoise }

// Finer tells whether the sky changes within a tile somewhere, so that the mesh is finer than those.
func (m *Map) Finer() bool { return m.finer }

// Smooth tells whether the background is smooth at a pixel position: sky and stars, nothing else.
func (m *Map) Smooth(x, y float64) bool { return m.tiles.smooth(x, y) }

// Structured is the part of the image in which the background is not smooth.
func (m *Map) Structured() float64 { return m.tiles.part }

// At is level and noise at a pixel position, the offsets of rows and columns not counted.
func (m *Map) At(x, y float64) (level, noise float64) {
	i, fx := place(x, m.tileW, m.nx)
	j, fy := place(y, m.tileH, m.ny)
	return m.mix(m.level, i, j, fx, fy), max(m.mix(m.noise, i, j, fx, fy), float64(m.leastNoise))
}

// place finds the tile centres around pixel coordinate x: the lower one and
// the fraction of the way to the next. Beyond the outer centres the line
// through the last two continues, so that a gradient holds to the edge.
func place(x, size float64, n int) (int, float64) {
	if n == 1 {
		return 0, 0
	}
	t := (x+0.5)/size - 0.5
	i := max(0, min(n-2, int(math.Floor(t))))
	return i, t - float64(i)
}

// EachSpan visits the spans of columns of row y on which level and noise are linear: from x0 to x1-1 the
// level is that of x0 and slope more for each column, and the offsets of [Map.Columns] besides.
func (m *Map) EachSpan(y, width int, visit func(x0, x1 int, level, slope float32)) {
	m.eachLine(m.level, y, width, func(x0, x1 int, l0, l1 float64) {
		level := float32(l0)
		if m.rows != nil {
			level += m.rows[y]
		}
		visit(x0, x1, level, float32(l1-l0))
	})
}

// Columns are the offsets of the columns, nil where there are none.
func (m *Map) Columns() []float32 { return m.columns }

// NoiseRow writes the noise of row y for every column.
func (m *Map) NoiseRow(y int, dst []float32) {
	least := float64(m.leastNoise)
	m.eachLine(m.noise, y, len(dst), func(x0, x1 int, n0, n1 float64) {
		n0, n1 = max(n0, least), max(n1, least)
		slope := float32(n1 - n0)
		for i := range dst[x0:x1] {
			dst[x0+i] = float32(n0) + float32(i)*slope
		}
	})
}

// eachLine visits the spans of columns of row y between tile centres, with what the tiles have at the first column
// and on the same line one column farther.
func (m *mesh) eachLine(v []float32, y, width int, visit func(x0, x1 int, v0, v1 float64)) {
	j, fy := place(float64(y), m.tileH, m.ny)
	for x0 := 0; x0 < width; {
		i, fx := place(float64(x0), m.tileW, m.nx)
		x1 := width
		if i < m.nx-2 {
			x1 = min(x1, max(x0+1, int(math.Ceil((float64(i)+1.5)*m.tileW-0.5))))
		}
		next := fx
		if m.nx > 1 {
			next = (float64(x0+1)+0.5)/m.tileW - 0.5 - float64(i)
		}
		visit(x0, x1, m.mix(v, i, j, fx, fy), m.mix(v, i, j, next, fy))
		x0 = x1
	}
}

// mix is what the tiles have at the fractions fx and fy of the way from the centre of tile (i, j) to the next ones.
func (m *mesh) mix(v []float32, i, j int, fx, fy float64) float64 {
	i1, j1 := min(i+1, m.nx-1), min(j+1, m.ny-1)
	a := float64(v[j*m.nx+i])*(1-fx) + float64(v[j*m.nx+i1])*fx
	c := float64(v[j1*m.nx+i])*(1-fx) + float64(v[j1*m.nx+i1])*fx
	return a*(1-fy) + c*fy
}

// around visits the up to eight tiles next to tile i.
func (m *mesh) around(i int, visit func(j int)) {
	tx, ty := i%m.nx, i/m.nx
	for y := max(0, ty-1); y <= min(m.ny-1, ty+1); y++ {
		for x := max(0, tx-1); x <= min(m.nx-1, tx+1); x++ {
			if j := y*m.nx + x; j != i {
				visit(j)
			}
		}
	}
}
