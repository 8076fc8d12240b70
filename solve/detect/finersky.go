package detect

import (
	"math"
	"slices"
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
	// roughTile is the spread of a tile's values over their noise from which it
	// and its neighbours are looked at.
	roughTile = 1.15
)

// finer gives the map on a finer mesh, or nil where the frame needs none. fwhm is
// that of the frame's stars, image pixels.
func (b *skyMap) finer(img Image, fwhm float64, workers int) *skyMap {
	cells := min(finerCells, int(min(b.tileW, b.tileH)/(finerFWHM*fwhm)))
	if cells < 2 {
		return nil
	}
	look := make([]bool, len(b.rough))
	for i := range b.rough {
		if b.isRough(i) {
			look[i] = true
			b.around(i, func(j int) { look[j] = true })
		}
	}
	parts := make([][]part, len(b.rough))
	each := func(do func(i int) bool) []bool {
		done := make([]bool, len(b.rough))
		inParallel(workers, len(done), func(_, i int) { done[i] = do(i) })
		return done
	}
	sunk := each(func(i int) bool {
		if !look[i] {
			return false
		}
		parts[i] = b.parts(img, i, cells)
		n := 0
		for _, p := range parts[i] {
			if p.above < -sunkSigma*p.noise {
				n++
			}
		}
		return n >= sunkParts
	})
	if !slices.Contains(sunk, true) {
		return nil
	}
	// The lines to the neighbours' centres are wrong too.
	anew := slices.Clone(sunk)
	for i := range sunk {
		if sunk[i] {
			b.around(i, func(j int) { anew[j] = true })
		}
	}
	each(func(i int) bool {
		if anew[i] && parts[i] == nil {
			parts[i] = b.parts(img, i, cells)
		}
		return anew[i]
	})
	f := &skyMap{nx: b.nx * cells, ny: b.ny * cells, tileW: b.tileW / float64(cells), tileH: b.tileH / float64(cells), step: b.step, dither: b.dither, lowest: b.lowest, coarse: b}
	f.level, f.noise = make([]float32, f.nx*f.ny), make([]float32, f.nx*f.ny)
	own := make([]bool, f.nx*f.ny)
	for j := range f.ny {
		for i := range f.nx {
			x, y := (float64(i)+0.5)*f.tileW-0.5, (float64(j)+0.5)*f.tileH-0.5
			level, noise := b.at(x, y)
			if tile := j/cells*b.nx + i/cells; anew[tile] {
				if p := parts[tile][j%cells*cells+i%cells]; p.ok {
					level, noise = level+p.above, p.noise
					own[j*f.nx+i] = true
				}
			}
			f.level[j*f.nx+i], f.noise[j*f.nx+i] = float32(level), float32(noise)
		}
	}
	f.flattenStars(own)
	f.quietest = slices.Min(f.noise)
	return f.curved()
}

// curvedStep is the spacing, in pixels, of the mesh on which lines between its places follow
// the glow above a horizon, or the flank of a cloud.
const curvedStep = 4

// curved gives the map on a mesh so fine that straight lines serve: cubics through its
// places, which a line between them would miss by some noise where the sky bends. They stay between
// the places, so that beside a step nothing swings (Steffen 1990, A&A 239, 443).
func (b *skyMap) curved() *skyMap {
	k := int(min(b.tileW, b.tileH)) / curvedStep
	if k < 2 {
		return b
	}
	out := &skyMap{nx: b.nx * k, ny: b.ny * k, tileW: b.tileW / float64(k), tileH: b.tileH / float64(k), step: b.step, dither: b.dither, lowest: b.lowest, coarse: b.coarse, quietest: b.quietest}
	along := make([]float32, b.ny*out.nx) // rows of b, columns of out
	line := make([]float32, max(b.nx, b.ny))
	for j := range b.ny {
		refineLine(b.level[j*b.nx:(j+1)*b.nx], k, along[j*out.nx:], 1)
	}
	out.level, out.noise = make([]float32, out.nx*out.ny), make([]float32, out.nx*out.ny)
	for i := range out.nx {
		for j := range b.ny {
			line[j] = along[j*out.nx+i]
		}
		refineLine(line[:b.ny], k, out.level[i:], out.nx)
	}
	for j := range out.ny {
		for i := range out.nx {
			_, noise := b.at((float64(i)+0.5)*out.tileW-0.5, (float64(j)+0.5)*out.tileH-0.5)
			out.noise[j*out.nx+i] = float32(noise)
		}
	}
	return out
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

// parts measures the parts of tile i.
func (b *skyMap) parts(img Image, i, cells int) []part {
	out := make([]part, cells*cells)
	var values, pairs []float64
	for k := range out {
		x0 := int(b.tileW * (float64(i%b.nx) + float64(k%cells)/float64(cells)))
		x1 := int(b.tileW * (float64(i%b.nx) + float64(k%cells+1)/float64(cells)))
		y0 := int(b.tileH * (float64(i/b.nx) + float64(k/cells)/float64(cells)))
		y1 := int(b.tileH * (float64(i/b.nx) + float64(k/cells+1)/float64(cells)))
		stride := max(1, (x1-x0)*(y1-y0)/finerSamples)
		values, pairs = values[:0], pairs[:0]
		for y := y0; y < y1; y++ {
			l0, _ := b.at(float64(x0), float64(y))
			l1, _ := b.at(float64(x1-1), float64(y)) // no tile centre lies between
			for x := x0 + y%stride; x < x1; x += stride {
				v := float64(img.Pix[y*img.Width+x])
				if v-v != 0 {
					continue
				}
				values = append(values, v-l0-(l1-l0)*float64(x-x0)/float64(max(1, x1-1-x0))+float64(b.dither*dither(x, y)))
				if x+noiseLag < img.Width {
					if d := float64(img.Pix[y*img.Width+x+noiseLag]) - v; d-d == 0 {
						pairs = append(pairs, d)
					}
				}
			}
		}
		_, noise := b.at(float64(x0+x1)/2, float64(y0+y1)/2)
		out[k] = part{noise: noise}
		if len(values) < finerSamples/2 {
			continue
		}
		slices.Sort(values)
		slices.Sort(pairs)
		out[k].above, out[k].ok = values[len(values)/2], true
		if len(pairs) >= finerSamples/2 {
			// The median size of differences, from their own median, which a gradient moves, is 0.6745
			// sqrt(2) of the noise.
			const perNoise = 0.9539
			middle := pairs[len(pairs)/2]
			for i, d := range pairs {
				pairs[i] = math.Abs(d - middle)
			}
			slices.Sort(pairs)
			out[k].noise = max(pairs[len(pairs)/2]/perNoise, float64(quantisationNoise*b.step))
		}
		if out[k].noise == 0 {
			out[k].noise = noise
		}
	}
	return out
}

// flattenStars takes parts that stand above all around them for the wings of bright
// stars, and lowers them to the highest of these.
func (b *skyMap) flattenStars(own []bool) {
	level := slices.Clone(b.level)
	for i := range level {
		if !own[i] {
			continue
		}
		top := float32(math.Inf(-1))
		b.around(i, func(j int) { top = max(top, level[j]) })
		b.level[i] = min(b.level[i], top)
	}
}
