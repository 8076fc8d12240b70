package detect

import (
	"math"
	"slices"
)

// What the errors of a fit are made of, measured on the frame itself.

// noiseModel is the variance of a pixel in a star's light: that of the sky, plus
// shot times the star's value there, plus rough2 times the square of half the star's peak.
// Shot is the inverse gain: pixel values for each electron. The last term stands
// for how stars differ from the PSF (a PSF that changes over the field, pixels
// that are not alike, drift): errors as large in the flanks as in the middle,
// which for the place of the star act like noise.
type noiseModel struct {
	shot, rough2 float64
}

const (
	// noiseStars clean stars show shot noise and roughness: the brightest, and
	// as many spread over the rest, since the one grows with the light and the
	// other with its square.
	noiseStars = 64
	// noiseStarSigma: fainter ones are all sky noise.
	noiseStarSigma = 6
	noiseRounds    = 8
	// noiseClip bounds one pixel's squared residual in units of its variance, so
	// that a neighbour or a cosmic ray does not speak for all; the mean of chi^2
	// clipped there is noiseClipMean.
	noiseClip     = 12.0
	noiseClipMean = 0.9943
	// firstRough is the roughness assumed until it is measured.
	firstRough = 0.02
)

// residual is what the pixels of a star leave in one sum over them, squared, with the means of
// what it should be made of.
type residual struct{ e2, sky2, model, half2 float64 }

// estimateNoise fits the noise model to the residuals of stars by iterated weighted
// least squares. A star that is wider than the PSF, or has other wings, leaves much, and all of
// it even about the centre: its place does not suffer. So only sums count that are odd; but where
// noise is alike from pixel to pixel, and that is known over two pixels only, single pixels.
func (p *prepared) estimateNoise(m *psf, sources []source, workers int) noiseModel {
	var clean []int
	for i := range sources {
		s := &sources[i]
		if !s.failed && s.full == 0 && !s.lone && !s.edge && !s.streak && s.misfit < largestMisfit && s.flux > noiseStarSigma*math.Sqrt(s.varF) {
			clean = append(clean, i)
		}
	}
	shown := clean[:min(len(clean), noiseStars)]
	if rest := clean[len(shown):]; len(rest) > 0 {
		shown = slices.Clone(shown)
		for k := range min(len(rest), noiseStars) {
			shown = append(shown, rest[k*len(rest)/min(len(rest), noiseStars)])
		}
	}
	fitters := newFitters(p, m, noiseModel{rough2: sq(firstRough)}, workers)
	left := make([][]residual, len(shown))
	inParallel(workers, len(shown), func(w, i int) {
		f, s := fitters[w], sources[shown[i]]
		switch f.fit(&s, sources); {
		case s.failed:
		case m.alike.white():
			left[i] = f.oddResiduals(&s)
		default:
			left[i] = f.pixelResiduals(&s)
		}
	})
	used := 0
	for _, l := range left {
		if l != nil {
			used++
		}
	}
	list := slices.Concat(left...)
	n := noiseModel{rough2: sq(firstRough)}
	if used < fewerStars {
		return n
	}
	for range noiseRounds {
		var a11, a12, a22, b1, b2 float64
		for _, r := range list {
			v := r.sky2 + n.shot*r.model + n.rough2*r.half2
			e2 := min(r.e2, noiseClip*v) / noiseClipMean
			w := 1 / (v * v)
			a11 += w * r.model * r.model
			a12 += w * r.model * r.half2
			a22 += w * r.half2 * r.half2
			b1 += w * r.model * (e2 - r.sky2)
			b2 += w * r.half2 * (e2 - r.sky2)
		}
		det := a11*a22 - a12*a12
		if !(det > 1e-9*a11*a22) {
			break
		}
		shot, rough2 := (b1*a22-b2*a12)/det, (a11*b2-a12*b1)/det
		switch {
		case rough2 < 0:
			shot, rough2 = max(0, b1/a11), 0
		case shot < 0:
			shot, rough2 = 0, max(0, b2/a22)
		}
		n = noiseModel{shot, rough2}
	}
	return n
}

