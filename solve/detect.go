package solve

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"runtime"
	"slices"

	"polard/mountmodel/sky"
)

// Image is what the detection works on.
type Image struct {
	Width, Height int
	Pix           []float32 // row-major luminance; NaN where there is no data
	Saturation    float32   // value at which pixels are full; 0 when unknown
}

// Star is a point source found in an image.
type Star struct {
	Pos        sky.Pixel
	Cov        [2][2]float64 // covariance of Pos, square pixels: xx, xy; xy, yy
	Flux       float64       // above the sky, in pixel values
	SNR        float64       // Flux over its standard deviation, in the matched filter
	FWHM       float64       // full width at half maximum, pixels (mean of both axes)
	Peak       float64       // highest pixel above the sky
	Elongation float64       // long axis over short axis, 1 is round
	Saturated  bool          // the core is full: place and flux come from what is around it
	Blended    bool          // the light overlaps that of a neighbour
	Edge       bool          // the light runs over the border or into missing data
}

// Detection is all that [Detect] found, brightest star first.
type Detection struct {
	Stars      []Star
	Background float64 // median sky level, pixel values
	Noise      float64 // median noise of a pixel
	FWHM       float64 // median of the good stars, pixels; 0 without stars
	Rejected   Rejected
}

// Rejected counts what was found and not taken for a star.
type Rejected struct {
	Hot    int // sharper than the optics can draw: hot pixels, cosmic rays
	Trails int // satellites, aircraft, blooming columns
	Blobs  int // larger than a star: nebulae, galaxies, lamps, clouds
	Faint  int // beyond the number of stars that are kept
}

// Thresholds of the detection.
const (
	// peakSigma is the height over the noise of the filtered image at which a
	// maximum counts. A frame of 2 megapixels holds about 2e5 independent
	// places at a FWHM of 3 pixels; Gaussian noise puts one false peak among them.
	peakSigma = 4.5
	// footSigma is the height down to which pixels belong to an object.
	footSigma = 3
	// prominenceSigma and prominencePart are how far a secondary maximum must
	// stand above its saddle, in noise units and as part of the saddle's height
	// (shot noise and the wings of bright stars are about as rough as that).
	prominenceSigma = 3.5
	prominencePart  = 0.04
	// maxStars bounds the list: more stars cost time in the match and add
	// nothing to the attitude.
	maxStars = 5000
	// minSide is the smallest image side that holds a star and its sky.
	minSide = 16
)

// Reasons why an image cannot be searched for stars.
var (
	ErrNoImage  = errors.New("not an image")
	ErrNoData   = errors.New("no usable pixels")
	ErrConstant = errors.New("all pixels have one value")
)

// Detect finds the stars of an image. It is deterministic and does not change
// the image; it uses up to GOMAXPROCS goroutines.
func Detect(img Image) (*Detection, error) {
	if img.Width < minSide || img.Height < minSide {
		return nil, fmt.Errorf("%w: %d x %d pixels, at least %d x %d are needed", ErrNoImage, img.Width, img.Height, minSide, minSide)
	}
	if len(img.Pix) != img.Width*img.Height {
		return nil, fmt.Errorf("%w: %d pixel values for %d x %d", ErrNoImage, len(img.Pix), img.Width, img.Height)
	}
	if err := checkValues(img); err != nil {
		return nil, err
	}
	workers := runtime.GOMAXPROCS(0)
	sky, ok := measureBackground(img, workers)
	if !ok {
		return nil, fmt.Errorf("%w: almost all are missing", ErrNoData)
	}
	d := &Detection{Background: median(sky.level), Noise: median(sky.noise)}

	width := firstFWHM
	var stars []Star
	for range filterRounds {
		var rej Rejected
		stars, rej = findStars(img, sky, width, workers)
		d.Rejected = rej
		d.FWHM = typicalFWHM(stars)
		if d.FWHM == 0 || math.Abs(d.FWHM/width-1) < sameWidth {
			break
		}
		width = min(max(d.FWHM, minFWHM), maxFWHM)
	}
	slices.SortFunc(stars, func(a, b Star) int {
		return cmp.Or(cmp.Compare(b.Flux, a.Flux), cmp.Compare(a.Pos.Y, b.Pos.Y), cmp.Compare(a.Pos.X, b.Pos.X))
	})
	if len(stars) > maxStars {
		d.Rejected.Faint = len(stars) - maxStars
		stars = stars[:maxStars]
	}
	d.Stars = stars
	return d, nil
}

