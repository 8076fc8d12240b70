package residual

import (
	"math"
	"slices"

	"polard/solve/detect/background"
	"polard/solve/detect/raster"
)

// suspect is a pixel whose neighbours hold less light than a round star of
// about two pixels would give them.
type suspect struct{ x, y int32 }

const (
	// SharpShare divides hot pixels and cosmic rays from the narrowest stars. The share of a
	// pixel is the smaller one of "brighter of left and right" and "brighter of up and
	// down", over the pixel itself. A star with a FWHM of 1.3 pixels (sigma
	// 0.55) gives at least [Phi(1.5/s)-Phi(0.5/s)]/[2 Phi(0.5/s)-1] = 0.28,
	// centred on the pixel, and more elsewhere; hot pixels, pairs of them and most
	// cosmic rays give 0. Half of it divides the two.
	SharpShare = 0.14
	// suspectShare bounds what may be replaced once the width of the stars is known; else 36 instead of 22 detections
	// among thousands of hot pixels are spurious where stars have 1.3 pixels.
	suspectShare = 0.6
	// suspectPart of a band's pixels are remembered at most: a frame that holds more is not one of stars.
	suspectPart = 1.0 / 32
)

// band is what one band of rows contributes.
type band struct {
	suspects           []suspect
	mostSuspects       int
	smooth, structured highest // maxima where the background is smooth, and where it is not
	hot                int
	high               int // in company far above the sky
	low                int // and far below
	flat               flatTop
}

func newBand(width int) band {
	return band{
		mostSuspects: int(suspectPart * float64(width) * bandRows),
		smooth:       highest{most: bandMaxima}, structured: highest{most: bandMaxima},
	}
}

// finished is the band with no more memory than it needs.
func (b band) finished() band {
	b.suspects = slices.Clone(b.suspects)
	b.smooth.finish()
	b.structured.finish()
	return b
}

// cleaner is the work space of one goroutine, which goes through band after band.
type cleaner struct {
	img     raster.Image
	sky     *background.Map
	bad     raster.Mask
	columns []float32 // offsets
	noise   []float32 // of a row
	values  []float32
	band    band
}

func newCleaner(img raster.Image, sky *background.Map, bad raster.Mask) *cleaner {
	c := &cleaner{img: img, sky: sky, bad: bad, columns: sky.Columns(), noise: make([]float32, img.Width)}
	if c.columns == nil {
		c.columns = make([]float32, img.Width)
	}
	return c
}

// row fills row y of the finest level, with the noise that was set, and gives the highest value of the image's row.
func (c *cleaner) row(y int, dst []float32) (top float32) {
	src := c.img.Row(y, 0, c.img.Width, &c.values)
	top = float32(math.Inf(-1))
	c.sky.EachSpan(y, len(src), func(x0, x1 int, level, slope float32) {
		top = max(top, c.span(x0, y, src[x0:x1], dst[x0:x1], level, slope))
	})
	return top
}

// span fills a part of row y that begins at column x0, on which level and noise are linear, and gives the highest
// value of the image there.
func (c *cleaner) span(x0, y int, src, dst []float32, level, slope float32) (top float32) {
	columns, noise, dst := c.columns[x0:][:len(src)], c.noise[x0:][:len(src)], dst[:len(src)]
	// Nothing nearer to the sky than this is far from it anywhere here. The bits of positive numbers are in their order,
	// and those of NaN above all.
	near := math.Float32bits(brightSigma * max(0, min(noise[0], noise[len(noise)-1])))
	top = float32(math.Inf(-1))
	for i, v := range src {
		if v > top {
			top = v
		}
		sky := level + float32(i)*slope + columns[i]
		d := v - sky
		dst[i] = d
		if math.Float32bits(d)&math.MaxInt32 > near {
			if n := brightSigma * noise[i]; !(d <= n && d >= -n) {
				dst[i] = c.pixel(x0+i, y, d, sky, noise[i])
			}
		}
	}
	return top
}

// pixel judges a pixel far from the sky by its neighbours. It returns its
// value above the sky, replaced if the pixel is not to be believed.
func (c *cleaner) pixel(x, y int, d, level, noise float32) float32 {
	w, h := c.img.Width, c.img.Height
	at := func(x, y int) float32 {
		if x < 0 || y < 0 || x >= w || y >= h {
			return float32(math.NaN())
		}
		return c.img.Value(y*w+x) - level
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
		c.band.flat.merge(flatTop{d + level, 1})
	}
	bad := d-d != 0
	if !bad {
		left, right, up, down := at(x-1, y), at(x+1, y), at(x, y-1), at(x, y+1)
		if d > 0 {
			bad = c.bright(x, y, d, noise, min(larger(left, right), larger(up, down))/d, highest)
		} else {
			// A dead pixel: far below the sky among neighbours that are not.
			if bad = max(smaller(left, right), smaller(up, down)) > SharpShare*d; !bad {
				c.band.low++
			}
		}
	}
	if !bad {
		return d
	}
	c.bad.Set(x, y)
	if n == 0 {
		return 0
	}
	slices.Sort(ring[:n])
	return ring[n/2]
}

// bright takes note of a pixel far above the sky, whose neighbours hold a share of it, and tells whether it is hot.
func (c *cleaner) bright(x, y int, d, noise, share float32, highest bool) bool {
	if share < SharpShare {
		c.band.hot++
		return true
	}
	c.band.high++
	if share < suspectShare && len(c.band.suspects) < c.band.mostSuspects {
		c.band.suspects = append(c.band.suspects, suspect{int32(x), int32(y)})
	}
	if highest {
		m := Maximum{x, y, d / noise}
		if c.sky.Smooth(float64(x), float64(y)) {
			c.band.smooth.add(m)
		} else {
			c.band.structured.add(m)
		}
	}
	return false
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