// oddResiduals takes the sums of the last fit's residuals over its pixels, weighted as
// the fit was and with the odd modes. What the fit has taken out of the pixels is taken out
// of the modes, so that its errors are not in the sums.
func (f *fitter) oddResiduals(s *source) []residual {
	m, r := f.model, f.model.radius
	u0, v0 := s.at[0]-float64(f.cx), s.at[1]-float64(f.cy)
	var along, fitted [oddModes][4]float64
	var whole, power, sum, light [oddModes]float64
	each := func(do func(w, d float64, g [4]float64, mode *[oddModes]float64)) {
		i := 0
		for y := -r; y <= r; y++ {
			for x := -r; x <= r; x, i = x+1, i+1 {
				v, d := float64(f.value[i]), f.data[i]
				if d != d || v == 0 {
					continue
				}
				g := [4]float64{v, float64(f.dx[i]), float64(f.dy[i]), 1}
				mode := oddModesOf(g, float64(x)-u0, float64(y)-v0)
				do(f.weight(s.flux*v), d, g, &mode)
			}
		}
	}
	each(func(w, _ float64, g [4]float64, mode *[oddModes]float64) {
		for k := range mode {
			whole[k] += sq(w * mode[k])
			for j := range g {
				along[k][j] += w * mode[k] * g[j]
			}
		}
	})
	for k := range along {
		for i := range 4 {
			for j := range 4 {
				fitted[k][i] += f.inv[i][j] * along[k][j]
			}
		}
	}
	each(func(w, d float64, g [4]float64, mode *[oddModes]float64) {
		star := s.flux * g[0]
		e := d - f.fitted[3] - s.flux*(g[0]+f.ex*g[1]+f.ey*g[2])
		for k := range mode {
			h := mode[k]
			for j := range g {
				h -= fitted[k][j] * g[j]
			}
			sum[k] += w * h * e
			power[k] += sq(w * h)
			light[k] += sq(w*h) * star
		}
	})
	half2 := sq(s.flux * m.top / 2)
	list := make([]residual, 0, oddModes)
	for k := range sum {
		if power[k] > leastPivot*whole[k] { // else too few pixels tell
			list = append(list, residual{e2: sq(sum[k]) / power[k], sky2: f.sky2, model: light[k] / power[k], half2: half2})
		}
	}
	return list
}

const (
	// mostLever: where a fit takes more of correlated noise with it, what it leaves is
	// too uncertain to tell of the rest.
	mostLever = 0.6
	// noisePart of the star's peak is the least value of pixels that count.
	noisePart = 0.1
)

// pixelResiduals takes those of the last fit's single pixels, each divided by one minus its
// leverage. A fit takes more of correlated noise with it: what it takes along each of its
// parameters has a variance that is larger by their factors.
func (f *fitter) pixelResiduals(s *source) []residual {
	m := f.model
	list := make([]residual, 0, len(f.data))
	alike := (m.alikeFlux + f.alikePlace(s.flux)) / 2
	for i, d := range f.data {
		v := float64(f.value[i])
		if d != d || v < noisePart*m.top {
			continue
		}
		model := s.flux * v
		g := [4]float64{v, float64(f.dx[i]), float64(f.dy[i]), 1}
		lever := 0.0
		for j := range 4 {
			for k := range 4 {
				lever += g[j] * f.inv[j][k] * g[k]
			}
		}
		if lever *= f.weight(model) * alike; lever > mostLever {
			continue
		}
		e := d - f.fitted[3] - s.flux*(v+f.ex*g[1]+f.ey*g[2])
		list = append(list, residual{e2: e * e / max(0.1, 1-lever), sky2: f.sky2, model: model, half2: sq(s.flux * m.top / 2)})
	}
	return list
}

// noiseCorrelation is the correlation of the noise of pixels 0, 1 and 2 columns
// and rows apart: 1, 0, 0 for independent pixels. Interpolated colour mosaics
// and resampled frames differ from that.
type noiseCorrelation struct {
	x, y [3]float64
}

const (
	correlationSamples = 8192
	// leastCorrelation: the estimate is good to 0.02, and faint stars in crowded
	// fields make 0.1; smaller ones are taken as none.
	leastCorrelation = 0.15
	// alikeFar is the most that pixels two apart are alike, as a part of what neighbours are.
	alikeFar = 0.35
)

