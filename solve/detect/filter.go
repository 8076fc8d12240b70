package detect

import (
	"math"
	"slices"
)

// The matched filter: correlation of a canvas with the PSF is the best linear
// detector of its stars in white noise. The PSF is approximated by a separable
// Gaussian, repeated along the trail or ring where there is one.

// kernel is the filter.
type kernel struct {
	half    []float32 // of the Gaussian: half[0] in the middle; unit sum
	shifts  [][2]int  // places to which it is repeated, {0,0} alone for a point
	weight  []float32 // of the shifts; unit sum
	reachX  int       // largest shift along x, and along y
	reachY  int
	around  []float32 // half of a wider Gaussian whose result is taken off; nil for none
	unitSum float64   // root of the sum of squares: the noise that is left of unit white noise
}

// kernelReach is the radius of the Gaussian in units of its sigma; cutting it
// there costs under 1 percent of signal-to-noise.
const kernelReach = 2.2

// aroundSize is the width, over that of the PSF, of the Gaussian mean around each place that is taken
// off where the sky is rough (Marr and Hildreth 1980, Proc. R. Soc. B 207, 187). Of Gaussians, a wave of ten
// FWHM keeps a twentieth of its height, and stars lose 15 % of signal-to-noise.
const aroundSize = 1.6

// newKernel makes the filter for a PSF; for a rough sky one that is blind to what is much wider.
func newKernel(m *psf, rough bool) *kernel {
	long, short := ellipseAxes(m.xx, m.xy, m.yy)
	k := &kernel{shifts: [][2]int{{0, 0}}, weight: []float32{1}}
	switch {
	case m.ring:
		// A ring of Gaussians. Its moment is that of an annulus of about 0.7
		// of the outer radius.
		unit := long / math.Sqrt(m.profile.kappa2)
		k.half = gaussianHalf(0.25 * unit)
		const radius = 0.7
		n := max(6, int(2*math.Pi*radius*unit/1.5))
		k.shifts, k.weight = nil, nil
		for i := range n {
			s, c := math.Sincos(2 * math.Pi * float64(i) / float64(n))
			k.shifts = append(k.shifts, [2]int{int(math.Round(radius * unit * c)), int(math.Round(radius * unit * s))})
			k.weight = append(k.weight, 1/float32(n))
		}
	case long > trailRatio*short:
		k.half = gaussianHalf(short)
		angle := math.Atan2(2*m.xy, m.xx-m.yy) / 2
		s, c := math.Sincos(angle)
		// Gaussian weights along the long axis bring its moment up to long.
		spread := math.Sqrt(long*long - short*short)
		n := int(math.Ceil(kernelReach * spread / short))
		k.shifts, k.weight = nil, nil
		sum := float32(0)
		for i := -n; i <= n; i++ {
			t := float64(i) * short
			k.shifts = append(k.shifts, [2]int{int(math.Round(t * c)), int(math.Round(t * s))})
			w := float32(math.Exp(-sq(t/spread) / 2))
			k.weight = append(k.weight, w)
			sum += w
		}
		for i := range k.weight {
			k.weight[i] /= sum
		}
	default:
		k.half = gaussianHalf(math.Sqrt(long * short))
	}
	for _, s := range k.shifts {
		k.reachX = max(k.reachX, s[0], -s[0])
		k.reachY = max(k.reachY, s[1], -s[1])
	}
	if rough {
		k.around = gaussianHalf(aroundSize * long)
	}
	// The whole kernel, to know its noise.
	r := len(k.half) - 1
	rx, ry := max(k.reachX+r, len(k.around)-1), max(k.reachY+r, len(k.around)-1)
	whole := make([]float64, (2*rx+1)*(2*ry+1))
	for i, s := range k.shifts {
		for dy := -r; dy <= r; dy++ {
			for dx := -r; dx <= r; dx++ {
				at := (s[1]+dy+ry)*(2*rx+1) + s[0] + dx + rx
				whole[at] += float64(k.weight[i] * k.half[max(dx, -dx)] * k.half[max(dy, -dy)])
			}
		}
	}
	for y, a := range mirroredHalf(k.around) {
		for x, b := range mirroredHalf(k.around) {
			n := len(k.around) - 1
			whole[(y-n+ry)*(2*rx+1)+x-n+rx] -= float64(a * b)
		}
	}
	sum2 := 0.0
	for _, v := range whole {
		sum2 += v * v
	}
	k.unitSum = math.Sqrt(sum2)
	return k
}