// Widths of the matched filter.
const (
	firstFWHM    = 2.5
	minFWHM      = 1.3
	maxFWHM      = 15
	filterRounds = 3
	// sameWidth: a filter 25 percent off its best width loses 3 percent of
	// signal-to-noise, not worth another pass.
	sameWidth = 0.25
)

func checkValues(img Image) error {
	first := float32(math.NaN())
	valid, full := 0, 0
	constant := true
	for _, v := range img.Pix {
		if v-v != 0 {
			continue
		}
		if valid == 0 {
			first = v
		}
		valid++
		constant = constant && v == first
		if img.Saturation > 0 && v >= img.Saturation {
			full++
		}
	}
	switch {
	case valid < minTileSamples:
		return fmt.Errorf("%w: %d of %d have a value", ErrNoData, valid, len(img.Pix))
	case full > valid*9/10:
		return fmt.Errorf("%w: %d%% of the pixels are saturated: expose shorter", ErrNoData, 100*full/valid)
	case constant:
		return fmt.Errorf("%w (%g)", ErrConstant, first)
	}
	return nil
}

func median(v []float32) float64 {
	s := slices.Clone(v)
	slices.Sort(s)
	return float64(s[len(s)/2])
}

// typicalFWHM is the median width of clean stars, bright ones if there are enough; 0 if there are none.
func typicalFWHM(stars []Star) float64 {
	const enough, bright = 10, 15
	var all, good []float64
	for _, s := range stars {
		if s.Saturated || s.Blended || s.Edge || !(s.FWHM > 0) {
			continue
		}
		all = append(all, s.FWHM)
		if s.SNR > bright {
			good = append(good, s.FWHM)
		}
	}
	if len(good) >= enough {
		all = good
	}
	if len(all) == 0 {
		return 0
	}
	slices.Sort(all)
	return all[len(all)/2]
}

// run is a stretch of one row above the foot threshold.
type run struct {
	y, x0, x1 int32 // columns x0..x1-1
	val       int32 // index of the first value in the strip's values
	parent    int32 // union-find over runs
}

// strip is what one worker found in a band of rows.
type strip struct {
	runs []run
	vals []float32 // filtered image minus sky, in noise units, of all runs
}

// stripRows is the height of the bands that are filtered at one go: large
// beside the filter, small enough to share the work evenly.
const stripRows = 64

// findStars filters the image with a Gaussian of the given FWHM and measures every
// significant maximum.
func findStars(img Image, b *background, fwhm float64, workers int) ([]Star, Rejected) {
	k := gaussianKernel(fwhm)
	n := (img.Height + stripRows - 1) / stripRows
	strips := make([]strip, n)
	scratch := make([]*filterRows, workers)
	inParallel(workers, n, func(w, i int) {
		if scratch[w] == nil {
			scratch[w] = newFilterRows(img.Width, len(k)-1)
		}
		strips[i] = scratch[w].strip(img, b, k, i*stripRows, min(img.Height, (i+1)*stripRows))
	})
	objects, runs := connect(strips)
	peaks := make([][]peak, len(objects))
	inParallel(workers, len(objects), func(_, i int) {
		peaks[i] = objectPeaks(runs, objects[i])
	})
	flat := slices.Concat(peaks...)
	return measure(img, b, fwhm, flat, workers)
}

// gaussianKernel is the half of a symmetric kernel of unit sum: k[0] in the
// middle, k[i] at distance i, cut at 2.7 standard deviations.
func gaussianKernel(fwhm float64) []float32 {
	s := fwhm / fwhmPerSigma
	r := max(1, int(2.7*s+0.5))
	k := make([]float64, r+1)
	sum := 0.0
	for i := range k {
		k[i] = math.Exp(-float64(i*i) / (2 * s * s))
		sum += k[i]
		if i > 0 {
			sum += k[i]
		}
	}
	out := make([]float32, r+1)
	for i := range k {
		out[i] = float32(k[i] / sum)
	}
	return out
}

// fwhmPerSigma is 2 sqrt(2 ln 2).
const fwhmPerSigma = 2.354820045

// kernelNoise is the factor by which filtering with k along both axes lowers
// white noise.
func kernelNoise(k []float32) float64 {
	s := float64(k[0]) * float64(k[0])
	for _, v := range k[1:] {
		s += 2 * float64(v) * float64(v)
	}
	return s
}