// measureCorrelation compares differences of pixels 1 and 2 apart with those
// noiseLag apart, on pixels spread over the frame.
func measureCorrelation(img Image, sky *skyMap) noiseCorrelation {
	stride := max(1, len(img.Pix)/correlationSamples) | 1
	// Only where it is quiet: a landscape or clouds in the frame are alike over
	// many pixels.
	levels := slices.Clone(sky.noise)
	slices.Sort(levels)
	quiet := 1.5 * float64(levels[len(levels)/4])
	type sample struct {
		at    int
		noise float32
	}
	var samples []sample
	for at := 0; at < len(img.Pix); at += stride {
		level, n := sky.at(float64(at%img.Width), float64(at/img.Width))
		if n <= quiet && math.Abs(float64(img.Pix[at])-level) <= clipSigma*n {
			samples = append(samples, sample{at, float32(n)})
		}
	}
	along := func(step int) [3]float64 {
		var spread [3]float64 // of differences at lags noiseLag, 1, 2
		var h histogram
		v := make([]float32, 0, len(samples))
		for i, lag := range [3]int{noiseLag, 1, 2} {
			v = v[:0]
			for _, s := range samples {
				x, y := s.at%img.Width, s.at/img.Width
				if s.at+noiseLag*step >= len(img.Pix) || step == 1 && x+noiseLag >= img.Width {
					continue
				}
				d := img.Pix[s.at+lag*step] - img.Pix[s.at]
				if d-d != 0 {
					continue
				}
				if sky.dither > 0 {
					d += sky.dither * (dither(x, y) - dither(x+lag*step, y+1))
				}
				v = append(v, d/s.noise)
			}
			if len(v) < minTileSamples {
				return [3]float64{1, 0, 0}
			}
			_, spread[i] = h.clipped(v)
		}
		// Interpolation makes next neighbours far more alike than the next but one ([1 2 1] four times
		// as much, linear ones leave none); stars in a crowded field make both alike.
		r1, r2 := 1-sq(spread[1]/spread[0]), 1-sq(spread[2]/spread[0])
		if math.Abs(r1) < leastCorrelation || r2 > alikeFar*r1 {
			return [3]float64{1, 0, 0}
		}
		return [3]float64{1, min(r1, 1), r2}
	}
	return noiseCorrelation{x: along(1), y: along(img.Width)}
}

// leastFactor: noise that alternates cancels in sums, but not for long.
const leastFactor = 0.25

// whiteNoise is that of independent pixels.
var whiteNoise = noiseCorrelation{x: [3]float64{1, 0, 0}, y: [3]float64{1, 0, 0}}

// white tells whether pixels are independent.
func (n noiseCorrelation) white() bool {
	return n == whiteNoise
}

// factor is how much larger the variance of the sum of pixels with the weights
// w (side by side squares) is than for independent pixels.
func (n noiseCorrelation) factor(w []float32, side int) float64 {
	if n.white() {
		return 1
	}
	var sum, self float64
	for y := range side {
		for x := range side {
			v := float64(w[y*side+x])
			if v == 0 {
				continue
			}
			self += v * v
			for j := max(0, y-2); j <= min(side-1, y+2); j++ {
				for i := max(0, x-2); i <= min(side-1, x+2); i++ {
					sum += v * float64(w[j*side+i]) * n.x[absInt(i-x)] * n.y[absInt(j-y)]
				}
			}
		}
	}
	if self == 0 {
		return 1
	}
	return max(leastFactor, sum/self)
}

