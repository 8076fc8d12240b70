package fits

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// layout is how the values of a data array lie: planes of columns by rows, or
// the colours of a pixel side by side.
type layout struct {
	width, height int
	colours       int  // 1 or 3
	interleaved   bool // NAXIS1 is the colour
}

// readLayout finds columns, rows and colours among the axes. Axes of length 1
// at the end mean nothing (section 4.4.1.1 allows them).
func readLayout(axes []int) (layout, error) {
	n := len(axes)
	for n > 2 && axes[n-1] == 1 {
		n--
	}
	axes = axes[:n]
	if slices.Contains(axes, 0) {
		return layout{}, fmt.Errorf("%w: an image of %s pixels holds none", ErrUnsupported, times(axes))
	}
	switch {
	case n == 0:
		return layout{}, fmt.Errorf("%w: a header without an image", ErrUnsupported)
	case n == 1:
		return layout{}, fmt.Errorf("%w: a row of %d values, not an image", ErrUnsupported, axes[0])
	case n == 2:
		return layout{width: axes[0], height: axes[1], colours: 1}, nil
	case n == 3 && axes[2] == 3:
		return layout{width: axes[0], height: axes[1], colours: 3}, nil
	case n == 3 && axes[0] == 3:
		return layout{width: axes[1], height: axes[2], colours: 3, interleaved: true}, nil
	}
	return layout{}, fmt.Errorf("%w: an array of %s values is neither an image nor one in three colours", ErrUnsupported, times(axes))
}

// luminance converts the data array to one value a pixel: of three colours the
// mean, in which a star counts with all its light. A pixel that is saturated in
// one colour (a value of at least saturation, when that is known) is saturated.
func luminance(raw []byte, l layout, s scaling, saturation float32, room []float32) []float32 {
	pix := room[:cap(room)]
	if len(pix) < l.width*l.height {
		pix = make([]float32, l.width*l.height)
	}
	pix = pix[:l.width*l.height]
	if l.colours == 1 {
		size := max(s.bitpix, -s.bitpix) / 8
		inParts(len(pix), func(from, to int) { s.convert(pix[from:to], raw[from*size:]) })
		return pix
	}
	size := max(s.bitpix, -s.bitpix) / 8
	colours := make([]float32, 3*l.width)
	pixel, colour := 1, l.width // steps in a row of colours
	if l.interleaved {
		pixel, colour = 3, 1
	}
	for y := range l.height {
		if l.interleaved {
			s.convert(colours, raw[3*l.width*y*size:])
		} else {
			for c := range 3 {
				s.convert(colours[c*l.width:(c+1)*l.width], raw[(c*l.height+y)*l.width*size:])
			}
		}
		row := pix[y*l.width : (y+1)*l.width]
		for x := range row {
			a, b, c := colours[x*pixel], colours[x*pixel+colour], colours[x*pixel+2*colour]
			v := float32((float64(a) + float64(b) + float64(c)) / 3)
			if saturation > 0 && max(a, b, c) >= saturation {
				v = max(v, saturation)
			}
			row[x] = v
		}
	}
	return pix
}

// declaresMosaic tells whether the header says that the pixels stand behind a mosaic of colour filters (keywords as camera
// programs write them, common practice). Which filter is where does not matter: the reduction to luminance is the same for
// every pattern of two columns by two rows.
func declaresMosaic(h *header) (is bool, warnings []string) {
	pattern, keyword, ok := h.text("BAYERPAT", "COLORTYP", "CFAPAT")
	p := strings.ToUpper(pattern)
	switch p {
	case "NONE", "MONO", "MONOCHROME", "GRAY", "GREY", "GRAYSCALE", "L", "LUM", "LUMINANCE", "RGB", "FALSE", "0", "N/A":
		return false, nil
	}
	if ok && (len(p) != 4 || strings.Trim(p, "RGBCMYW") != "") {
		warnings = []string{fmt.Sprintf("%s is %q, no pattern of two columns by two rows; colours are averaged as if it were", keyword, pattern)}
	}
	return ok, warnings
}

// Thresholds of alternating pixels.
const (
	// alternatingShare is how large the median of a difference must be, in its own
	// scatter. Half of it makes neighbours differ by half the noise of a pixel, which adds
	// a sixteenth to its variance: what alternates less does no harm.
	alternatingShare = 0.5
	// alternatingSamples is how many places are looked at, leastAlternating how few tell
	// anything: the error of a median, 1.25 scatter/sqrt(n), is then 1/25 and
	// 1/8 of the threshold.
	alternatingSamples = 4000
	leastAlternating   = 400
)