// mirroredHalf is the whole of which half is given.
func mirroredHalf(half []float32) []float32 {
	if len(half) == 0 {
		return nil
	}
	out := slices.Clone(half[1:])
	slices.Reverse(out)
	return append(out, half...)
}

// gaussianHalf is the half of a symmetric Gaussian of unit sum.
func gaussianHalf(sigma float64) []float32 {
	r := max(1, int(kernelReach*sigma+0.5))
	half := make([]float32, r+1)
	sum := 0.0
	for i := range half {
		v := math.Exp(-sq(float64(i)/sigma) / 2)
		half[i] = float32(v)
		sum += v
		if i > 0 {
			sum += v
		}
	}
	for i := range half {
		half[i] /= float32(sum)
	}
	return half
}

// strip is what one worker found in a band of rows.
type strip struct {
	runs []run
	vals []float32 // filtered canvas, of all runs
}

// run is a stretch of one row above the foot threshold.
type run struct {
	y, x0, x1 int32   // columns x0..x1-1
	val       int32   // index of the first value in the values
	noise     float32 // of the filtered canvas where the run begins
	parent    int32   // union-find over runs
}

const (
	// stripRows is the height of the bands that are filtered at one go: large
	// beside the filter, small enough for the cache and to share the work.
	stripRows = 64
	// noiseBlock is the side of the blocks in which the noise of the filtered
	// canvas is measured; where the sky has a finer mesh, the edge of a cloud in a block must
	// not hide the stars of all of it, and blocks have half that side.
	noiseBlock = 64
	// noiseGrid is how many samples of a block lie along each side.
	noiseGrid = 16
	// roughBlock: the noise of 256 samples is known to about 5 percent; only
	// beyond three times that does it replace the expectation.
	// In a small block the samples are alike, and it is known to 10.
	roughBlock      = 1.15
	roughSmallBlock = 1.3
	// noiseCell is the side of the squares that share one value of noise.
	noiseCell = 16
)

// filterCanvas runs the filter over the canvas and collects all runs above footSigma.
func (p *prepared) filterCanvas(c *canvas, k *kernel, workers int) []strip {
	n := (c.height + stripRows - 1) / stripRows
	strips := make([]strip, n)
	scratch := make([]*filterBand, workers)
	white := p.canvasNoise(c) / float64(c.scale) * k.unitSum
	block := noiseBlock
	if p.sky.coarse != nil {
		block /= 2
	}
	inParallel(workers, n, func(w, i int) {
		if scratch[w] == nil {
			scratch[w] = newFilterBand(c, k, block)
		}
		y0, y1 := i*stripRows, min(c.height, (i+1)*stripRows)
		b := scratch[w]
		b.run(c, k, y0, y1)
		strips[i] = b.threshold(p, c, white, y0, y1)
	})
	return strips
}

// filterBand holds the buffers of one worker.
type filterBand struct {
	padded  []float32   // one canvas row between margins of sky
	smooth  []float32   // rows of the band filtered along x, then ...
	out     []float32   // ... along both axes, with rows above and below for the shifts
	shifted []float32   // and with shifts
	around  *filterBand // of the wider Gaussian, nil for none
	width   int
	stride  int       // of out: with margins for the shifts along x
	noise   []float32 // of the cells of a row
	block   int       // side of the blocks of noise
	factor  []float32 // of the blocks: by how much noise goes beyond what is expected
	sample  []float32
	hist    histogram
}

