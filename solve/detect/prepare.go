package detect

import (
	"cmp"
	"math"
	"slices"
	"sync"

	"polard/solve/detect/raster"
)

// The prepared frame: sky subtracted, lone pixels replaced, and the same at
// half, quarter, ... resolution, so that stars of any width are met at a scale
// where they are a few pixels wide.

// canvas is the sky-subtracted frame at one resolution.
type canvas struct {
	width, height int
	scale         int // image pixels along one side of a canvas pixel
	pix           []float32
}

// imagePixel converts a position on the canvas to the image.
func (c *canvas) imagePixel(x float64) float64 {
	s := float64(c.scale)
	return (x+0.5)*s - 0.5
}

// prepared is the frame as every later stage sees it.
type prepared struct {
	img       Image
	sky       *skyMap
	full      float32     // pixel value from which a pixel is saturated; +Inf when unknown
	top       []float32   // highest pixel value of each row of the image
	canvases  []*canvas   // canvases[i].scale is 1<<i
	room      []float32   // in which the canvases lie
	bad       raster.Mask // image pixels without a usable value
	suspects  []suspect   // bright pixels that may turn out to be lone
	maxima    []maximum   // of the image itself, above brightSigma
	hot       int         // lone pixels replaced
	high, low int         // pixels in company far above the sky, and far below it
	starPeak  float64     // how high the pixels of stars reach
	levelsOff bool        // its brightest stars are wide
	calmOnly  bool        // the PSF is that of stars where the sky is calm
	rows      []float32   // offsets of rows and columns, nil where there are none
	columns   []float32
	loneOdds  float64 // twice the logarithm of the odds that something small is a lone pixel
}

// suspect is a pixel whose neighbours hold less light than a round star of
// about two pixels would give them.
type suspect struct {
	x, y  int
	share float32
}

// maximum is a local maximum of a canvas.
type maximum struct {
	x, y   int
	height float32 // in noise of a canvas pixel
}

const (
	// brightSigma is the height, in noise of a pixel, from which single pixels
	// are looked at: one in 3.5 million does so by chance.
	brightSigma = 5
	// loneShare divides lone pixels from the narrowest stars. The share of a
	// pixel is the smaller one of "brighter of left and right" and "brighter of up and
	// down", over the pixel itself. A star with a FWHM of 1.3 pixels (sigma
	// 0.55) gives at least [Phi(1.5/s)-Phi(0.5/s)]/[2 Phi(0.5/s)-1] = 0.28,
	// centred on the pixel, and more elsewhere; hot pixels, pairs of them and most
	// cosmic rays give 0. Half of it divides the two.
	loneShare = 0.14
	// suspectShare bounds what may be lone once the width of the stars is known.
	suspectShare = 0.6
	// canvasLevels: the coarsest canvas has pixels of 16, for stars out of
	// focus up to about 60 pixels.
	canvasLevels = 5
	// bandRows is the height of the bands that are shared out; a multiple of
	// the coarsest canvas pixel.
	bandRows = 64
	// noiseRows share a row of noise, which changes little over a tile.
	noiseRows = 8
	// bandMaxima bounds the maxima of a band that are kept: they only serve to
	// find the PSF.
	bandMaxima = 500
	// saturationShare: pixels count as full a little below the stated value,
	// where response bends and calibration has moved it.
	saturationShare = 0.97
)

