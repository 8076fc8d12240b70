package detect

import (
	"math"
	"slices"
)

// Centroids: each star is fitted with the frame's PSF by weighted least
// squares, its neighbours subtracted (the method of DAOPHOT: Stetson 1987, PASP
// 99, 191, section III.D). Position errors come from the noise of the pixels,
// propagated through the weights that were used.

const (
	// fitRounds bounds the steps of one fit; three are the rule.
	fitRounds = 8
	// largestStep of a position in one round, canvas pixels.
	largestStep = 0.7
	// stillFlux is the relative change of flux below which its weights are final.
	stillFlux = 0.02
	// strayLimit: a fit that leaves its maximum by more than this share of the
	// FWHM plus half a pixel describes something else.
	strayLimit = 0.8
	// fewestPixels of the fit must be valid: four parameters and some rest.
	fewestPixels = 8
	// edgeShare of a star's light missing makes it an edge star.
	edgeShare = 0.05
	// coreRadius, in FWHM, bounds the pixels that tell a star from something else.
	coreRadius = 0.75
)

// fitter is the work space of one goroutine, and the state of its last fit.
type fitter struct {
	p     *prepared
	m     *psf
	noise noiseModel

	model         *psf          // the rung of m that was fitted
	data          []float64     // canvas less neighbours, NaN where of no use
	value, dx, dy []float32     // tables of the last round
	sky2          float64       // variance of the sky in a canvas pixel
	base          float64       // the same with the star's roughness
	inv           [4][4]float64 // inverse of the normal matrix
	fitted        [4]float64    // flux, flux*ex, flux*ey, sky
	ex, ey        float64       // from the tables' phase to the star
	cx, cy        int           // pixel in the middle of data
}

func newFitter(p *prepared, m *psf, noise noiseModel) *fitter {
	return &fitter{p: p, m: m, noise: noise}
}

// newFitters makes one for each worker.
func newFitters(p *prepared, m *psf, noise noiseModel, workers int) []*fitter {
	f := make([]*fitter, workers)
	for i := range f {
		f[i] = newFitter(p, m, noise)
	}
	return f
}

// weight is the inverse variance of a pixel in which the star has the given value.
func (f *fitter) weight(star float64) float64 {
	return 1 / (f.base + f.noise.shot*max(0, star))
}

// Another width of the PSF is tried for a star that differs from it clearly.
const (
	// oddMisfit is the misfit from which it is; it must also be clearMisfit
	// times what noise alone gives.
	oddMisfit = 0.2
	// mostFitted widths are tried for one star.
	mostFitted = 2
	// spoiltMisfit is the misfit from which single pixels are looked at: those
	// spoiltSigma above the star, which may itself be wrong by spoiltRough,
	// belong to a cosmic ray, a hot pixel or a faint neighbour.
	spoiltMisfit = 0.1
	spoiltSigma  = 6
	spoiltRough  = 0.4
)

// dropSpoilt drops such pixels and tells whether there were any.
func (f *fitter) dropSpoilt() bool {
	dropped := false
	for i, d := range f.data {
		v := float64(f.value[i])
		if d != d || v == 0 {
			continue
		}
		model := f.fitted[0] * (v + f.ex*float64(f.dx[i]) + f.ey*float64(f.dy[i]))
		e := d - f.fitted[3] - model
		if e > 0 && e*e > sq(spoiltSigma)*(f.sky2+f.noise.shot*max(0, model)+sq(spoiltRough*model)) {
			f.data[i] = math.NaN()
			dropped = true
		}
	}
	return dropped
}

// refit solves once more with the pixels that are left.
func (f *fitter) refit(s *source) {
	oldX, oldY := f.ex, f.ey
	if !f.solve(s.flux) || !(f.fitted[0] > 0) {
		s.failed = true
		return
	}
	s.flux = f.fitted[0]
	s.at[0] += f.ex - oldX
	s.at[1] += f.ey - oldY
	f.judge(s)
}

