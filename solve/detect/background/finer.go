package background

import (
	"context"
	"math"
	"slices"

	"polard/solve/detect/raster"
	"polard/solve/parallel"
)

// A finer mesh where the sky changes within a tile: the edge of a cloud, a
// horizon and the glow above it. There the line between tile centres lies above the
// true sky, and whole stretches of it would drown in what is taken for noise.

const (
	// finerCells is into how many parts, each way, a tile is cut at most.
	finerCells = 4
	// finerFWHM is the least width of a part in FWHM of the frame's stars: the
	// median of a part must not see its stars.
	finerFWHM = 4
	// sunkSigma is how far, in noise of a pixel, a part must lie below the map to
	// show that the map is wrong: six times the error of the median of 16 by 16 pixels, 1.25/sqrt(256), three times that
	// of MinSamples. Stars raise parts and never sink them.
	sunkSigma = 0.5
	// sunkParts of a tile make it one; by chance even parts of MinSamples do in one tile of ten thousand.
	sunkParts = 2
)

// Finer gives the map on a finer mesh, or nil where the image needs none. m is as [Measure] made it, fwhm is
// that of the image's stars, in pixels. The error is ctx's.
func Finer(ctx context.Context, workers int, img raster.Image, m *Map, fwhm float64) (*Map, error) {
	cells := min(finerCells, int(min(m.tileW, m.tileH)/(finerFWHM*fwhm)))
	if cells < 2 {
		return nil, nil
	}
	p := newParts(m, cells)
	if err := p.measure(ctx, workers, img, m.withNeighbours(m.tiles.structured)); err != nil {
		return nil, err
	}
	sunk := p.sunk(m)
	if !slices.Contains(sunk, true) {
		return nil, nil
	}
	// The lines to the neighbours' centres are wrong too.
	anew := m.withNeighbours(sunk)
	if err := p.measure(ctx, workers, img, anew); err != nil {
		return nil, err
	}
	return curved(ctx, workers, p.in(m, anew))
}

// withNeighbours marks the tiles that are marked, and those around them.
func (m *mesh) withNeighbours(marked []bool) []bool {
	out := slices.Clone(marked)
	for i := range marked {
		if marked[i] {
			m.around(i, func(j int) { out[j] = true })
		}
	}
	return out
}

// parts are the tiles of a finer mesh, cells times cells to a tile of a map, of which some are measured.
type parts struct {
	mesh
	cells  int
	values values
	tiles  []tile
	known  []bool // tiles of the map whose parts are measured
}

func newParts(m *Map, cells int) *parts {
	p := &parts{mesh: mesh{m.nx * cells, m.ny * cells, m.tileW / float64(cells), m.tileH / float64(cells)}, cells: cells, values: m.values}
	p.tiles, p.known = make([]tile, p.nx*p.ny), make([]bool, m.nx*m.ny)
	return p
}

// tileOf is the map's tile that holds a part.
func (p *parts) tileOf(part int) int {
	return part/p.nx/p.cells*(p.nx/p.cells) + part%p.nx/p.cells
}

// centre is the middle of a part.
func (p *parts) centre(part int) (x, y float64) {
	return (float64(part%p.nx)+0.5)*p.tileW - 0.5, (float64(part/p.nx)+0.5)*p.tileH - 0.5
}

// measure measures the parts of some of the map's tiles, where that was not done before.
func (p *parts) measure(ctx context.Context, workers int, img raster.Image, which []bool) error {
	samples := make([]tileSamples, workers)
	err := parallel.Each(ctx, workers, p.ny, func(w, y int) {
		for x := range p.nx {
			if i := y*p.nx + x; which[p.tileOf(i)] && !p.known[p.tileOf(i)] {
				samples[w].take(img, &p.mesh, p.values, x, y)
				p.tiles[i] = samples[w].measure(p.values)
			}
		}
	})
	for i := range which {
		p.known[i] = p.known[i] || which[i]
	}
	return err
}

// sunk tells which of the map's tiles have parts that lie below it.
func (p *parts) sunk(m *Map) []bool {
	count := make([]int, len(p.known))
	for i, t := range p.tiles {
		if !t.usable() {
			continue
		}
		if level, _ := m.At(p.centre(i)); float64(t.level) < level-sunkSigma*float64(t.noise) {
			count[p.tileOf(i)]++
		}
	}
	sunk := make([]bool, len(count))
	for i, n := range count {
		sunk[i] = n >= sunkParts
	}
	return sunk
}

