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
	// finerSamples of a part give its median to 1.25/sqrt(100) = 0.125 of the noise.
	finerSamples = 100
	// sunkSigma is how far, in noise of a pixel, a part must lie below the map to
	// show that the map is wrong: four times the error of its median. Stars raise parts
	// and never sink them.
	sunkSigma = 0.5
	// sunkParts of a tile make it one; by chance it is one tile in a million.
	sunkParts = 2
)

// Finer gives the map on a finer mesh, or nil where the image needs none. m is as [Measure] made it, fwhm is
// that of the image's stars, in pixels. The error is ctx's.
func Finer(ctx context.Context, workers int, img raster.Image, m *Map, fwhm float64) (*Map, error) {
	cells := min(finerCells, int(min(m.tileW, m.tileH)/(finerFWHM*fwhm)))
	if cells < 2 {
		return nil, nil
	}
	look := m.withNeighbours(m.tiles.structured)
	parts := make([][]part, len(look))
	buffers := make([]partSamples, workers)
	measure := func(which []bool) error {
		return parallel.Each(ctx, workers, len(which), func(w, i int) {
			if which[i] && parts[i] == nil {
				parts[i] = buffers[w].measure(img, m, i, cells)
			}
		})
	}
	if err := measure(look); err != nil {
		return nil, err
	}
	sunk := make([]bool, len(look))
	for i := range sunk {
		n := 0
		for _, p := range parts[i] {
			if p.above < -sunkSigma*p.noise {
				n++
			}
		}
		sunk[i] = n >= sunkParts
	}
	if !slices.Contains(sunk, true) {
		return nil, nil
	}
	// The lines to the neighbours' centres are wrong too.
	anew := m.withNeighbours(sunk)
	if err := measure(anew); err != nil {
		return nil, err
	}
	f, own := cut(m, cells, func(tile, k int) (p part, ok bool) {
		if anew[tile] {
			p = parts[tile][k]
		}
		return p, p.ok
	})
	flattenStars(f, own)
	f.leastNoise, f.medians = slices.Min(f.noise), newMedians(f.level, f.noise)
	return curved(ctx, workers, f)
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

// cut gives a map whose tiles are cells times cells to each of m, with level and noise of the parts that are known,
// and m's own elsewhere; and which parts were known.
func cut(m *Map, cells int, known func(tile, k int) (part, bool)) (*Map, []bool) {
	f := &Map{mesh: m.mesh.times(cells), values: m.values, tiles: m.tiles, finer: true}
	f.level, f.noise = make([]float32, f.nx*f.ny), make([]float32, f.nx*f.ny)
	own := make([]bool, f.nx*f.ny)
	for j := range f.ny {
		for i := range f.nx {
			level, noise := m.At((float64(i)+0.5)*f.tileW-0.5, (float64(j)+0.5)*f.tileH-0.5)
			if p, ok := known(j/cells*m.nx+i/cells, j%cells*cells+i%cells); ok {
				level, noise = level+p.above, p.noise
				own[j*f.nx+i] = true
			}
			f.level[j*f.nx+i], f.noise[j*f.nx+i] = float32(level), float32(noise)
		}
	}
	return f, own
}

// times is the mesh with k times k tiles to each.
func (m *mesh) times(k int) mesh {
	return mesh{m.nx * k, m.ny * k, m.tileW / float64(k), m.tileH / float64(k)}
}

// curvedStep is the spacing, in pixels, of the mesh on which lines between its places follow
// the glow above a horizon, or the flank of a cloud.
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
	out.mesh = m.mesh.times(k)
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

// part is a part of a tile.
type part struct {
	above, noise float64 // median above the map, noise of a pixel
	ok           bool    // it has enough valid pixels
}

// partSamples is work space.
type partSamples struct {
	values, pairs []float64
	row           []float32
}

// measure measures the parts of tile i.
func (s *partSamples) measure(img raster.Image, m *Map, i, cells int) []part {
	out := make([]part, cells*cells)
	for k := range out {
		x0 := int(m.tileW * (float64(i%m.nx) + float64(k%cells)/float64(cells)))
		x1 := int(m.tileW * (float64(i%m.nx) + float64(k%cells+1)/float64(cells)))
		y0 := int(m.tileH * (float64(i/m.nx) + float64(k/cells)/float64(cells)))
		y1 := int(m.tileH * (float64(i/m.nx) + float64(k/cells+1)/float64(cells)))
		s.take(img, m, x0, y0, x1, y1)
		_, noise := m.At(float64(x0+x1)/2, float64(y0+y1)/2)
		out[k] = part{noise: noise}
		if len(s.values) < finerSamples/2 {
			continue
		}
		slices.Sort(s.values)
		slices.Sort(s.pairs)
		out[k].above, out[k].ok = s.values[len(s.values)/2], true
		if len(s.pairs) >= finerSamples/2 {
			// The median size of differences, from their own median, which a gradient moves, is 0.6745
			// sqrt(2) of the noise.
			const perNoise = 0.9539
			middle := s.pairs[len(s.pairs)/2]
			for i, d := range s.pairs {
				s.pairs[i] = math.Abs(d - middle)
			}
			slices.Sort(s.pairs)
			out[k].noise = max(s.pairs[len(s.pairs)/2]/perNoise, float64(quantisationNoise*m.values.step))
		}
		if out[k].noise == 0 {
			out[k].noise = noise
		}
	}
	return out
}

// take reads values above the map, and differences of pairs, of the columns x0 to x1-1 of rows y0 to y1-1.
func (s *partSamples) take(img raster.Image, m *Map, x0, y0, x1, y1 int) {
	stride := max(1, (x1-x0)*(y1-y0)/finerSamples)
	s.values, s.pairs = s.values[:0], s.pairs[:0]
	for y := y0; y < y1; y++ {
		l0, _ := m.At(float64(x0), float64(y))
		l1, _ := m.At(float64(x1-1), float64(y)) // no tile centre lies between
		row := img.Row(y, x0, min(img.Width, x1+NoiseLag), &s.row)
		for x := x0 + y%stride; x < x1; x += stride {
			v := float64(row[x-x0])
			if v-v != 0 {
				continue
			}
			s.values = append(s.values, v-l0-(l1-l0)*float64(x-x0)/float64(max(1, x1-1-x0))+float64(m.values.dither*dither(x, y)))
			if x+NoiseLag < img.Width {
				if d := float64(row[x-x0+NoiseLag]) - v; d-d == 0 {
					s.pairs = append(s.pairs, d)
				}
			}
		}
	}
}

// flattenStars takes parts that stand above all around them for the wings of bright
// stars, and lowers them to the highest of these.
func flattenStars(m *Map, own []bool) {
	level := slices.Clone(m.level)
	for i := range level {
		if !own[i] {
			continue
		}
		top := float32(math.Inf(-1))
		m.around(i, func(j int) { top = max(top, level[j]) })
		m.level[i] = min(m.level[i], top)
	}
}