// alternates tells whether pixels alternate in two directions, as those of a
// one-shot-colour sensor do: along the diagonals, where the mean of red and blue
// is not green, or else both along rows and along columns. Sensors that are
// read out by two amplifiers alternate in one direction only, and gradients of the sky
// leave second differences at zero.
func alternates(pix []float32, width, height int) bool {
	columns, rows := (width-2)/2, (height-2)/2
	if columns < 1 || rows < 1 {
		return false
	}
	var diagonal, down, across []float64
	for i := 0; i < columns*rows; i += max(1, columns*rows/alternatingSamples) | 1 {
		at := (2+2*(i/columns)-1)*width + 2 + 2*(i%columns) - 1
		here := float64(pix[at])
		left, right, above, below := float64(pix[at-1]), float64(pix[at+1]), float64(pix[at-width]), float64(pix[at+width])
		d := here + float64(pix[at+width+1]) - right - below
		if a, b := 2*here-above-below, 2*here-left-right; !math.IsNaN(d + a + b) {
			diagonal, down, across = append(diagonal, d), append(down, a), append(across, b)
		}
	}
	if len(diagonal) < leastAlternating {
		return false
	}
	beyond := func(differences []float64) bool {
		slices.Sort(differences)
		median := differences[len(differences)/2]
		for i := range differences {
			differences[i] = math.Abs(differences[i] - median)
		}
		slices.Sort(differences)
		scatter := differences[len(differences)/2] / 0.6745 // Gaussian
		return math.Abs(median) > alternatingShare*scatter
	}
	return beyond(diagonal) || beyond(down) && beyond(across)
}

// reduceMosaic turns the raw pixels of a one-shot-colour sensor into luminance
// of the same size, in place.
//
// Every pixel becomes the average of its 3 by 3 neighbourhood with weights
// [1 2 1] x [1 2 1] / 16. Whatever the pattern and whichever of its cells the
// pixel is, each of the four cells then counts a quarter: what is left is
// (R + 2G + B)/4 of the planes interpolated linearly. So
//
//   - different backgrounds and gains of the four planes cancel exactly, with
//     nothing to estimate: the response of [1 2 1] is zero at the frequency of
//     the pattern, two pixels;
//   - the kernel is symmetric, so the centroid of a star stays where it is, which
//     an average of 2 by 2 would move by half a pixel;
//   - a wrong pattern, offset or row order in the header does no harm.
//
// What remains is the sampling error of planes that see only every second
// pixel. For stars of strong colour it is 0.03 pixel (rms) at a full width at
// half maximum of 2.0 pixels, 0.016 at 2.5, 0.006 at 3 and nothing beyond
// (TestMosaicKeepsCentroids).
//
// The average would also make hot pixels look like stars, so they are
// replaced first. Undefined pixels spread to their neighbours; so does
// saturation, when its level is known: the neighbourhood of a saturated pixel
// is written as saturated.
func reduceMosaic(pix []float32, width, height int, quantum, saturation float32) {
	if width < 3 || height < 3 {
		return
	}
	replaceHotPixels(pix, width, height, quantum)

	// Three rows, averaged along columns, roll over the image, and with them where a pixel or its neighbour
	// in the row is saturated; the pixels beyond the border are those one inside it, which keeps the pattern.
	var mean [3][]float32
	var full [3][]bool
	for i := range mean {
		mean[i], full[i] = make([]float32, width), make([]bool, width)
	}
	along := func(slot, y int) {
		row, m := pix[y*width:(y+1)*width], mean[slot]
		if saturation > 0 {
			for x := range row {
				full[slot][x] = row[max(0, x-1)] >= saturation || row[x] >= saturation || row[min(x+1, width-1)] >= saturation
			}
		}
		m[0] = (row[0] + row[1]) / 2
		for x := 1; x < width-1; x++ {
			m[x] = (row[x-1] + 2*row[x] + row[x+1]) / 4
		}
		m[width-1] = (row[width-1] + row[width-2]) / 2
	}
	along(0, 1)
	along(1, 0)
	along(2, 1)
	for y := range height {
		above, here, below := mean[y%3], mean[(y+1)%3], mean[(y+2)%3]
		row := pix[y*width : (y+1)*width]
		for x := range row {
			row[x] = (above[x] + 2*here[x] + below[x]) / 4
			if full[0][x] || full[1][x] || full[2][x] {
				row[x] = saturation
			}
		}
		// Row y is written; the slot of the row above it takes row y+2, or at the
		// border its mirror, which is still in the slot "here".
		switch {
		case y+2 < height:
			along(y%3, y+2)
		case y+2 == height:
			copy(above, here)
			copy(full[y%3], full[(y+1)%3])
		}
	}
}