// filterRows holds the buffers of one worker.
type filterRows struct {
	r            int
	padded       []float32   // one image row with r columns of sky on either side
	ring         [][]float32 // 2r+1 rows filtered along x
	level, noise []float32
	out          []float32
}

func newFilterRows(width, r int) *filterRows {
	f := &filterRows{r: r, padded: make([]float32, width+2*r), level: make([]float32, width), noise: make([]float32, width), out: make([]float32, width)}
	for range 2*r + 1 {
		f.ring = append(f.ring, make([]float32, width))
	}
	return f
}

// strip filters rows y0..y1-1 and collects the runs above the foot threshold.
func (f *filterRows) strip(img Image, b *background, k []float32, y0, y1 int) strip {
	var s strip
	inv := float32(1 / kernelNoise(k))
	for y := y0 - f.r; y < y1+f.r; y++ {
		row := f.ring[(y+f.r+1)%len(f.ring)]
		if y < 0 || y >= img.Height {
			clear(row) // beyond the border lies sky
		} else {
			f.alongX(img, b, k, y, row)
		}
		if yc := y - f.r; yc >= y0 {
			f.alongY(k, yc)
			b.row(yc, f.level, f.noise)
			f.collect(&s, yc, inv)
		}
	}
	return s
}

// alongX writes the filtered row, minus its sky, to row.
func (f *filterRows) alongX(img Image, b *background, k []float32, y int, row []float32) {
	w := img.Width
	b.row(y, f.level, f.noise)
	p := f.padded
	clear(p[:f.r])
	clear(p[f.r+w:])
	mid := p[f.r : f.r+w]
	src := img.Pix[y*w : (y+1)*w]
	for x, v := range src {
		d := v - f.level[x]
		if d-d != 0 {
			d = 0
		}
		mid[x] = d
	}
	k0 := k[0]
	for x := range row {
		row[x] = k0 * mid[x]
	}
	for i := 1; i < len(k); i++ {
		ki := k[i]
		left, right := p[f.r-i:f.r-i+w], p[f.r+i:f.r+i+w]
		for x := range row {
			row[x] += ki * (left[x] + right[x])
		}
	}
}

// alongY filters the ring of rows around y into out.
func (f *filterRows) alongY(k []float32, y int) {
	at := func(y int) []float32 { return f.ring[(y+f.r+1+len(f.ring))%len(f.ring)] }
	mid := at(y)
	for x := range f.out {
		f.out[x] = k[0] * mid[x]
	}
	for i := 1; i < len(k); i++ {
		ki := k[i]
		up, down := at(y-i), at(y+i)
		for x := range f.out {
			f.out[x] += ki * (up[x] + down[x])
		}
	}
}

// collect appends the runs of row y.
func (f *filterRows) collect(s *strip, y int, inv float32) {
	open := false
	for x, v := range f.out {
		v *= inv
		if !(v >= footSigma*f.noise[x]) {
			open = false
			continue
		}
		if !open {
			s.runs = append(s.runs, run{y: int32(y), x0: int32(x), val: int32(len(s.vals))})
			open = true
		}
		s.runs[len(s.runs)-1].x1 = int32(x + 1)
		s.vals = append(s.vals, v/f.noise[x])
	}
}

// runSet is all runs of the image with their values.
type runSet struct {
	runs []run
	vals []float32
}

// object is a set of connected runs that holds at least one significant pixel.
type object struct {
	runs []int32 // indices, ordered by row and column
}

