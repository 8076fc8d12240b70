package solve

import (
	"math"
	"slices"
	"sync"
)

// Sizes of the background mesh.
const (
	// tilePixels is the side of a tile: large beside any star that a frame
	// for polar alignment shows, small beside gradients of moon, twilight and
	// vignetting, whose curvature over 64 pixels stays below the noise.
	tilePixels = 64
	// minTilePixels keeps a few hundred samples in the tiles of tiny images.
	minTilePixels = 16
	// minTiles is how many tiles a side should have where the image allows.
	minTiles = 4
	// maxTileSamples bounds the pixels that speak for a tile: 1024 give its
	// median to 1.25/sqrt(1024) = 0.04 of the pixel noise.
	maxTileSamples = 1024
	// minTileSamples is the fewest valid pixels with which a tile counts;
	// others are filled in from their neighbours.
	minTileSamples = 64
)

// clipSigma is the clipping limit of the tile statistics, in noise units; at
// 3 the standard deviation of what is left of Gaussian noise is 0.987 of the
// whole, and clippedNoise undoes that.
const (
	clipSigma    = 3.0
	clippedNoise = 1 / 0.98658
	clipRounds   = 8
	// madToSigma turns the median absolute deviation of Gaussian noise into
	// its standard deviation: 1/Phi^-1(3/4).
	madToSigma = 1.482602
)

// quantisationNoise is the standard deviation of rounding to whole steps,
// 1/sqrt(12) of a step: no noise estimate goes below it.
const quantisationNoise = 0.2886751

// background is a coarse map of sky level and pixel noise, bilinear between
// the centres of nx times ny equal tiles.
type background struct {
	nx, ny       int
	tileW, tileH float64
	level, noise []float32 // nx*ny, row-major
	step         float32   // smallest step between pixel values, 0 when continuous
	quietest     float32   // lowest noise of a tile: extrapolation does not go below
}

// measureBackground takes level and noise of every tile from its clipped
// samples. ok is false when no tile has enough valid pixels.
func measureBackground(img Image, workers int) (*background, bool) {
	n := func(size int) int {
		return max(1, min(size/minTilePixels, max(minTiles, (size+tilePixels/2)/tilePixels)))
	}
	b := &background{nx: n(img.Width), ny: n(img.Height)}
	b.tileW = float64(img.Width) / float64(b.nx)
	b.tileH = float64(img.Height) / float64(b.ny)
	b.level = make([]float32, b.nx*b.ny)
	b.noise = make([]float32, b.nx*b.ny)
	b.step = valueStep(img)
	valid := make([]bool, b.nx*b.ny)
	inParallel(workers, b.ny, func(_, ty int) {
		buf := make([]float32, 0, maxTileSamples)
		for tx := range b.nx {
			buf = b.samples(img, tx, ty, buf[:0])
			if len(buf) < minTileSamples {
				continue
			}
			i := ty*b.nx + tx
			b.level[i], b.noise[i] = clippedStats(buf)
			b.noise[i] = max(b.noise[i], quantisationNoise*b.step)
			valid[i] = true
		}
	})
	if !slices.Contains(valid, true) {
		return nil, false
	}
	b.fill(valid)
	b.mendTiles()
	b.quietest = slices.Min(b.noise)
	return b, true
}

// samples appends the valid pixels of an even grid of one tile, each shifted by
// up to half a quantisation step so that medians of coarse values move smoothly.
func (b *background) samples(img Image, tx, ty int, buf []float32) []float32 {
	x0, x1 := int(float64(tx)*b.tileW), int(float64(tx+1)*b.tileW)
	y0, y1 := int(float64(ty)*b.tileH), int(float64(ty+1)*b.tileH)
	stride := 1
	for (x1-x0+stride-1)/stride*((y1-y0+stride-1)/stride) > maxTileSamples {
		stride++
	}
	for y := y0; y < y1; y += stride {
		row := img.Pix[y*img.Width : y*img.Width+x1]
		// Alternate the phase, so that the grid of a colour mosaic or of
		// interlaced read-out is not met on one phase only.
		for x := x0 + (y/stride)%stride; x < x1; x += stride {
			v := row[x]
			if v-v != 0 { // NaN or infinite
				continue
			}
			buf = append(buf, v+b.step*dither(x, y))
		}
	}
	return buf
}

// dither is a fixed noise between -1/2 and 1/2 from the pixel's place.
func dither(x, y int) float32 {
	h := uint32(x)*0x9E3779B1 ^ uint32(y)*0x85EBCA77
	h ^= h >> 15
	h *= 0x2C1B3C6D
	h ^= h >> 12
	return float32(h>>8)*(1.0/(1<<24)) - 0.5
}

// clippedStats gives the level and noise of samples that hold mostly sky: the
// median and deviation, clipped until they stand still. It reorders v.
func clippedStats(v []float32) (level, noise float32) {
	slices.Sort(v)
	level = v[len(v)/2]
	lo, hi := 0, len(v)
	// The lower half of the distribution is free of stars: start from it.
	noise = (level - v[int(0.1587*float64(len(v)))])
	for range clipRounds {
		if noise == 0 {
			break
		}
		l, _ := slices.BinarySearch(v, level-clipSigma*noise)
		h, _ := slices.BinarySearch(v, level+clipSigma*noise)
		if h-l < 2 || (l == lo && h == hi) {
			break
		}
		lo, hi = l, h
		kept := v[lo:hi]
		level = kept[len(kept)/2]
		var sum, sum2 float64
		for _, x := range kept {
			d := float64(x - level)
			sum += d
			sum2 += d * d
		}
		mean := sum / float64(len(kept))
		noise = float32(clippedNoise * math.Sqrt(max(0, sum2/float64(len(kept))-mean*mean)))
	}
	return level, noise
}