// prepare subtracts the sky and replaces missing, lone bright and lone dark pixels.
func prepare(img Image, sky *skyMap, workers int) *prepared {
	p := &prepared{img: img, sky: sky, full: float32(math.Inf(1)), bad: raster.NewMask(img.Width, img.Height), top: make([]float32, img.Height)}
	if img.Saturation > 0 {
		p.full = img.Saturation * saturationShare
	}
	p.rows, p.columns = sky.banding(img, workers)
	if p.columns != nil {
		sky = sky.withoutColumns(p.columns)
		p.sky = sky
	}
	p.layCanvases()
	bands := make([]bandFinds, (img.Height+bandRows-1)/bandRows)
	buffers := make([][2][]float32, workers)
	inParallel(workers, len(bands), func(wk, i int) {
		if buffers[wk][0] == nil {
			buffers[wk] = [2][]float32{make([]float32, img.Width), make([]float32, img.Width)}
		}
		y0, y1 := i*bandRows, min(img.Height, (i+1)*bandRows)
		for y := y0; y < y1; y++ {
			if (y-y0)%noiseRows == 0 {
				sky.noiseRow(min(y+noiseRows/2, img.Height-1), buffers[wk][1])
			}
			p.cleanRow(y, buffers[wk][0], buffers[wk][1], &bands[i])
		}
		calm, rough := sky.byCalm(bands[i].maxima)
		bands[i].maxima = append(brightest(calm, bandMaxima), brightest(rough, bandMaxima)...)
		for k := 1; k < len(p.canvases); k++ {
			halve(p.canvases[k-1], p.canvases[k], y0>>k, min(y1>>k, p.canvases[k].height))
		}
	})
	var flat flatTop
	for _, b := range bands {
		p.suspects = append(p.suspects, b.suspects...)
		p.maxima = append(p.maxima, b.maxima...)
		p.hot += b.hot
		p.high += b.high
		p.low += b.low
		flat.merge(b.flat)
	}
	if img.Saturation <= 0 {
		p.full = p.plateau(flat)
	}
	return p
}

// spareCanvases are those of frames that are done, kept until the next but one garbage
// collection: fresh memory of the size of a frame costs some percent of its search.
var spareCanvases sync.Pool

// layCanvases makes room for the canvases; what is in them is of no meaning.
func (p *prepared) layCanvases() {
	w, h := p.img.Width, p.img.Height
	n := 0
	for i := 0; i < canvasLevels && (i == 0 || min(w, h) >= minSide); i++ {
		p.canvases = append(p.canvases, &canvas{width: w, height: h, scale: 1 << i})
		n += w * h
		w, h = w/2, h/2
	}
	if spare, ok := spareCanvases.Get().(*[]float32); ok && cap(*spare) >= n {
		p.room = (*spare)[:n]
	} else {
		p.room = make([]float32, n)
	}
	room := p.room
	for _, c := range p.canvases {
		c.pix, room = room[:c.width*c.height], room[c.width*c.height:]
	}
}

// release gives the canvases back; p is of no use afterwards.
func (p *prepared) release() {
	spareCanvases.Put(&p.room)
	p.canvases = nil
}

// bandFinds is what one band of rows contributes.
type bandFinds struct {
	suspects []suspect
	maxima   []maximum
	hot      int
	high     int // in company far above the sky
	low      int // and far below
	flat     flatTop
}

// flatTop counts pixels that are level with several neighbours, at the highest
// value at which there are any.
type flatTop struct {
	value  float32
	pixels int
}

func (f *flatTop) merge(o flatTop) {
	switch {
	case o.pixels == 0:
	case f.pixels == 0 || o.value > f.value*(1+plateauTol):
		*f = o
	case o.value >= f.value*(1-plateauTol):
		f.value = max(f.value, o.value)
		f.pixels += o.pixels
	}
}

// cleanRow fills row y of the finest canvas. noise is that of the row; level is
// work space.
func (p *prepared) cleanRow(y int, level, noise []float32, found *bandFinds) {
	w := p.img.Width
	p.sky.levelRow(y, level)
	if p.rows != nil {
		for x := range level {
			level[x] += p.rows[y]
		}
	}
	if p.columns != nil {
		for x, v := range p.columns {
			level[x] += v
		}
	}
	src := p.img.Pix[y*w : (y+1)*w]
	dst := p.canvases[0].pix[y*w : (y+1)*w]
	level, noise = level[:len(src)], noise[:len(src)]
	dst = dst[:len(src)]
	top := float32(math.Inf(-1))
	for x, v := range src {
		if v > top {
			top = v
		}
		d := v - level[x]
		dst[x] = d
		if n := brightSigma * noise[x]; !(d <= n && d >= -n) {
			dst[x] = p.cleanPixel(x, y, d, level[x], noise[x], found)
		}
	}
	p.top[y] = top
}

