package fit

import (
	"math"

	"polard/solve/detect/raster"
)

// pixelSums are sums over the pixels of a fit that tell how well it describes them.
type pixelSums struct {
	skyVar           float64 // the part of the flux' variance that is noise of the sky
	lost, total      float64 // light of the star in pixels of no use, and in all
	res, resVar      float64 // squared residuals in the core, and what noise makes of them
	res2Var, power   float64 // variance of the squares; squared light of the star
	chi2, pixels     float64 // of the core
	star, hot, pixel float64 // chi^2 of a star, of nothing, and what the brightest pixel has of that
	seen, drawn      weighted
}

// judge gives the errors of a fit and how well it describes the pixels.
func (f *fitter) judge(s *Source) {
	m := f.model
	l := f.sums(s)
	s.FluxVar = m.FluxFactor * f.sky2 * l.skyVar
	f2 := s.Flux * s.Flux
	second := 1 + secondOrder*s.FluxVar/f2
	// A star that differs from the PSF more than others do (an unseen companion)
	// has a place that is off by more: its errors grow with its chi^2.
	// The cube root of chi^2 is nearly normal (Wilson and Hilferty 1931, PNAS 17, 684).
	if free := l.pixels - 4; free > 0 && math.Cbrt(l.chi2/free) > 1-2/(9*free)+ClearResidual*math.Sqrt(2/(9*free)) {
		second *= l.chi2 / free
	}
	if !m.Correlation.White() {
		second *= f.correlatedPlace(s.Flux)
	}
	pos := func(a, b int) float64 {
		return second * f.inv[a][b] / f2
	}
	s.PosVar = raster.Moments{XX: pos(1, 1), XY: pos(1, 2), YY: pos(2, 2)}
	power := max(l.power, math.SmallestNonzeroFloat32)
	s.Residual = math.Sqrt(max(0, l.res-l.resVar) / power)
	s.ResidualErr = math.Sqrt(l.res2Var) / power
	s.Edge = l.lost > edgeShare*l.total && s.Full == 0
	s.Hot = m.Scale == 1 && s.Full == 0 && l.hot-l.pixel < l.star+f.HotOdds
	s.Size = starMoments(m, &l.seen, &l.drawn)
}

// sums sums over the pixels of the last fit.
func (f *fitter) sums(s *Source) (l pixelSums) {
	m := f.model
	core2 := sq(max(1, coreRadius*m.FWHM()))
	r := m.Radius
	i := 0
	for y := -r; y <= r; y++ {
		for x := -r; x <= r; x, i = x+1, i+1 {
			v, d := float64(f.value[i]), f.data[i]
			if v == 0 {
				continue
			}
			l.total += v
			if d != d {
				l.lost += v
				continue
			}
			g := [4]float64{v, float64(f.dx[i]), float64(f.dy[i]), 1}
			star := max(0, s.Flux*v)
			w := f.weight(star)
			share := w * (f.inv[0][0]*g[0] + f.inv[0][1]*g[1] + f.inv[0][2]*g[2] + f.inv[0][3])
			l.skyVar += share * share
			model := s.Flux * (v + f.ex*g[1] + f.ey*g[2])
			net := d - f.fitted[3]
			l.seen.add(float64(x), float64(y), v*net)
			l.drawn.add(float64(x), float64(y), v*model)
			if float64(x*x+y*y) > core2 {
				continue
			}
			e := net - model
			pv := f.sky2 + f.Noise.Shot*star
			l.res += e * e
			l.resVar += f.sky2
			l.chi2 += e * e / (1/w + sq(drawnError*model))
			l.pixels++
			l.res2Var += 2 * pv * pv
			l.power += model * model
			// A hot pixel against a star, with an error of the PSF allowed.
			l.star += e * e / (pv + sq(hotPSFError)*model*model)
			q := net * net / pv
			l.hot += q
			if net > 0 {
				l.pixel = max(l.pixel, q)
			}
		}
	}
	return l
}

// drawnError is the relative error of a pixel of the PSF itself, from steps of its width and wings and
// from what few stars tell of it: it is alike in all stars and moves none. A star that differs from
// the PSF by more differs from the others.
const drawnError = 0.005

// correlatedPlace is how many times larger than for independent pixels the variance of the fitted
// place is: that of the sums over pixels that make it.
func (f *fitter) correlatedPlace(flux float64) float64 {
	m := f.model
	factor := 0.0
	sum := make([]float32, len(f.data))
	for axis := 1; axis <= 2; axis++ {
		clear(sum)
		for i, d := range f.data {
			v := float64(f.value[i])
			if d != d || v == 0 {
				continue
			}
			g := [4]float64{v, float64(f.dx[i]), float64(f.dy[i]), 1}
			share := 0.0
			for j := range g {
				share += f.inv[axis][j] * g[j]
			}
			sum[i] = float32(share * f.weight(flux*v) / flux)
		}
		factor += m.Correlation.Factor(sum, m.Side) / 2
	}
	return factor
}

// hotPSFError is the relative error of the PSF that a star may have beside a hot
// pixel; it matters only where both are far above the noise.
const hotPSFError = 0.2

// secondOrder: linear propagation holds for small errors only; the variance of
// a fitted place exceeds it by this over the square of the signal-to-noise.
// Measured on simulated stars: 5 to 8 at FWHM from 1.6 to 4 pixels and
// signal-to-noise from 5 to 20 (TestCovarianceIsTrue).
const secondOrder = 6