// valueStep is the smallest difference between neighbouring pixel values in a
// sample of the image: 1 for unscaled integers, nearly 0 for real numbers.
func valueStep(img Image) float32 {
	const want = 4096
	stride := max(1, len(img.Pix)/want) | 1
	v := make([]float32, 0, want+1)
	for i := 0; i < len(img.Pix); i += stride {
		if x := img.Pix[i]; x-x == 0 {
			v = append(v, x)
		}
	}
	slices.Sort(v)
	step := float32(0)
	for i := 1; i < len(v); i++ {
		if d := v[i] - v[i-1]; d > 0 && (step == 0 || d < step) {
			step = d
		}
	}
	return step
}

// fill gives tiles without data the mean of their neighbours, spreading
// outwards from the valid ones.
func (b *background) fill(valid []bool) {
	for slices.Contains(valid, false) {
		next := slices.Clone(valid)
		for i := range valid {
			if valid[i] {
				continue
			}
			var l, n float32
			k := 0
			b.neighbours(i, func(j int) {
				if valid[j] {
					l += b.level[j]
					n += b.noise[j]
					k++
				}
			})
			if k > 0 {
				b.level[i], b.noise[i] = l/float32(k), n/float32(k)
				next[i] = true
			}
		}
		copy(valid, next)
	}
}

// neighbours visits the up to eight tiles around tile i.
func (b *background) neighbours(i int, visit func(j int)) {
	tx, ty := i%b.nx, i/b.nx
	for y := max(0, ty-1); y <= min(b.ny-1, ty+1); y++ {
		for x := max(0, tx-1); x <= min(b.nx-1, tx+1); x++ {
			if j := y*b.nx + x; j != i {
				visit(j)
			}
		}
	}
}

// mendExcess is how much noisier than its neighbours a tile must be to count
// as spoiled by a bright star, galaxy or lamp; the noise of 1024 samples is
// known to 2 percent, so honest tiles stay far below.
const mendExcess = 1.5

// mendTiles gives spoiled tiles the medians of their neighbours.
func (b *background) mendTiles() {
	level, noise := slices.Clone(b.level), slices.Clone(b.noise)
	var ls, ns []float32
	for i := range level {
		ls, ns = ls[:0], ns[:0]
		b.neighbours(i, func(j int) {
			ls = append(ls, level[j])
			ns = append(ns, noise[j])
		})
		if len(ns) < 3 {
			continue
		}
		slices.Sort(ls)
		slices.Sort(ns)
		if noise[i] > mendExcess*ns[len(ns)/2] {
			b.level[i], b.noise[i] = ls[len(ls)/2], ns[len(ns)/2]
		}
	}
}

// at is level and noise at a pixel position.
func (b *background) at(x, y float64) (level, noise float64) {
	i, fx := place(x, b.tileW, b.nx)
	j, fy := place(y, b.tileH, b.ny)
	i1, j1 := min(i+1, b.nx-1), min(j+1, b.ny-1)
	mix := func(m []float32) float64 {
		a := float64(m[j*b.nx+i])*(1-fx) + float64(m[j*b.nx+i1])*fx
		c := float64(m[j1*b.nx+i])*(1-fx) + float64(m[j1*b.nx+i1])*fx
		return a*(1-fy) + c*fy
	}
	return mix(b.level), max(mix(b.noise), float64(b.quietest))
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

// row writes level and noise of row y for every column.
func (b *background) row(y int, level, noise []float32) {
	for x0 := 0; x0 < len(level); {
		i, f0 := place(float64(x0), b.tileW, b.nx)
		// All columns up to the next tile centre share one line.
		x1 := len(level)
		if i < b.nx-2 {
			x1 = min(x1, int(math.Ceil((float64(i)+1.5)*b.tileW-0.5)))
			x1 = max(x1, x0+1)
		}
		l0, n0 := b.at(float64(x0), float64(y))
		dl, dn := 0.0, 0.0
		if b.nx > 1 {
			l1, n1 := b.at(float64(x0)+(1-f0)*b.tileW, float64(y))
			dl, dn = (l1-l0)/((1-f0)*b.tileW), (n1-n0)/((1-f0)*b.tileW)
		}
		for x := x0; x < x1; x++ {
			d := float64(x - x0)
			level[x] = float32(l0 + d*dl)
			noise[x] = max(float32(n0+d*dn), b.quietest)
		}
		x0 = x1
	}
}

// inParallel calls do(worker, i) for i in 0..n-1, spread over the workers.
func inParallel(workers, n int, do func(worker, i int)) {
	if workers <= 1 || n <= 1 {
		for i := range n {
			do(0, i)
		}
		return
	}
	var wg sync.WaitGroup
	for w := range min(workers, n) {
		wg.Go(func() {
			for i := w; i < n; i += workers {
				do(w, i)
			}
		})
	}
	wg.Wait()
}