// Thresholds of a hot pixel.
const (
	// hotSigma is the excess, in noise of a pixel, from which a pixel is
	// tried. The mean excess of its four nearest neighbours then has an error
	// of at most 1/40 of the excess, against the hotShare below.
	hotSigma = 20
	// hotShare is the share of the excess below which the mean of the four
	// nearest neighbours counts as nothing. A star as narrow as 1.2 pixels of
	// full width at half maximum, exactly on the pixel, gives its nearest
	// neighbours 24 % (Gaussian integrated over pixels: sigma 0.51,
	// [Phi(1.5/sigma) - Phi(0.5/sigma)] / [Phi(0.5/sigma) - Phi(-0.5/sigma)]);
	// in filters through which it is 2.5 times as faint, 10 %.
	hotShare = 0.05
	// noiseSamples is how many pixel pairs the noise is taken from: its
	// relative error is then about 1 %, far better than needed.
	noiseSamples = 10000
)

// replaceHotPixels replaces hot pixels of a mosaic, those that stand out from
// their own colour while their nearest neighbours see no light, by the median
// of their own colour around them. quantum is the step between stored values:
// the noise is at least that of rounding.
func replaceHotPixels(pix []float32, width, height int, quantum float32) {
	if width < 5 || height < 5 {
		return
	}
	noise := max(sameColourNoise(pix, width), float64(quantum)/math.Sqrt(12))
	threshold := float32(hotSigma * noise)

	background := func(x, y int) float32 {
		var around [8]float32
		n := 0
		for dy := -2; dy <= 2; dy += 2 {
			for dx := -2; dx <= 2; dx += 2 {
				if dx != 0 || dy != 0 {
					around[n] = pix[mirror(y+dy, height)*width+mirror(x+dx, width)]
					n++
				}
			}
		}
		slices.Sort(around[:])
		return (around[3] + around[4]) / 2
	}
	type replacement struct {
		at    int
		value float32
	}
	var hot []replacement // of the last rows: what rows to come look at stays as it was
	for y := range height {
		up, down := mirror(y-2, height)*width, mirror(y+2, height)*width
		row := pix[y*width : (y+1)*width]
		for x, v := range row {
			limit := v - threshold
			if !(limit > pix[up+x] && limit > pix[down+x]) || !(limit > row[mirror(x-2, width)] && limit > row[mirror(x+2, width)]) {
				continue
			}
			b := background(x, y)
			var light float32
			for _, d := range [4][2]int{{-1, 0}, {1, 0}, {0, -1}, {0, 1}} {
				nx, ny := mirror(x+d[0], width), mirror(y+d[1], height)
				light += pix[ny*width+nx] - background(nx, ny)
			}
			if light/4 < hotShare*(v-b) {
				hot = append(hot, replacement{y*width + x, b})
			}
		}
		done := 0
		for ; done < len(hot) && hot[done].at < (y-2)*width; done++ {
			pix[hot[done].at] = hot[done].value
		}
		hot = append(hot[:0], hot[done:]...)
	}
	for _, r := range hot {
		pix[r.at] = r.value
	}
}

// sameColourNoise is the noise of a pixel, from the median difference of
// pixels two columns apart: for a Gaussian, 0.6745 sqrt(2) sigma.
func sameColourNoise(pix []float32, width int) float64 {
	// A step that shares no factor with the width would be ideal; an odd one
	// visits all four colours and many columns.
	step := max(1, len(pix)/noiseSamples) | 1
	differences := make([]float64, 0, len(pix)/step+1)
	for i := 0; i+2 < len(pix); i += step {
		if i%width+2 >= width {
			continue
		}
		if d := math.Abs(float64(pix[i+2] - pix[i])); d == d {
			differences = append(differences, d)
		}
	}
	if len(differences) == 0 {
		return 0
	}
	slices.Sort(differences)
	return differences[len(differences)/2] / (0.6745 * math.Sqrt2)
}

// mirror brings an index one or two beyond the border back inside, about the
// border pixel, so that it keeps its colour.
func mirror(i, n int) int {
	if i < 0 {
		return -i
	}
	if i >= n {
		return 2*n - 2 - i
	}
	return i
}
