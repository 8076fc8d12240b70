package peaks

import (
	"context"

	"polard/solve/detect/residual"
)

// stripRows is the height of the bands that are filtered at one go: large
// beside the filter, small enough for the cache and to share the work.
const stripRows = 64

// band holds the buffers of one goroutine that filters a level.
type band struct {
	padded  []float32 // one row between margins of sky
	smooth  []float32 // rows of the band filtered along x, then ...
	out     []float32 // ... along both axes, with rows above and below for the shifts
	shifted []float32 // and with shifts
	around  *band     // of the wider Gaussian, nil for none
	width   int
	stride  int // of out: with margins for the shifts along x
}

func newBand(width int, k *kernel) *band {
	r := len(k.half) - 1
	b := &band{width: width, stride: width + 2*k.reachX}
	b.padded = make([]float32, width+2*r)
	b.smooth = make([]float32, width*(2*r+1))
	b.out = make([]float32, b.stride*(stripRows+2*k.reachY))
	if len(k.shifts) > 1 {
		b.shifted = make([]float32, width*stripRows)
	}
	if k.around != nil {
		b.around = newBand(width, k.wider())
	}
	return b
}

// wider is the filter by the mean around alone.
func (k *kernel) wider() *kernel {
	return &kernel{half: k.around, shifts: [][2]int{{0, 0}}, weight: []float32{1}}
}

// row is row y (from y0 of the band) of the result.
func (b *band) row(y int) []float32 {
	if b.shifted != nil {
		return b.shifted[y*b.width : (y+1)*b.width]
	}
	return b.out[y*b.stride : y*b.stride+b.width]
}

// run filters rows y0 to y1-1; what it gives is of no meaning once ctx has ended.
func (b *band) run(ctx context.Context, c *residual.Level, k *kernel, y0, y1 int) {
	r := len(k.half) - 1
	ring := func(y int) []float32 {
		i := (y - y0 + 4*(2*r+1)*(1+k.reachY)) % (2*r + 1)
		return b.smooth[i*b.width : (i+1)*b.width]
	}
	for y := y0 - k.reachY - r; y < y1+k.reachY+r && ctx.Err() == nil; y++ {
		if y < 0 || y >= c.Height {
			clear(ring(y)) // beyond the border lies sky
		} else {
			along := b.padded
			copy(along[r:], c.Pix[y*c.Width:(y+1)*c.Width])
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
		b.around.run(ctx, c, k.wider(), y0, y1)
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