// refine chooses profile and shape again, now with the places of the fits:
// moments on few pixels are a little too wide, and scatter with the places in them.
func (p *prepared) refine(m *psf, sources []source, workers int) *psf {
	var stars []ellipse
	for i := range sources {
		s := &sources[i]
		if s.failed || s.full > 0 || s.lone || s.edge || s.streak || len(s.near) > 0 {
			continue
		}
		if s.flux < refineSigma*math.Sqrt(s.varF) {
			continue // perhaps noise, which has the shape of a pixel
		}
		// The crest of a landscape or a cloud would draw the PSF to its own size.
		if long, short := m.relative(s.size); long*short > streakSize*streakSize {
			continue
		}
		stars = append(stars, ellipse{x: s.at[0], y: s.at[1]})
		if len(stars) == modelStars {
			break
		}
	}
	if len(stars) < fewerStars {
		return m
	}
	best := m.scaled(m.profile, 1)
	r := best.radius
	p.misfits([]*psf{best}, stars, r, workers)
	search := shapeSearch{p: p, stars: stars, radius: r, workers: workers}
	for _, step := range refineSteps {
		best = search.vertex(best, step, width)
		if !best.ring && len(best.trail) == 1 {
			best = search.vertex(best, step, stretch)
			best = search.vertex(best, step, shear)
		}
		// Wings and width change together.
		for range mostWings {
			was, wing := best, slices.Index(moffats(), best.profile)
			if wing < 0 {
				break
			}
			for _, w := range [2]int{wing - 1, wing + 1} {
				if w < 0 || w == len(moffats()) {
					continue
				}
				other := was.scaled(moffats()[w], 1)
				p.misfits([]*psf{other}, stars, r, workers)
				if other = search.vertex(other, step, width); other.misfit < best.misfit {
					best = other
				}
			}
			if best == was {
				break
			}
		}
	}
	best.fromStars = len(stars)
	best.tabulate()
	return best
}

// mostWings steps of the wings are taken: the best of those tried at first lies no
// farther away, and misfits that fall by less and less could go on for ever.
const mostWings = wingsTried/2 + 1

// refineSigma is the signal-to-noise of a star that may tell the PSF.
const refineSigma = 8

// refineSteps are the relative steps of width and shape in the refinement.
var refineSteps = []float64{0.08, 0.02}

// shapeSearch looks for the shape that leaves the least misfit.
type shapeSearch struct {
	p       *prepared
	stars   []ellipse
	radius  int
	workers int
}

// vertex varies one number of a model's shape by a step either way and to the vertex of
// the parabola through the squares of the misfits, and gives the best of all.
func (s *shapeSearch) vertex(m *psf, step float64, vary func(m *psf, by float64) *psf) *psf {
	tried := []*psf{vary(m, -step), vary(m, step)}
	s.p.misfits(tried, s.stars, s.radius, s.workers)
	less, more, here := sq(tried[0].misfit), sq(tried[1].misfit), sq(m.misfit)
	if bend := less + more - 2*here; bend > 0 {
		at := step * max(-farthestVertex, min(farthestVertex, (less-more)/(2*bend)))
		there := vary(m, at)
		s.p.misfits([]*psf{there}, s.stars, s.radius, s.workers)
		tried = append(tried, there)
	}
	best := m
	for _, t := range tried {
		if t.misfit < best.misfit {
			best = t
		}
	}
	return best
}

// farthestVertex bounds the way to the vertex, in steps.
const farthestVertex = 3

// Shapes that differ from a model's by a relative width, by a stretch along the columns
// at the cost of the rows, or by one between them.
func width(m *psf, by float64) *psf   { return m.scaled(m.profile, 1+by) }
func stretch(m *psf, by float64) *psf { return m.reshaped(1+by, 0, 1/(1+by)) }
func shear(m *psf, by float64) *psf   { return m.reshaped(1, by, 1) }

// reshaped is the same model with moments L S L^T, where L L^T are its own (Cholesky): S,
// of the given xx, xy and yy, tells the change in units of the star, however that is drawn out.
func (m *psf) reshaped(xx, xy, yy float64) *psf {
	a := math.Sqrt(m.xx)
	b := m.xy / a
	c := math.Sqrt(m.yy - b*b)
	return newPSF(m.canvas, m.profile, a*a*xx, a*(b*xx+c*xy), b*b*xx+2*b*c*xy+c*c*yy, false)
}

// scaled is the same model with another profile, f times as wide.
func (m *psf) scaled(p *profile, f float64) *psf {
	n := newPSF(m.canvas, p, f*f*m.xx, f*f*m.xy, f*f*m.yy, len(m.trail) > 1)
	n.ring = m.ring
	return n
}