// connect joins the runs of all strips into objects (8-connected).
func connect(strips []strip) ([]object, *runSet) {
	rs := &runSet{}
	for _, s := range strips {
		base := int32(len(rs.vals))
		for _, r := range s.runs {
			r.val += base
			r.parent = int32(len(rs.runs))
			rs.runs = append(rs.runs, r)
		}
		rs.vals = append(rs.vals, s.vals...)
	}
	find := func(i int32) int32 {
		for rs.runs[i].parent != i {
			rs.runs[i].parent = rs.runs[rs.runs[i].parent].parent
			i = rs.runs[i].parent
		}
		return i
	}
	prev, prevEnd := 0, 0 // runs of the row above
	for i := 0; i < len(rs.runs); {
		y := rs.runs[i].y
		end := i
		for end < len(rs.runs) && rs.runs[end].y == y {
			end++
		}
		if prevEnd > prev && rs.runs[prev].y == y-1 {
			a, c := prev, i
			for a < prevEnd && c < end {
				ra, rc := &rs.runs[a], &rs.runs[c]
				if ra.x0 <= rc.x1 && rc.x0 <= ra.x1 {
					pa, pc := find(int32(a)), find(int32(c))
					rs.runs[max(pa, pc)].parent = min(pa, pc)
				}
				if ra.x1 < rc.x1 {
					a++
				} else {
					c++
				}
			}
		}
		prev, prevEnd = i, end
		i = end
	}
	index := make(map[int32]int)
	var objects []object
	high := make([]bool, len(rs.runs))
	for i, r := range rs.runs {
		for _, v := range rs.vals[r.val : r.val+r.x1-r.x0] {
			if v >= peakSigma {
				high[find(int32(i))] = true
				break
			}
		}
	}
	for i := range rs.runs {
		root := find(int32(i))
		if !high[root] {
			continue
		}
		j, ok := index[root]
		if !ok {
			j = len(objects)
			index[root] = j
			objects = append(objects, object{})
		}
		objects[j].runs = append(objects[j].runs, int32(i))
	}
	return objects, rs
}

// peak is a significant maximum of the filtered image.
type peak struct {
	x, y   int32
	height float32 // noise units
	area   int32   // pixels that drain to this maximum
	multi  bool    // its object holds other maxima
	box    [4]int32
}

// objectPeaks finds the maxima of an object that stand out over their saddles:
// pixels are taken in falling order and joined; where two maxima meet, the
// lower one's prominence is known (persistence of the merge tree).
func objectPeaks(rs *runSet, o object) []peak {
	x0, x1 := int32(math.MaxInt32), int32(0)
	y0, y1 := rs.runs[o.runs[0]].y, rs.runs[o.runs[len(o.runs)-1]].y
	n := 0
	for _, i := range o.runs {
		r := rs.runs[i]
		x0, x1 = min(x0, r.x0), max(x1, r.x1)
		n += int(r.x1 - r.x0)
	}
	w, h := x1-x0+2, y1-y0+3 // a border all around
	label := make([]int32, w*h)
	type pixel struct {
		at int32
		v  float32
	}
	pix := make([]pixel, 0, n)
	for _, i := range o.runs {
		r := rs.runs[i]
		at := (r.y-y0+1)*w + r.x0 - x0 + 1
		for j, v := range rs.vals[r.val : r.val+r.x1-r.x0] {
			pix = append(pix, pixel{at + int32(j), v})
		}
	}
	slices.SortFunc(pix, func(a, b pixel) int { return cmp.Or(cmp.Compare(b.v, a.v), cmp.Compare(a.at, b.at)) })
	type basin struct {
		parent int32 // itself when a root
		keep   bool  // stood out when it met a higher one
		at     int32
		height float32
		area   int32
	}
	basins := []basin{{}} // label 0 is none
	find := func(i int32) int32 {
		for basins[i].parent != i {
			basins[i].parent = basins[basins[i].parent].parent
			i = basins[i].parent
		}
		return i
	}
	around := [8]int32{-w - 1, -w, -w + 1, -1, 1, w - 1, w, w + 1}
	for _, p := range pix {
		best := int32(0)
		for _, d := range around {
			// Bordering rows stay within label: the border is one wide, and the
			// last column shares it with the next row's first.
			l := label[p.at+d]
			if l == 0 {
				continue
			}
			l = find(l)
			if best == 0 || l == best {
				best = l
				continue
			}
			if basins[l].height > basins[best].height {
				best, l = l, best
			}
			low := &basins[l]
			low.keep = low.height-p.v >= max(prominenceSigma, prominencePart*p.v)
			low.parent = best
			if !low.keep {
				basins[best].area += low.area
			}
		}
		if best == 0 {
			best = int32(len(basins))
			basins = append(basins, basin{parent: best, keep: true, at: p.at, height: p.v})
		}
		label[p.at] = best
		basins[best].area++
	}
	var out []peak
	for _, b := range basins[1:] {
		if b.keep && b.height >= peakSigma {
			out = append(out, peak{x: b.at%w + x0 - 1, y: b.at/w + y0 - 1, height: b.height, area: b.area, box: [4]int32{x0, y0, x1 - 1, y1}})
		}
	}
	for i := range out {
		out[i].multi = len(out) > 1
	}
	return out
}
