package solve

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
	noiseStars = 48
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
	// mostLever: where a fit takes more of correlated noise with it, what it leaves is
	// too uncertain to tell of the rest.
	mostLever = 0.6
	// noisePart of the star's peak is the least value of pixels that count.
	noisePart = 0.1
)

// estimateNoise fits the noise model to the residuals of stars, each divided by
// one minus the pixel's leverage, by iterated weighted least squares.
func (p *prepared) estimateNoise(m *psf, sources []source) noiseModel {
	type residual struct{ model, half2, e2, sky2 float64 }
	var list []residual
	f := newFitter(p, m, noiseModel{rough2: sq(firstRough)})
	peak := m.top
	// A fit takes more of correlated noise with it: what it takes along each of its
	// parameters has a variance that is larger by their factors.
	alike := (m.alikeFlux + m.alikePos) / 2
	used := 0
	take := func(s source) {
		f.fit(&s, sources)
		if s.failed {
			return
		}
		used++
		for i, d := range f.data {
			v := float64(f.value[i])
			if d != d || v < noisePart*peak {
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
			if lever *= f.weight(model) * alike; lever > mostLever && alike > 1 {
				continue
			}
			e := d - f.fitted[3] - s.flux*(v+f.ex*g[1]+f.ey*g[2])
			list = append(list, residual{model, sq(s.flux * peak / 2), e * e / max(0.1, 1-lever), f.sky2})
		}
	}
	var clean []int
	for i := range sources {
		s := &sources[i]
		if !s.failed && s.full == 0 && !s.lone && !s.edge && !s.streak && s.misfit < largestMisfit && s.flux > noiseStarSigma*math.Sqrt(s.varF) {
			clean = append(clean, i)
		}
	}
	for _, i := range clean[:min(len(clean), noiseStars)] {
		take(sources[i])
	}
	if rest := clean[min(len(clean), noiseStars):]; len(rest) > 0 {
		for k := range min(len(rest), noiseStars) {
			take(sources[rest[k*len(rest)/min(len(rest), noiseStars)]])
		}
	}
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
	along := func(step int) [3]float64 {
		var spread [3]float64 // of differences at lags noiseLag, 1, 2
		var h histogram
		var v []float32
		for i, lag := range [3]int{noiseLag, 1, 2} {
			v = v[:0]
			for at := 0; at+noiseLag*step < len(img.Pix); at += stride {
				x, y := at%img.Width, at/img.Width
				if step == 1 && x+noiseLag >= img.Width {
					continue
				}
				d := img.Pix[at+lag*step] - img.Pix[at]
				if d-d != 0 {
					continue
				}
				level, n := sky.at(float64(x), float64(y))
				if n > quiet || math.Abs(float64(img.Pix[at])-level) > clipSigma*n {
					continue
				}
				if sky.dither > 0 {
					d += sky.dither * (dither(x, y) - dither(x+lag*step, y+1))
				}
				v = append(v, d/float32(n))
			}
			if len(v) < minTileSamples {
				return [3]float64{1, 0, 0}
			}
			_, spread[i] = h.clipped(v)
		}
		// Interpolation makes next neighbours more alike than the next but one;
		// stars in a crowded field make both alike.
		r1, r2 := 1-sq(spread[1]/spread[0]), 1-sq(spread[2]/spread[0])
		if math.Abs(r1) < leastCorrelation || r2 > r1/2 {
			return [3]float64{1, 0, 0}
		}
		return [3]float64{1, min(r1, 1), r2}
	}
	return noiseCorrelation{x: along(1), y: along(img.Width)}
}

// leastFactor: noise that alternates cancels in sums, but not for long.
const leastFactor = 0.25

// white tells whether pixels are independent.
func (n noiseCorrelation) white() bool {
	return n.x == [3]float64{1, 0, 0} && n.y == [3]float64{1, 0, 0}
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

// refine chooses profile and width again, now with the places of the fits:
// moments on few pixels are a little too wide.
func (p *prepared) refine(m *psf, sources []source, workers int) *psf {
	var stars []ellipse
	for i := range sources {
		s := &sources[i]
		if s.failed || s.full > 0 || s.lone || s.edge || s.streak || len(s.near) > 0 {
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
	p.misfit(best, stars, r)
	// Pattern search over ln(width) and, for stars, the wings.
	wing := slices.Index(moffats(), best.profile)
	for _, step := range refineSteps {
		for range refineRounds {
			var tried []*psf
			tried = append(tried, best.scaled(best.profile, 1+step), best.scaled(best.profile, 1/(1+step)))
			if wing > 0 {
				tried = append(tried, best.scaled(moffats()[wing-1], 1))
			}
			if wing >= 0 && wing < len(moffats())-1 {
				tried = append(tried, best.scaled(moffats()[wing+1], 1))
			}
			inParallel(workers, len(tried), func(_, i int) { p.misfit(tried[i], stars, r) })
			was := best
			for _, t := range tried {
				if t.misfit < best.misfit {
					best = t
				}
			}
			if best == was {
				break
			}
			wing = slices.Index(moffats(), best.profile)
		}
	}
	best.fromStars = len(stars)
	best.tabulate()
	return best
}

// Steps of relative width in the refinement, and rounds of each.
var refineSteps = []float64{0.12, 0.04, 0.013}

const refineRounds = 6

// scaled is the same model with another profile, f times as wide.
func (m *psf) scaled(p *profile, f float64) *psf {
	n := newPSF(m.canvas, p, f*f*m.xx, f*f*m.xy, f*f*m.yy, len(m.trail) > 1)
	n.ring = m.ring
	return n
}