// cleanPixel judges a pixel far from the sky by its neighbours. It returns its
// value above the sky, replaced if the pixel is not to be believed.
func (p *prepared) cleanPixel(x, y int, d, level, noise float32, found *bandFinds) float32 {
	w, h := p.img.Width, p.img.Height
	at := func(x, y int) float32 {
		if x < 0 || y < 0 || x >= w || y >= h {
			return float32(math.NaN())
		}
		return p.img.Pix[y*w+x] - level
	}
	var ring [8]float32
	n, same := 0, 0
	highest := true
	tol := (d + level) * plateauTol
	for dy := -1; dy <= 1; dy++ {
		for dx := -1; dx <= 1; dx++ {
			if dx == 0 && dy == 0 {
				continue
			}
			v := at(x+dx, y+dy)
			if v-v != 0 {
				continue
			}
			ring[n] = v
			n++
			if v-d <= tol && d-v <= tol {
				same++
			}
			// Of equal pixels the first in reading order is the maximum.
			before := dy < 0 || dy == 0 && dx < 0
			if v > d || v == d && before {
				highest = false
			}
		}
	}
	if same >= plateauPixels && d > 0 {
		found.flat.merge(flatTop{d + level, 1})
	}
	replacement := float32(0)
	if n > 0 {
		r := ring[:n]
		slices.Sort(r)
		replacement = r[n/2]
	}
	left, right, up, down := at(x-1, y), at(x+1, y), at(x, y-1), at(x, y+1)
	switch {
	case d-d != 0:
		p.bad.Set(x, y)
		return replacement
	case d > 0:
		share := min(larger(left, right), larger(up, down)) / d
		if share < loneShare {
			p.bad.Set(x, y)
			found.hot++
			return replacement
		}
		found.high++
		if share < suspectShare {
			found.suspects = append(found.suspects, suspect{x, y, share})
		}
		if highest {
			found.maxima = append(found.maxima, maximum{x, y, d / noise})
		}
	default:
		// A dead pixel: far below the sky among neighbours that are not.
		if max(smaller(left, right), smaller(up, down)) > loneShare*d {
			p.bad.Set(x, y)
			return replacement
		}
		found.low++
	}
	return d
}

// larger and smaller ignore NaN; of two they give 0, the sky.
func larger(a, b float32) float32 {
	switch {
	case a-a != 0 && b-b != 0:
		return 0
	case a-a != 0:
		return b
	case b-b != 0:
		return a
	}
	return max(a, b)
}

func smaller(a, b float32) float32 { return -larger(-a, -b) }

// replaceLone marks the suspects whose neighbours hold less than share, now
// that the narrowest possible star is known.
func (p *prepared) replaceLone(share float32) {
	c := p.canvases[0]
	for _, s := range p.suspects {
		if p.bad.Get(s.x, s.y) || s.x == 0 || s.y == 0 || s.x == c.width-1 || s.y == c.height-1 {
			continue
		}
		i := s.y*c.width + s.x
		v := c.pix
		// Once more on the cleaned canvas: a neighbour may have been replaced.
		if min(max(v[i-1], v[i+1]), max(v[i-c.width], v[i+c.width])) >= share*v[i] {
			continue
		}
		p.bad.Set(s.x, s.y)
		p.hot++
		v[i] = (v[i-1] + v[i+1] + v[i-c.width] + v[i+c.width]) / 4
	}
}

// halve writes rows y0..y1-1 of the coarser canvas: means of two by two.
func halve(fine, coarse *canvas, y0, y1 int) {
	for y := y0; y < y1; y++ {
		a := fine.pix[2*y*fine.width:][:2*coarse.width]
		b := fine.pix[(2*y+1)*fine.width:][:2*coarse.width]
		dst := coarse.pix[y*coarse.width:][:coarse.width]
		for x := range dst {
			i := 2 * x
			dst[x] = (a[i] + a[i+1] + b[i] + b[i+1]) * 0.25
		}
	}
}

// A saturated core is a plateau.
const (
	// plateauTol: pixels of one plateau agree to this part of their value.
	plateauTol = 1e-3
	// plateauPixels of the eight neighbours belong to it.
	plateauPixels = 3
	// flatPixels in the frame are needed; the top of a broad star in coarse
	// steps may have a few.
	flatPixels = 10
)

// plateau finds the value at which the frame saturates, when nobody said so:
// many pixels are level with their neighbours, and no star is higher. +Inf when
// it does not.
func (p *prepared) plateau(flat flatTop) float32 {
	if flat.pixels < flatPixels {
		return float32(math.Inf(1))
	}
	for _, m := range p.maxima {
		if p.img.Pix[m.y*p.img.Width+m.x] > flat.value*(1+plateauTol) {
			return float32(math.Inf(1))
		}
	}
	return flat.value * (1 - plateauTol)
}