func newFilterBand(c *canvas, k *kernel, block int) *filterBand {
	r := len(k.half) - 1
	b := &filterBand{width: c.width, stride: c.width + 2*k.reachX, block: block}
	b.padded = make([]float32, c.width+2*r)
	b.smooth = make([]float32, c.width*(2*r+1))
	b.out = make([]float32, b.stride*(stripRows+2*k.reachY))
	if len(k.shifts) > 1 {
		b.shifted = make([]float32, c.width*stripRows)
	}
	b.noise = make([]float32, (c.width+noiseCell-1)/noiseCell)
	b.factor = make([]float32, (c.width+block-1)/block)
	if k.around != nil {
		b.around = newFilterBand(c, k.wider(), block)
	}
	return b
}

// wider is the filter by the mean around alone.
func (k *kernel) wider() *kernel {
	return &kernel{half: k.around, shifts: [][2]int{{0, 0}}, weight: []float32{1}}
}

// row is row y (from y0 of the band) of the result.
func (b *filterBand) row(y int) []float32 {
	if b.shifted != nil {
		return b.shifted[y*b.width : (y+1)*b.width]
	}
	return b.out[y*b.stride : y*b.stride+b.width]
}

// run filters rows y0..y1-1.
func (b *filterBand) run(c *canvas, k *kernel, y0, y1 int) {
	r := len(k.half) - 1
	ring := func(y int) []float32 {
		i := (y - y0 + 4*(2*r+1)*(1+k.reachY)) % (2*r + 1)
		return b.smooth[i*b.width : (i+1)*b.width]
	}
	for y := y0 - k.reachY - r; y < y1+k.reachY+r; y++ {
		if y < 0 || y >= c.height {
			clear(ring(y)) // beyond the border lies sky
		} else {
			along := b.padded
			copy(along[r:], c.pix[y*c.width:(y+1)*c.width])
			convolveRow(ring(y), along, k.half)
		}
		if yc := y - r; yc >= y0-k.reachY {
			i := yc - y0 + k.reachY
			dst := b.out[i*b.stride+k.reachX:][:b.width]
			convolve(dst, k.half, func(i int) []float32 { return ring(yc + i) })
		}
	}
	if b.shifted != nil {
		for y := range y1 - y0 {
			dst := b.shifted[y*b.width : (y+1)*b.width]
			clear(dst)
			for i, s := range k.shifts {
				src := b.out[(y+s[1]+k.reachY)*b.stride+s[0]+k.reachX:][:b.width]
				addScaled(dst, src, k.weight[i])
			}
		}
	}
	if b.around != nil {
		b.around.run(c, k.wider(), y0, y1)
		for y := range y1 - y0 {
			addScaled(b.row(y), b.around.row(y), -1)
		}
	}
}

// convolveRow writes the row filtered along x; padded has len(half)-1 more
// pixels on either side.
func convolveRow(dst, padded, half []float32) {
	r := len(half) - 1
	n := len(dst)
	convolve(dst, half, func(i int) []float32 { return padded[r+i : r+i+n] })
}

// convolve writes the sum over i of half[|i|]*tap(i). Two or three taps on either side
// are taken in one pass, to spare loads and stores.
func convolve(dst, half []float32, tap func(i int) []float32) {
	i := 2
	if len(half) > 3 {
		firstPairs(dst, tap(0), [6][]float32{tap(-1), tap(1), tap(-2), tap(2), tap(-3), tap(3)}, half)
		i = 4
	} else {
		firstPair(dst, tap(0), tap(-1), tap(1), half[0], half[1])
	}
	for ; i+1 < len(half); i += 2 {
		addPairs(dst, tap(-i), tap(i), tap(-i-1), tap(i+1), half[i], half[i+1])
	}
	if i < len(half) {
		addPair(dst, tap(-i), tap(i), half[i])
	}
}