// fitBest fits the source with the width of the PSF that suits it: lenses draw
// stars wider in the corners, galaxies are wider, cosmic rays sharper.
func (f *fitter) fitBest(s *source, last []source) {
	f.fit(s, last)
	if !s.failed && s.misfit > spoiltMisfit && sq(s.misfit) > clearMisfit*s.misfitErr && f.dropSpoilt() {
		f.refit(s)
	}
	for range mostFitted {
		if s.failed || s.full > 0 || s.streak || s.misfit < oddMisfit || sq(s.misfit) < clearMisfit*s.misfitErr {
			return
		}
		rung := f.m.rungFor(s.size)
		if rung == s.rung {
			return
		}
		other := *s
		other.rung = rung
		f.fit(&other, last)
		if other.failed || other.misfit > s.misfit {
			return
		}
		*s = other
	}
}

// fit improves one source and judges it. last holds all sources before this sweep.
func (f *fitter) fit(s *source, last []source) {
	if f.settle(s, last) {
		f.judge(s)
	}
}

// settle improves flux and place of one source; it tells whether there is one.
func (f *fitter) settle(s *source, last []source) bool {
	m, c := s.model(f.m), f.m.canvas
	f.model = m
	*s = source{peak: s.peak, at: s.at, flux: s.flux, near: s.near, rung: s.rung, wide: s.wide}
	long, _ := ellipseAxes(m.xx, m.xy, m.yy)
	_, sigma := f.p.sky.at(c.imagePixel(s.at[0]), c.imagePixel(s.at[1]))
	f.sky2 = sq(sigma / float64(c.scale))
	half := 0.5 / float64(m.steps)
	for round := range fitRounds {
		x, y := int(math.Round(s.at[0])), int(math.Round(s.at[1]))
		if round == 0 || x != f.cx || y != f.cy {
			f.cx, f.cy = x, y
			f.load(s, x, y, last)
		}
		var restX, restY float64
		f.value, f.dx, f.dy, restX, restY = m.table(s.at[0]-float64(f.cx), s.at[1]-float64(f.cy))
		f.base = f.sky2 + f.noise.rough2*sq(s.flux*m.top/2)
		if !f.solve(s.flux) || !(f.fitted[0] > 0) {
			s.failed = true
			return false
		}
		change := math.Abs(f.fitted[0]-s.flux) / f.fitted[0]
		s.flux = f.fitted[0]
		stepX, stepY := f.ex-restX, f.ey-restY
		if d := math.Hypot(stepX, stepY); d > largestStep {
			stepX, stepY = stepX*largestStep/d, stepY*largestStep/d
		}
		s.at[0] += stepX
		s.at[1] += stepY
		if math.Hypot(s.at[0]-float64(s.x), s.at[1]-float64(s.y)) > strayLimit*fwhmPerSigma*long+0.5 {
			s.failed = true
			return false
		}
		if change < stillFlux && max(math.Abs(f.ex), math.Abs(f.ey)) <= 1.2*half {
			break
		}
	}
	return true
}

// normal are the normal equations of a star's pixels: flux*value + flux*ex*dx + flux*ey*dy + sky.
type normal struct {
	a [4][4]float64 // the upper half
	b [4]float64
}

// add takes a pixel of weight w and value d, where the star of unit flux has v with the
// derivatives gx and gy by its place.
func (n *normal) add(v, gx, gy, w, d float64) {
	wv, wx, wy := w*v, w*gx, w*gy
	n.a[0][0] += wv * v
	n.a[0][1] += wv * gx
	n.a[0][2] += wv * gy
	n.a[0][3] += wv
	n.a[1][1] += wx * gx
	n.a[1][2] += wx * gy
	n.a[1][3] += wx
	n.a[2][2] += wy * gy
	n.a[2][3] += wy
	n.a[3][3] += w
	n.b[0] += wv * d
	n.b[1] += wx * d
	n.b[2] += wy * d
	n.b[3] += w * d
}