// fullInRow tells whether row y of a canvas holds a saturated pixel.
func (p *prepared) fullInRow(c *canvas, y int) bool {
	for _, top := range p.top[y*c.scale : (y+1)*c.scale] {
		if top >= p.full && !math.IsInf(float64(p.full), 1) {
			return true
		}
	}
	return false
}

// fullIn tells whether a canvas pixel holds a saturated one.
func (p *prepared) fullIn(c *canvas, x, y int) bool {
	for yy := y * c.scale; yy < (y+1)*c.scale; yy++ {
		for _, v := range p.img.Pix[yy*p.img.Width+x*c.scale:][:c.scale] {
			if v >= p.full {
				return true
			}
		}
	}
	return false
}

// canvasNoise is how the noise of canvas c compares with that of white noise of
// the sky map's size, averaged over its pixels: 1 for white noise, up to the
// canvas scale where the noise of neighbouring pixels is alike. Of a rough sky it is that of its
// smoother parts, since the rest is no noise; filter.go finds what goes beyond it in each place.
func (p *prepared) canvasNoise(c *canvas) float64 {
	const want = 4096
	parts := 1
	if p.sky.roughPart() >= leastRough {
		parts = smoothParts
	}
	stride := max(1, len(c.pix)/want) | 1
	v := make([][]float32, parts*parts)
	for i := 0; i < len(c.pix); i += stride {
		x, y := i%c.width, i/c.width
		_, n := p.sky.at(c.imagePixel(float64(x)), c.imagePixel(float64(y)))
		k := y*parts/c.height*parts + x*parts/c.width
		v[k] = append(v[k], c.pix[i]/float32(n)*float32(c.scale))
	}
	var spreads []float64
	for _, v := range v {
		if len(v) >= minTileSamples*3/4 {
			var h histogram
			_, spread := h.clipped(v)
			spreads = append(spreads, spread)
		}
	}
	if len(spreads) == 0 {
		return 1
	}
	slices.Sort(spreads)
	return max(1, spreads[len(spreads)/4])
}

// smoothParts is into how many parts, each way, a rough frame is cut to find where it is smooth.
const smoothParts = 7

// canvasMaxima lists the local maxima of a coarser canvas, brightest first.
func (p *prepared) canvasMaxima(c *canvas, workers int) []maximum {
	if c.scale == 1 {
		m := slices.Clone(p.maxima)
		if p.calmOnly {
			m, _ = p.sky.byCalm(m)
		}
		sortMaxima(m)
		return m
	}
	unit := float32(p.canvasNoise(c)) / float32(c.scale)
	rows := make([][]maximum, c.height)
	inParallel(workers, c.height, func(_, y int) {
		if y == 0 || y == c.height-1 {
			return
		}
		row := c.pix[y*c.width : (y+1)*c.width]
		for x := 1; x < c.width-1; x++ {
			v := row[x]
			if v <= brightSigma*unit*p.sky.quietest || v < row[x-1] || v <= row[x+1] {
				continue
			}
			up, down := c.pix[(y-1)*c.width+x-1:][:3], c.pix[(y+1)*c.width+x-1:][:3]
			if v < max(up[0], up[1], up[2]) || v <= max(down[0], down[1], down[2]) {
				continue
			}
			if p.calmOnly && !p.sky.calm(c.imagePixel(float64(x)), c.imagePixel(float64(y))) {
				continue
			}
			_, n := p.sky.at(c.imagePixel(float64(x)), c.imagePixel(float64(y)))
			if s := v / (unit * float32(n)); s > brightSigma {
				rows[y] = append(rows[y], maximum{x, y, s})
			}
		}
	})
	m := slices.Concat(rows...)
	sortMaxima(m)
	return m
}

// brightest keeps the n highest.
func brightest(m []maximum, n int) []maximum {
	if len(m) <= n {
		return m
	}
	sortMaxima(m)
	return m[:n]
}

func sortMaxima(m []maximum) {
	slices.SortFunc(m, func(a, b maximum) int {
		return cmp.Or(cmp.Compare(b.height, a.height), cmp.Compare(a.y, b.y), cmp.Compare(a.x, b.x))
	})
}