func firstPair(dst, mid, a, b []float32, f, g float32) {
	mid, a, b = mid[:len(dst)], a[:len(dst)], b[:len(dst)]
	for i := range dst {
		dst[i] = f*mid[i] + g*(a[i]+b[i])
	}
}

func firstPairs(dst, mid []float32, t [6][]float32, half []float32) {
	f, g, h, k := half[0], half[1], half[2], half[3]
	n := len(dst)
	mid = mid[:n]
	a, b, c, d, e, l := t[0][:n], t[1][:n], t[2][:n], t[3][:n], t[4][:n], t[5][:n]
	for i := range dst {
		dst[i] = f*mid[i] + g*(a[i]+b[i]) + (h*(c[i]+d[i]) + k*(e[i]+l[i]))
	}
}

func addPair(dst, a, b []float32, f float32) {
	a, b = a[:len(dst)], b[:len(dst)]
	for i := range dst {
		dst[i] += f * (a[i] + b[i])
	}
}

func addPairs(dst, a, b, c, d []float32, f, g float32) {
	a, b, c, d = a[:len(dst)], b[:len(dst)], c[:len(dst)], d[:len(dst)]
	for i := range dst {
		dst[i] += f*(a[i]+b[i]) + g*(c[i]+d[i])
	}
}

func addScaled(dst, a []float32, f float32) {
	a = a[:len(dst)]
	for i := range dst {
		dst[i] += f * a[i]
	}
}

// threshold measures the noise of the filtered band block by block and collects the runs.
func (b *filterBand) threshold(p *prepared, c *canvas, white float64, y0, y1 int) strip {
	var s strip
	for from := y0; from < y1; from += b.block {
		to := min(from+b.block, y1)
		b.measureBlocks(p, c, white, y0, from, to)
		for y := from; y < to; y++ {
			if (y-y0)%noiseCell == 0 {
				for x := 0; x < c.width; x += noiseCell {
					end := min(x+noiseCell, c.width)
					_, n := p.sky.at(c.imagePixel(float64(x+end)/2), c.imagePixel(float64(y)+noiseCell/2))
					b.noise[x/noiseCell] = float32(n * white * float64(b.factor[x/b.block]))
				}
			}
			s.collect(b.row(y-y0), b.noise, y)
		}
	}
	return s
}

// measureBlocks sets the factors of the blocks in rows from to to-1 of the canvas; y0 is the band's first.
func (b *filterBand) measureBlocks(p *prepared, c *canvas, white float64, y0, from, to int) {
	grid := b.block / noiseGrid
	for i := range b.factor {
		b.sample = b.sample[:0]
		x0, x1 := i*b.block, min(c.width, (i+1)*b.block)
		for y := from - y0; y < to-y0; y += grid {
			row := b.row(y)
			for x := x0 + y%grid; x < x1; x += grid {
				b.sample = append(b.sample, row[x])
			}
		}
		b.factor[i] = 1
		if len(b.sample) < minTileSamples {
			continue
		}
		_, n := p.sky.at(c.imagePixel(float64(x0+x1)/2), c.imagePixel(float64(from+to)/2))
		_, spread := b.hist.clipped(b.sample)
		limit := float32(roughBlock)
		if b.block < noiseBlock {
			limit = roughSmallBlock
		}
		if f := float32(spread / (n * white)); f > limit {
			b.factor[i] = f
		}
	}
}

// collect appends the runs of row y; noise is that of its cells.
func (s *strip) collect(row, noise []float32, y int) {
	end := -1 // where the open run ends
	for cell, n := range noise {
		x0 := cell * noiseCell
		foot := footSigma * n
		for i, v := range row[x0:min(len(row), x0+noiseCell)] {
			if v < foot {
				continue
			}
			x := x0 + i
			if x != end {
				s.runs = append(s.runs, run{y: int32(y), x0: int32(x), val: int32(len(s.vals)), noise: n})
			}
			end = x + 1
			s.runs[len(s.runs)-1].x1 = int32(end)
			s.vals = append(s.vals, v)
		}
	}
}