// usable tells whether level and noise of a part are known.
func (t tile) usable() bool { return t.valid && !t.silent }

// in gives the map with the parts of some of its tiles in their place.
func (p *parts) in(m *Map, which []bool) *Map {
	f := &Map{mesh: p.mesh, values: m.values, tiles: m.tiles, finer: true}
	f.level, f.noise = make([]float32, len(p.tiles)), make([]float32, len(p.tiles))
	for i, t := range p.tiles {
		if t.usable() && which[p.tileOf(i)] {
			f.level[i], f.noise[i] = t.level, t.noise
		} else {
			level, noise := m.At(p.centre(i))
			f.level[i], f.noise[i] = float32(level), float32(noise)
		}
	}
	f.leastNoise, f.medians = slices.Min(f.noise), newMedians(f.level, f.noise)
	return f
}

// curvedStep is the spacing, in pixels, of the mesh on which lines between its places follow
// the glow above a horizon, or the flank of a cloud. Without them a frame of TestFramesOnceLost is lost.
const curvedStep = 4

// curved gives the map on a mesh so fine that straight lines serve: cubics through its
// places, which a line between them would miss by some noise where the sky bends. They stay between
// the places, so that beside a step nothing swings (Steffen 1990, A&A 239, 443). The error is ctx's.
func curved(ctx context.Context, workers int, m *Map) (*Map, error) {
	k := int(min(m.tileW, m.tileH)) / curvedStep
	if k < 2 {
		return m, nil
	}
	out := *m
	out.mesh = mesh{m.nx * k, m.ny * k, m.tileW / float64(k), m.tileH / float64(k)}
	along := make([]float32, m.ny*out.nx) // rows of m, columns of out
	for j := range m.ny {
		refineLine(m.level[j*m.nx:(j+1)*m.nx], k, along[j*out.nx:], 1)
	}
	out.level, out.noise = make([]float32, out.nx*out.ny), make([]float32, out.nx*out.ny)
	lines := make([][]float32, workers)
	err := parallel.Each(ctx, workers, out.nx, func(w, i int) {
		lines[w] = slices.Grow(lines[w][:0], m.ny)[:m.ny]
		for j := range m.ny {
			lines[w][j] = along[j*out.nx+i]
		}
		refineLine(lines[w], k, out.level[i:], out.nx)
	})
	if err != nil {
		return nil, err
	}
	err = parallel.Each(ctx, workers, out.ny, func(_, j int) {
		for i := range out.nx {
			_, noise := m.At((float64(i)+0.5)*out.tileW-0.5, (float64(j)+0.5)*out.tileH-0.5)
			out.noise[j*out.nx+i] = float32(noise)
		}
	})
	return &out, err
}

// refineLine cuts each of the cells whose middles have the values v into k, and writes the values there
// into every stride-th place of dst. Beyond the outer middles the line through the last two goes on.
func refineLine(v []float32, k int, dst []float32, stride int) {
	n := len(v)
	at := func(i int) float64 { return float64(v[i]) }
	if n == 1 {
		for i := range k {
			dst[i*stride] = v[0]
		}
		return
	}
	slope := func(i int) float64 {
		if i == 0 {
			return at(1) - at(0)
		}
		if i == n-1 {
			return at(n-1) - at(n-2)
		}
		a, b := at(i)-at(i-1), at(i+1)-at(i)
		if a*b <= 0 {
			return 0
		}
		return math.Copysign(2*min(math.Abs(a), math.Abs(b), math.Abs(a+b)/4), a)
	}
	for o := range n * k {
		t := (float64(o)+0.5)/float64(k) - 0.5
		i := max(0, min(n-2, int(math.Floor(t))))
		f := t - float64(i)
		d := at(i+1) - at(i)
		if f < 0 || f > 1 {
			dst[o*stride] = float32(at(i) + f*d)
			continue
		}
		s0, s1 := slope(i), slope(i+1)
		dst[o*stride] = float32(at(i) + f*(s0+f*(3*d-2*s0-s1+f*(s0+s1-2*d))))
	}
}