// solve makes and solves the normal equations, with weights for the given flux.
func (f *fitter) solve(flux float64) bool {
	var sum normal
	n := 0
	for i, d := range f.data {
		v := float64(f.value[i])
		if d != d || v == 0 {
			continue
		}
		n++
		sum.add(v, float64(f.dx[i]), float64(f.dy[i]), f.weight(flux*v), d)
	}
	if n < fewestPixels {
		return false
	}
	var ok bool
	if f.inv, ok = invert4(sum.a); !ok {
		return false
	}
	for i := range 4 {
		f.fitted[i] = 0
		for j := range 4 {
			f.fitted[i] += f.inv[i][j] * sum.b[j]
		}
	}
	f.ex, f.ey = f.fitted[1]/f.fitted[0], f.fitted[2]/f.fitted[0]
	return true
}

// load copies the pixels around (cx, cy), NaN where they are of no use, with
// the light of the neighbours taken off.
func (f *fitter) load(s *source, cx, cy int, last []source) {
	m, c := f.model, f.m.canvas
	r := m.radius
	if n := m.side * m.side; cap(f.data) < n {
		f.data = make([]float64, n)
	} else {
		f.data = f.data[:n]
	}
	s.full = 0
	i := 0
	for y := cy - r; y <= cy+r; y++ {
		x0, x1 := max(0, cx-r), min(c.width, cx+r+1)
		if y < 0 || y >= c.height || x0 >= x1 {
			for range m.side {
				f.data[i] = math.NaN()
				i++
			}
			continue
		}
		for x := cx - r; x < x0; x++ {
			f.data[i] = math.NaN()
			i++
		}
		for _, v := range c.pix[y*c.width+x0 : y*c.width+x1] {
			f.data[i] = float64(v)
			i++
		}
		for x := x1; x <= cx+r; x++ {
			f.data[i] = math.NaN()
			i++
		}
		f.dropUseless(s, f.data[i-m.side:i], cx-r, y)
	}
	if s.full > bleedPixels {
		f.maskAround()
	}
	for _, j := range s.near {
		o := &last[j]
		if o.failed || !(o.flux > 0) {
			continue
		}
		om := o.model(f.m)
		ro := om.radius
		ox, oy := int(math.Round(o.at[0])), int(math.Round(o.at[1]))
		value, dx, dy, restX, restY := om.table(o.at[0]-float64(ox), o.at[1]-float64(oy))
		for y := max(cy-r, oy-ro); y <= min(cy+r, oy+ro); y++ {
			for x := max(cx-r, ox-ro); x <= min(cx+r, ox+ro); x++ {
				k := (y-oy+ro)*om.side + x - ox + ro
				f.data[(y-cy+r)*m.side+x-cx+r] -= o.flux * (float64(value[k]) + restX*float64(dx[k]) + restY*float64(dy[k]))
			}
		}
	}
}

// dropUseless drops the pixels of a row of data, the first of which is at (x0, y) of the
// canvas, that have no value or are full.
func (f *fitter) dropUseless(s *source, row []float64, x0, y int) {
	p, c := f.p, f.m.canvas
	checkBad, checkFull := c.scale == 1, p.fullInRow(c, y)
	if !checkBad && !checkFull {
		return
	}
	for x := max(0, x0); x < min(c.width, x0+len(row)); x++ {
		if checkBad && p.bad.Get(x, y) {
			row[x-x0] = math.NaN()
		}
		if checkFull && p.fullIn(c, x, y) {
			row[x-x0] = math.NaN()
			s.full++
		}
	}
}

// bleedPixels: smaller cores hardly bleed, and what is next to them is most of
// what is known of the star.
const bleedPixels = 5

// maskAround masks the neighbours of saturated pixels too: what bleeds fills them
// in part.
func (f *fitter) maskAround() {
	n := f.model.side
	was := slices.Clone(f.data)
	for y := range n {
		for x := range n {
			if was[y*n+x] == was[y*n+x] {
				continue
			}
			for j := max(0, y-1); j <= min(n-1, y+1); j++ {
				for i := max(0, x-1); i <= min(n-1, x+1); i++ {
					f.data[j*n+i] = math.NaN()
				}
			}
		}
	}
}

