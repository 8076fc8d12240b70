package detect

import (
	"math"
	"slices"
	"sync/atomic"
)

// Sizes of the background mesh.
const (
	// tilePixels is the side of a tile: large beside any star that a frame
	// for polar alignment shows, small beside gradients of moon, twilight and
	// vignetting.
	tilePixels = 64
	// minTilePixels keeps a few hundred samples in the tiles of tiny images.
	minTilePixels = 16
	// minTiles is how many tiles a side should have where the image allows.
	minTiles = 4
	// maxTileSamples bounds the pixels that speak for a tile: 1365 (every third)
	// give its median to 1.25/sqrt(1365) = 0.034 and its noise to 0.02 of the
	// pixel noise.
	maxTileSamples = 1400
	// minTileSamples is the fewest valid pixels with which a tile counts;
	// others are filled in from their neighbours.
	minTileSamples = 64
	// noiseLag is the distance in columns of the pixel pairs whose difference
	// gives the noise. Differences do not see gradients; noise that interpolation
	// of a colour mosaic has made alike reaches two pixels, stars a few.
	noiseLag = 5
)

const (
	// clipSigma is the clipping limit of the tile statistics, in noise units.
	clipSigma = 3.0
	// clippedNoise undoes what clipping at 3 sigma takes off the standard
	// deviation of Gaussian noise: sqrt(1 - 6 phi(3)/(2 Phi(3) - 1)) = 0.9866.
	clippedNoise = 1 / 0.98658
	clipRounds   = 10
	// quantisationNoise is the standard deviation of rounding to whole steps,
	// 1/sqrt(12) of a step: no noise estimate goes below it.
	quantisationNoise = 0.2886751
)

// skyMap is a coarse map of sky level and pixel noise, bilinear between the
// centres of nx times ny equal tiles.
type skyMap struct {
	nx, ny       int
	tileW, tileH float64
	level, noise []float32   // nx*ny, row-major
	rough        []float32   // spread of the values over their noise, of each tile
	outside      []float32   // part of the values that are far from its level, of each tile
	coarse       *skyMap     // the map of tiles that a finer one was made from, or nil
	step         float32     // smallest step between pixel values, about 0 when continuous
	dither       float32     // step, or 0 where the noise is many steps and needs no dither
	lowest       float32     // lowest value of the image
	silent       atomic.Bool // a tile shows no noise at all
	quietest     float32     // lowest noise of a tile: extrapolation does not go below
}

