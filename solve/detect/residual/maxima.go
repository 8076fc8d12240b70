package residual

import (
	"cmp"
	"context"
	"slices"

	"polard/solve/detect/background"
	"polard/solve/parallel"
	"polard/solve/robust"
)

// Maximum is a local maximum of a level.
type Maximum struct {
	X, Y   int
	Height float32 // in noise of a level's pixel
}

func compareMaxima(a, b Maximum) int {
	return cmp.Or(cmp.Compare(b.Height, a.Height), cmp.Compare(a.Y, b.Y), cmp.Compare(a.X, b.X))
}

// Maxima only serve to find the PSF.
const (
	// bandMaxima are kept of a band of the finest level where the background is smooth, and as many where it is not.
	bandMaxima = 500
	// coarseMaxima are kept of a band of a coarser level.
	coarseMaxima = 1000
)

// highest keeps the highest of the maxima that are added in reading order.
type highest struct {
	most int
	list []Maximum
	full bool // the list holds the highest so far, of which the last
	last float32
}

func (h *highest) add(m Maximum) {
	if h.full && m.Height <= h.last {
		return
	}
	if h.list = append(h.list, m); len(h.list) >= 4*h.most {
		h.cut()
	}
}

// cut drops all but the highest.
func (h *highest) cut() {
	slices.SortFunc(h.list, compareMaxima)
	h.list = h.list[:h.most]
	h.full, h.last = true, h.list[h.most-1].Height
}

// finish leaves the list with no more memory than it needs.
func (h *highest) finish() {
	if len(h.list) > h.most {
		h.cut()
	}
	h.list = slices.Clone(h.list)
}

// NoiseFactor is how the noise of a level compares with that of white noise of
// the map's size, averaged over its pixels: 1 for white noise, up to the
// level's scale where the noise of neighbouring pixels is correlated. Of a structured background it is that of its
// smoother parts, since the rest is no noise; the matched filter finds what goes beyond it in each place.
func (r *Image) NoiseFactor(l *Level) float64 {
	const want = 4096
	parts := 1
	if r.Sky.Structured() >= background.MuchStructure {
		parts = smoothParts
	}
	stride := max(1, len(l.Pix)/want) | 1
	v := make([][]float32, parts*parts)
	for i := 0; i < len(l.Pix); i += stride {
		x, y := i%l.Width, i/l.Width
		_, n := r.Sky.At(l.ImagePixel(float64(x)), l.ImagePixel(float64(y)))
		k := y*parts/l.Height*parts + x*parts/l.Width
		v[k] = append(v[k], l.Pix[i]/float32(n)*float32(l.Scale))
	}
	var spreads []float64
	var clip robust.Clipper
	for _, v := range v {
		if len(v) >= background.MinSamples*3/4 {
			_, spread := clip.Clipped(v)
			spreads = append(spreads, spread)
		}
	}
	if len(spreads) == 0 {
		return 1
	}
	slices.Sort(spreads)
	return max(1, spreads[len(spreads)/4])
}

// smoothParts is into how many parts, each way, a structured frame is cut to find where it is smooth.
const smoothParts = 7

// Maxima lists local maxima of a level that stand out, brightest first, the highest of each band of rows; with smooth, only where the
// background is. The error is ctx's.
func (r *Image) Maxima(ctx context.Context, workers int, l *Level, smooth bool) ([]Maximum, error) {
	var m []Maximum
	if l.Scale == 1 {
		for _, k := range r.maxima {
			if !smooth || r.Sky.Smooth(float64(k.X), float64(k.Y)) {
				m = append(m, k)
			}
		}
	} else {
		unit := float32(r.NoiseFactor(l)) / float32(l.Scale)
		bands := make([]highest, (l.Height+bandRows-1)/bandRows)
		err := parallel.Each(ctx, workers, len(bands), func(_, i int) {
			b := highest{most: coarseMaxima}
			for y := max(1, i*bandRows); y < min((i+1)*bandRows, l.Height-1) && ctx.Err() == nil; y++ {
				r.rowMaxima(l, y, unit, smooth, &b)
			}
			b.finish()
			bands[i] = b
		})
		if err != nil {
			return nil, err
		}
		for _, b := range bands {
			m = append(m, b.list...)
		}
	}
	slices.SortFunc(m, compareMaxima)
	return m, nil
}

// rowMaxima adds those of a row; unit is the noise of a level's pixel over that of an image's.
func (r *Image) rowMaxima(l *Level, y int, unit float32, smooth bool, to *highest) {
	row := l.Pix[y*l.Width : (y+1)*l.Width]
	for x := 1; x < l.Width-1; x++ {
		v := row[x]
		if v <= brightSigma*unit*r.Sky.LeastNoise() || v < row[x-1] || v <= row[x+1] {
			continue
		}
		up, down := l.Pix[(y-1)*l.Width+x-1:][:3], l.Pix[(y+1)*l.Width+x-1:][:3]
		if v < max(up[0], up[1], up[2]) || v <= max(down[0], down[1], down[2]) {
			continue
		}
		ix, iy := l.ImagePixel(float64(x)), l.ImagePixel(float64(y))
		if smooth && !r.Sky.Smooth(ix, iy) {
			continue
		}
		_, n := r.Sky.At(ix, iy)
		if s := v / (unit * float32(n)); s > brightSigma {
			to.add(Maximum{x, y, s})
		}
	}
}
