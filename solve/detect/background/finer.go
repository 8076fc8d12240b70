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
	f := cut(m, cells, func(tile, k int) (p part, ok bool) {
		if anew[tile] {
			p = parts[tile][k]
		}
		return p, p.ok
	})
	f.leastNoise, f.medians = slices.Min(f.noise), newMedians(f.level, f.noise)
	return f, nil
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
// and m's own elsewhere.
func cut(m *Map, cells int, known func(tile, k int) (part, bool)) *Map {
	fine := mesh{m.nx * cells, m.ny * cells, m.tileW / float64(cells), m.tileH / float64(cells)}
	f := &Map{mesh: fine, values: m.values, tiles: m.tiles, finer: true}
	f.level, f.noise = make([]float32, f.nx*f.ny), make([]float32, f.nx*f.ny)
	for j := range f.ny {
		for i := range f.nx {
			level, noise := m.At((float64(i)+0.5)*f.tileW-0.5, (float64(j)+0.5)*f.tileH-0.5)
			if p, ok := known(j/cells*m.nx+i/cells, j%cells*cells+i%cells); ok {
				level, noise = level+p.above, p.noise
			}
			f.level[j*f.nx+i], f.noise[j*f.nx+i] = float32(level), float32(noise)
		}
	}
	return f
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