// measureSky takes level and noise of every tile from its clipped samples. ok
// is false when no tile has enough valid pixels.
func measureSky(img Image, workers int) (sky *skyMap, ok bool) {
	n := func(size int) int {
		return max(1, min(size/minTilePixels, max(minTiles, (size+tilePixels/2)/tilePixels)))
	}
	b := &skyMap{nx: n(img.Width), ny: n(img.Height)}
	b.tileW = float64(img.Width) / float64(b.nx)
	b.tileH = float64(img.Height) / float64(b.ny)
	b.level = make([]float32, b.nx*b.ny)
	b.noise = make([]float32, b.nx*b.ny)
	b.rough = make([]float32, b.nx*b.ny)
	b.outside = make([]float32, b.nx*b.ny)
	b.step = valueStep(img)
	b.dither, b.lowest = b.step, lowestValue(img)
	if coarseNoise(img) > fineSteps*b.step {
		b.dither = 0
	}
	valid := make([]bool, b.nx*b.ny)
	buffers := make([]tileSamples, workers)
	inParallel(workers, b.ny, func(w, ty int) {
		s := &buffers[w]
		for tx := range b.nx {
			s.take(img, b, tx, ty)
			if len(s.value) < minTileSamples {
				continue
			}
			i := ty*b.nx + tx
			level, spread := s.hist.clipped(s.value)
			_, pairSpread := s.hist.clipped(s.difference)
			noise := spread
			if len(s.difference) >= minTileSamples {
				noise = min(spread, pairSpread/math.Sqrt2)
			}
			cutOff := float64(s.floor) > clippedShare*float64(len(s.value))
			if cutOff {
				level, noise = s.censored(b.lowest, level, noise)
			}
			if noise == 0 {
				b.silent.Store(true)
			}
			if noise > 0 {
				b.rough[i] = float32(spread / noise)
			}
			b.level[i] = float32(level)
			b.noise[i] = max(float32(noise), quantisationNoise*b.step, leastRelativeNoise*float32(math.Abs(level)))
			if !cutOff { // what is left of a noise that is cut off lies far from its mean
				b.outside[i] = s.outside(b.level[i], farSigma*b.noise[i])
			}
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

// leastRelativeNoise is the rounding of a float32, below which differences of
// pixel values mean nothing.
const leastRelativeNoise = 1.0 / (1 << 22)

// tileSamples is what speaks for one tile: the values of a grid of pixels, and
// their differences from the pixels noiseLag columns on.
type tileSamples struct {
	value, difference []float32
	floor             int // values at the lowest of the image
	hist              histogram
}

// take reads the samples of tile (tx, ty). Each value is shifted by up to half
// a quantisation step, always the same for the same pixel, so that medians of
// coarse values move smoothly.
func (s *tileSamples) take(img Image, b *skyMap, tx, ty int) {
	s.value, s.difference = s.value[:0], s.difference[:0]
	x0, x1 := int(float64(tx)*b.tileW), int(float64(tx+1)*b.tileW)
	y0, y1 := int(float64(ty)*b.tileH), int(float64(ty+1)*b.tileH)
	stride := 1
	for ((x1-x0)/stride+1)*(y1-y0) > maxTileSamples+(y1-y0) {
		stride++
	}
	value, difference, floor := s.value, s.difference, 0
	for y := y0; y < y1; y++ {
		row := img.Pix[y*img.Width : (y+1)*img.Width]
		// Another column in every row, so that no phase of a colour mosaic or
		// of a column pattern speaks alone.
		for x := x0 + y%stride; x < x1; x += stride {
			v := row[x]
			if v-v != 0 { // NaN or infinite
				continue
			}
			if v == b.lowest {
				floor++
			}
			if b.dither > 0 {
				v += b.dither * dither(x, y)
			}
			value = append(value, v)
			if x+noiseLag < len(row) {
				d := row[x+noiseLag] - v
				if b.dither > 0 {
					d += b.dither * dither(x+noiseLag, y)
				}
				if d-d == 0 {
					difference = append(difference, d)
				}
			}
		}
	}
	s.value, s.difference, s.floor = value, difference, floor
}

// farSigma, in noise of a pixel, is far from the sky's level.
const farSigma = 5

// outside is the part of the values that are farther than limit from the level.
func (s *tileSamples) outside(level, limit float32) float32 {
	n := 0
	for _, v := range s.value {
		if d := v - level; d > limit || d < -limit {
			n++
		}
	}
	return float32(n) / float32(len(s.value))
}

// A sky that the camera's black level cuts off.
const (
	// clippedShare of a tile's values at the lowest of the whole image means
	// that its noise is cut off there.
	clippedShare = 0.1
	// skewedNoise: the noise that is left is skewed; raising it by this share of
	// its skewness keeps the rate of false maxima of a filter over 20 pixels.
	skewedNoise = 0.15
)

// censored gives mean and noise of a sky whose lower part is cut off at floor:
// the Gaussian before the cut from two quantiles above it, then the moments of
// what the cut makes of it. level and noise are the answer where too little is
// left.
func (s *tileSamples) censored(floor float32, level, noise float64) (float64, float64) {
	v := s.value
	slices.Sort(v)
	n := float64(len(v))
	cut := float64(s.floor) / n
	// Quantiles in the lower half of what is left, where no stars are.
	at := func(share float64) (value, z float64) {
		q := cut + (1-cut)*share
		return float64(v[min(len(v)-1, int(q*n))]), math.Sqrt2 * math.Erfinv(2*q-1)
	}
	v1, z1 := at(0.2)
	v2, z2 := at(0.6)
	sigma := (v2 - v1) / (z2 - z1)
	if !(sigma > 0) || 1-cut < 0.02 {
		return level, noise
	}
	mean := v1 - z1*sigma
	// Moments of max(floor, N(mean, sigma)), by summing over the distribution.
	var w, m1, m2, m3 float64
	for z := -5.0; z <= 5; z += 0.02 {
		p := math.Exp(-z * z / 2)
		x := math.Max(float64(floor), mean+z*sigma)
		w += p
		m1 += p * x
	}
	m1 /= w
	for z := -5.0; z <= 5; z += 0.02 {
		p := math.Exp(-z * z / 2)
		d := math.Max(float64(floor), mean+z*sigma) - m1
		m2 += p * d * d
		m3 += p * d * d * d
	}
	spread := math.Sqrt(m2 / w)
	if !(spread > 0) {
		return level, noise
	}
	return m1, spread * (1 + skewedNoise*max(0, m3/w/(spread*spread*spread)))
}

// dither is a fixed noise between -1/2 and 1/2 from the pixel's place.
func dither(x, y int) float32 {
	h := uint32(x)*0x9E3779B1 + uint32(y)*0x85EBCA77
	h ^= h >> 15
	h *= 0x2C1B3C6D
	return float32(int32(h)>>8) * (1.0 / (1 << 24))
}

// histogram is the work space of clipped statistics: counts of equal bins and
// their running moments.
type histogram struct {
	count        [histogramBins]uint16
	n, sum, sum2 [histogramBins + 1]float64
	pilot        []float32
}

const (
	histogramBins = 256
	// histogramSpan is the range in units of the first guess of the spread, so
	// that a bin is 1/16 of it.
	histogramSpan = 16
	// pilotSamples give that first guess.
	pilotSamples = 63
)

// clipped gives median and standard deviation of values that hold mostly
// noise: values beyond clipSigma of the median are dropped until none is.
func (h *histogram) clipped(values []float32) (median, spread float64) {
	h.pilot = h.pilot[:0]
	for i := range pilotSamples {
		h.pilot = append(h.pilot, values[i*(len(values)-1)/(pilotSamples-1)])
	}
	slices.Sort(h.pilot)
	low, mid, high := h.pilot[10], h.pilot[31], h.pilot[52] // 16, 50 and 84 percent
	// The lower half is free of stars; where it is cut off (many values are
	// zero), the upper half speaks.
	guess := max(mid-low, (high-mid)/2)
	if !(guess > 0) {
		return float64(mid), 0
	}
	from := mid - guess*histogramSpan/2
	perBin := histogramBins / (guess * histogramSpan)
	clear(h.count[:])
	for _, v := range values {
		if i := (v - from) * perBin; i >= 0 && i < histogramBins {
			h.count[int(i)]++
		}
	}
	for i, c := range h.count {
		n, at := float64(c), float64(i)+0.5
		h.n[i+1] = h.n[i] + n
		h.sum[i+1] = h.sum[i] + n*at
		h.sum2[i+1] = h.sum2[i] + n*at*at
	}
	lo, hi := 0, histogramBins
	for range clipRounds {
		n := h.n[hi] - h.n[lo]
		if n < 2 {
			break
		}
		half := h.n[lo] + n/2
		m, _ := slices.BinarySearch(h.n[lo:hi+1], half)
		m = max(lo, lo+m-1) // the bin in which the running count passes half
		median = float64(m)
		if c := h.n[m+1] - h.n[m]; c > 0 {
			median += (half - h.n[m]) / c
		}
		mean := (h.sum[hi] - h.sum[lo]) / n
		spread = math.Sqrt(max(0, (h.sum2[hi]-h.sum2[lo])/n-mean*mean-1.0/12))
		l := max(lo, int(median-clipSigma*spread))
		u := min(hi, int(math.Ceil(median+clipSigma*spread)))
		if (l == lo && u == hi) || u-l < 2 {
			break
		}
		lo, hi = l, u
	}
	width := float64(guess) * histogramSpan / histogramBins
	return float64(from) + median*width, clippedNoise * spread * width
}

// valueStep is the smallest difference between neighbouring pixel values in a
// sample of the image: 1 for unscaled integers, nearly 0 for real numbers.
func valueStep(img Image) float32 {
	const want = 1024
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

// fineSteps: noise of more steps than this makes statistics smooth by itself.
const fineSteps = 4

// lowestValue is the lowest value in a sample of the image.
func lowestValue(img Image) float32 {
	const want = 1 << 14
	stride := max(1, len(img.Pix)/want) | 1
	low := float32(math.Inf(1))
	for i := 0; i < len(img.Pix); i += stride {
		if v := img.Pix[i]; v-v == 0 {
			low = min(low, v)
		}
	}
	return low
}

// coarseNoise is a rough noise from a few thousand pixel differences.
func coarseNoise(img Image) float32 {
	const want = 2048
	stride := max(1, len(img.Pix)/want) | 1
	v := make([]float32, 0, want+1)
	for i := 0; i+noiseLag < len(img.Pix); i += stride {
		if d := img.Pix[i+noiseLag] - img.Pix[i]; d-d == 0 {
			v = append(v, max(d, -d))
		}
	}
	if len(v) == 0 {
		return 0
	}
	slices.Sort(v)
	return v[len(v)/2]
}

// saturated tells whether the sky of most tiles is full.
func (b *skyMap) saturated(img Image) bool {
	return img.Saturation > 0 && median(b.level) >= float64(img.Saturation)*saturationShare
}

// fill gives tiles without data the mean of their neighbours, spreading
// outwards from the valid ones.
func (b *skyMap) fill(valid []bool) {
	for slices.Contains(valid, false) {
		next := slices.Clone(valid)
		for i := range valid {
			if valid[i] {
				continue
			}
			var l, n float32
			k := 0
			b.around(i, func(j int) {
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

// around visits the up to eight tiles next to tile i.
func (b *skyMap) around(i int, visit func(j int)) {
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
// as spoiled by a bright star, galaxy or lamp; the noise of 1365 samples is
// known to 2 percent, so honest tiles stay far below.
const mendExcess = 1.5

// mendTiles gives spoiled tiles the medians of their neighbours.
func (b *skyMap) mendTiles() {
	level, noise := slices.Clone(b.level), slices.Clone(b.noise)
	var ls, ns []float32
	for i := range level {
		ls, ns = ls[:0], ns[:0]
		b.around(i, func(j int) {
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
func (b *skyMap) at(x, y float64) (level, noise float64) {
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

// levelRow and noiseRow write level and noise of row y for every column.
func (b *skyMap) levelRow(y int, dst []float32) {
	b.eachStretch(len(dst), func(x0, x1 int) {
		l0, _ := b.at(float64(x0), float64(y))
		l1, _ := b.at(float64(x0+1), float64(y)) // on the same line, unless x0 is its only column
		ramp(dst[x0:x1], float32(l0), float32(l1-l0))
	})
}

func (b *skyMap) noiseRow(y int, dst []float32) {
	b.eachStretch(len(dst), func(x0, x1 int) {
		_, n0 := b.at(float64(x0), float64(y))
		_, n1 := b.at(float64(x0+1), float64(y))
		ramp(dst[x0:x1], float32(n0), float32(n1-n0))
	})
}

// eachStretch visits the stretches of columns between tile centres.
func (b *skyMap) eachStretch(width int, visit func(x0, x1 int)) {
	for x0 := 0; x0 < width; {
		i, _ := place(float64(x0), b.tileW, b.nx)
		x1 := width
		if i < b.nx-2 {
			x1 = min(x1, max(x0+1, int(math.Ceil((float64(i)+1.5)*b.tileW-0.5))))
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
