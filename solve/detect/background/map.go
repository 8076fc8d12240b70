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
	i1, j1 := min(i+1, m.nx-1), min(j+1, m.ny-1)
	mix := func(v []float32) float64 {
		a := float64(v[j*m.nx+i])*(1-fx) + float64(v[j*m.nx+i1])*fx
		c := float64(v[j1*m.nx+i])*(1-fx) + float64(v[j1*m.nx+i1])*fx
		return a*(1-fy) + c*fy
	}
	return mix(m.level), max(mix(m.noise), float64(m.leastNoise))
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

// LevelRow writes the level of row y for every column, offsets included.
func (m *Map) LevelRow(y int, dst []float32) {
	m.eachStretch(len(dst), func(x0, x1 int) {
		l0, _ := m.At(float64(x0), float64(y))
		l1, _ := m.At(float64(x0+1), float64(y)) // on the same line, unless x0 is its only column
		ramp(dst[x0:x1], float32(l0), float32(l1-l0))
	})
	if m.rows != nil {
		for x := range dst {
			dst[x] += m.rows[y]
		}
	}
	for x, v := range m.columns {
		dst[x] += v
	}
}

// NoiseRow writes the noise of row y for every column.
func (m *Map) NoiseRow(y int, dst []float32) {
	m.eachStretch(len(dst), func(x0, x1 int) {
		_, n0 := m.At(float64(x0), float64(y))
		_, n1 := m.At(float64(x0+1), float64(y))
		ramp(dst[x0:x1], float32(n0), float32(n1-n0))
	})
}

// eachStretch visits the stretches of columns between tile centres.
func (m *mesh) eachStretch(width int, visit func(x0, x1 int)) {
	for x0 := 0; x0 < width; {
		i, _ := place(float64(x0), m.tileW, m.nx)
		x1 := width
		if i < m.nx-2 {
			x1 = min(x1, max(x0+1, int(math.Ceil((float64(i)+1.5)*m.tileW-0.5))))
		}
		visit(x0, x1)
		x0 = x1
	}
}

// ramp writes a + i*slope.
func ramp(dst []float32, a, slope float32) {
	for i := range dst {
		dst[i] = a + float32(i)*slope
	}
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