// judge gives the errors of a fit and how well it describes the pixels.
func (f *fitter) judge(s *source) {
	m := f.model
	var skyVar float64 // the part of the flux' variance that is noise of the sky
	core2 := sq(max(1, coreRadius*m.fwhm()))
	var res, resVar, res2Var, power, lost, total float64
	var chiStar, chiLone, chiPixel float64
	var chi2, pixels float64
	var seen, drawn weighted
	r := m.radius
	i := 0
	for y := -r; y <= r; y++ {
		for x := -r; x <= r; x, i = x+1, i+1 {
			v, d := float64(f.value[i]), f.data[i]
			if v == 0 {
				continue
			}
			total += v
			if d != d {
				lost += v
				continue
			}
			g := [4]float64{v, float64(f.dx[i]), float64(f.dy[i]), 1}
			star := max(0, s.flux*v)
			w := f.weight(star)
			share := w * (f.inv[0][0]*g[0] + f.inv[0][1]*g[1] + f.inv[0][2]*g[2] + f.inv[0][3])
			skyVar += share * share
			model := s.flux * (v + f.ex*g[1] + f.ey*g[2])
			net := d - f.fitted[3]
			seen.add(float64(x), float64(y), v*net)
			drawn.add(float64(x), float64(y), v*model)
			if float64(x*x+y*y) > core2 {
				continue
			}
			e := net - model
			pv := f.sky2 + f.noise.shot*star
			res += e * e
			resVar += f.sky2
			chi2 += e * e / (1/w + sq(drawnError*model))
			pixels++
			res2Var += 2 * pv * pv
			power += model * model
			// A lone pixel against a star, with the star's roughness allowed.
			chiStar += e * e / (pv + sq(loneRough)*model*model)
			q := net * net / pv
			chiLone += q
			if net > 0 {
				chiPixel = max(chiPixel, q)
			}
		}
	}
	s.varF = m.alikeFlux * f.sky2 * skyVar
	f2 := s.flux * s.flux
	second := 1 + secondOrder*s.varF/f2
	// A star that differs from the PSF more than others do (an unseen companion)
	// has a place that is off by more: its errors grow with its chi^2.
	// The cube root of chi^2 is nearly normal (Wilson and Hilferty 1931, PNAS 17, 684).
	if free := pixels - 4; free > 0 && math.Cbrt(chi2/free) > 1-2/(9*free)+clearMisfit*math.Sqrt(2/(9*free)) {
		second *= chi2 / free
	}
	if !m.alike.white() {
		second *= f.alikePlace(s.flux)
	}
	pos := func(a, b int) float64 {
		return second * f.inv[a][b] / f2
	}
	s.varPos = [3]float64{pos(1, 1), pos(1, 2), pos(2, 2)}
	power = max(power, math.SmallestNonzeroFloat32)
	s.misfit = math.Sqrt(max(0, res-resVar) / power)
	s.misfitErr = math.Sqrt(res2Var) / power
	s.edge = lost > edgeShare*total && s.full == 0
	s.lone = m.canvas.scale == 1 && s.full == 0 && chiLone-chiPixel < chiStar+f.p.loneOdds
	s.size = starMoments(m, &seen, &drawn)
}

// drawnError is the relative error of a pixel of the PSF itself, from steps of its width and wings and
// from what few stars tell of it: it is alike in all stars and moves none. A star that differs from
// the PSF by more differs from the others.
const drawnError = 0.005

// alikePlace is how many times larger than for independent pixels the variance of the fitted
// place is: that of the sums over pixels that make it.
func (f *fitter) alikePlace(flux float64) float64 {
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
		factor += m.alike.factor(sum, m.side) / 2
	}
	return factor
}

// loneRough is the relative error of the PSF that a star may have beside a lone
// pixel; it matters only where both are far above the noise.
const loneRough = 0.2

// secondOrder: linear propagation holds for small errors only; the variance of
// a fitted place exceeds it by this over the square of the signal-to-noise.
// Measured on simulated stars: 5 to 8 at FWHM from 1.6 to 4 pixels and
// signal-to-noise from 5 to 20 (TestCovarianceIsTrue).
const secondOrder = 6

// weighted sums second moments.
type weighted struct{ w, x, y, xx, xy, yy float64 }

func (m *weighted) add(x, y, w float64) {
	m.w += w
	m.x += w * x
	m.y += w * y
	m.xx += w * x * x
	m.xy += w * x * y
	m.yy += w * y * y
}

// inverse is the inverse of the central second moments.
func (m *weighted) inverse() (inv [3]float64, ok bool) {
	if !(m.w > 0) {
		return inv, false
	}
	x, y := m.x/m.w, m.y/m.w
	return invert2([3]float64{m.xx/m.w - x*x, m.xy/m.w - x*y, m.yy/m.w - y*y})
}

func invert2(a [3]float64) (inv [3]float64, ok bool) {
	det := a[0]*a[2] - a[1]*a[1]
	if !(det > 0 && a[0] > 0) {
		return inv, false
	}
	return [3]float64{a[2] / det, -a[1] / det, a[0] / det}, true
}

// starMoments is the star's own size: under a window like the PSF the inverse
// moments of star and window add (both Gaussian), so what the star's differ
// from the model's is how its own differ from the PSF's.
func starMoments(m *psf, seen, drawn *weighted) [3]float64 {
	own := [3]float64{m.xx, m.xy, m.yy}
	base, ok0 := invert2(own)
	a, ok1 := seen.inverse()
	b, ok2 := drawn.inverse()
	if !ok0 || !ok1 || !ok2 {
		return own
	}
	size, ok := invert2([3]float64{base[0] + a[0] - b[0], base[1] + a[1] - b[1], base[2] + a[2] - b[2]})
	// Beyond four times the PSF the window decides.
	if !ok || math.Sqrt(size[0]+size[2]) > 4*math.Sqrt(m.xx+m.yy) {
		if seen.xx*seen.w > drawn.xx*drawn.w {
			return [3]float64{16 * m.xx, 16 * m.xy, 16 * m.yy}
		}
		return own
	}
	return size
}

// invert4 inverts a symmetric positive matrix of which the upper half is
// given. ok is false when it is singular.
func invert4(a [4][4]float64) (inv [4][4]float64, ok bool) {
	// Scale to a unit diagonal: the parameters have different units.
	var d [4]float64
	for i := range 4 {
		if !(a[i][i] > 0) {
			return inv, false
		}
		d[i] = 1 / math.Sqrt(a[i][i])
	}
	var l [4][4]float64
	for i := range 4 {
		for j := range i + 1 {
			sum := a[j][i] * d[i] * d[j]
			for k := range j {
				sum -= l[i][k] * l[j][k]
			}
			if i == j {
				if sum < leastPivot {
					return inv, false
				}
				l[i][i] = math.Sqrt(sum)
			} else {
				l[i][j] = sum / l[j][j]
			}
		}
	}
	for col := range 4 {
		var y [4]float64
		for i := range 4 {
			sum := 0.0
			if i == col {
				sum = 1
			}
			for k := range i {
				sum -= l[i][k] * y[k]
			}
			y[i] = sum / l[i][i]
		}
		for i := 3; i >= 0; i-- {
			sum := y[i]
			for k := i + 1; k < 4; k++ {
				sum -= l[k][i] * inv[k][col]
			}
			inv[i][col] = sum / l[i][i]
		}
	}
	for i := range 4 {
		for j := range 4 {
			inv[i][j] *= d[i] * d[j]
		}
	}
	return inv, true
}

// leastPivot: below it the pixels do not tell the parameters apart.
const leastPivot = 1e-6
