package solve

import (
	"cmp"
	"math"
	"slices"

	"polard/mountmodel/sky"
)

// Centroids: each star is fitted with the frame's PSF by weighted least
// squares, its neighbours subtracted. Position errors come from the noise of
// the pixels, propagated through the weights that were used.

// source is a maximum on its way to be a star. Positions and sizes are in
// canvas pixels.
type source struct {
	peak
	at        [2]float64
	flux      float64
	near      []int32 // sources whose light reaches into this one's pixels
	varPos    [3]float64
	varF      float64 // of flux, background noise only
	misfit    float64 // root of residual power in the core, less noise, over that of the star
	misfitErr float64 // how far noise alone scatters its square
	lone      bool    // a single bright pixel fits better than a star
	edge      bool
	full      int // saturated pixels
	failed    bool
}

const (
	// fitRounds bounds the steps of one fit; three are the rule.
	fitRounds = 8
	// largestStep of a position in one round, canvas pixels.
	largestStep = 0.7
	// sweeps over blended stars, each with the others' last places subtracted.
	sweeps = 3
	// strayLimit: a fit that leaves its maximum by more than this share of the
	// FWHM plus half a pixel describes something else.
	strayLimit = 0.8
	// fewestPixels of the fit must be valid: four parameters and some rest.
	fewestPixels = 8
	// edgeShare of a star's light missing makes it an edge star.
	edgeShare = 0.05
	// keepSigma is the least signal-to-noise of the fit, sky included; below
	// the threshold of the filter since the sky costs a little.
	keepSigma = 3.5
	// mostSources bounds the maxima that are fitted, the highest first.
	mostSources = 10000
)

// fitter is the work space of one goroutine, and the state of its last fit.
type fitter struct {
	p     *prepared
	m     *psf
	noise noiseModel

	data          []float64     // canvas less neighbours, NaN where of no use
	value, dx, dy []float32     // tables of the last round
	sky2          float64       // variance of the sky in a canvas pixel
	inv           [4][4]float64 // inverse of the normal matrix
	fitted        [4]float64    // flux, flux*ex, flux*ey, sky
	ex, ey        float64       // from the tables' phase to the star
}

func newFitter(p *prepared, m *psf, noise noiseModel) *fitter {
	return &fitter{p: p, m: m, noise: noise, data: make([]float64, m.side*m.side)}
}

// weight is the inverse variance of a pixel in which the star has the given value.
func (f *fitter) weight(star float64) float64 {
	star = max(0, star)
	return 1 / (f.sky2 + star*(f.noise.shot+f.noise.rough2*star))
}

// fitAll fits the sources in place.
func (p *prepared) fitAll(m *psf, sources []source, noise noiseModel, workers int) {
	fitters := make([]*fitter, workers)
	const chunk = 32
	each := func(list []int, last []source) {
		inParallel(workers, (len(list)+chunk-1)/chunk, func(w, i int) {
			if fitters[w] == nil {
				fitters[w] = newFitter(p, m, noise)
			}
			for _, j := range list[i*chunk : min(len(list), (i+1)*chunk)] {
				fitters[w].fit(&sources[j], last)
			}
		})
	}
	all := make([]int, len(sources))
	var blended []int
	for i := range sources {
		all[i] = i
		if len(sources[i].near) > 0 {
			blended = append(blended, i)
		}
	}
	each(all, slices.Clone(sources))
	for range sweeps - 1 {
		if len(blended) == 0 {
			break
		}
		each(blended, slices.Clone(sources))
	}
}

// newSources turns maxima into sources with their neighbours.
func newSources(peaks []peak, m *psf) []source {
	slices.SortFunc(peaks, func(a, b peak) int {
		return cmp.Or(cmp.Compare(b.height, a.height), cmp.Compare(a.y, b.y), cmp.Compare(a.x, b.x))
	})
	peaks = peaks[:min(len(peaks), mostSources)]
	c := m.canvas
	mid := m.steps / 2
	n := m.side * m.side
	centre := float64(m.value[(mid*m.steps+mid)*n+n/2])
	sources := make([]source, len(peaks))
	for i, p := range peaks {
		sources[i] = source{peak: p, at: [2]float64{float64(p.x), float64(p.y)}}
		sources[i].flux = max(0, float64(c.pix[p.y*c.width+p.x])/centre)
	}
	// A grid of cells as large as the reach finds the neighbours.
	reach := m.radius + m.radius/2
	cells := (c.width + reach - 1) / reach
	grid := make(map[int][]int32)
	for i, s := range sources {
		k := s.y/reach*cells + s.x/reach
		grid[k] = append(grid[k], int32(i))
	}
	for i := range sources {
		s := &sources[i]
		cx, cy := s.x/reach, s.y/reach
		for y := cy - 1; y <= cy+1; y++ {
			for x := max(0, cx-1); x <= min(cells-1, cx+1); x++ {
				for _, j := range grid[y*cells+x] {
					if int(j) != i && max(absInt(sources[j].x-s.x), absInt(sources[j].y-s.y)) <= reach {
						s.near = append(s.near, j)
					}
				}
			}
		}
	}
	return sources
}

func absInt(i int) int { return max(i, -i) }

// fit improves one source. last holds all sources before this sweep.
func (f *fitter) fit(s *source, last []source) {
	m, c := f.m, f.m.canvas
	*s = source{peak: s.peak, at: s.at, flux: s.flux, near: s.near}
	long, _ := ellipseAxes(m.xx, m.xy, m.yy)
	_, sigma := f.p.sky.at(c.imagePixel(s.at[0]), c.imagePixel(s.at[1]))
	f.sky2 = sq(sigma / float64(c.scale))
	half := 0.5 / float64(m.steps)
	var cx, cy int
	for round := range fitRounds {
		x, y := int(math.Round(s.at[0])), int(math.Round(s.at[1]))
		if round == 0 || x != cx || y != cy {
			cx, cy = x, y
			f.load(s, cx, cy, last)
		}
		var restX, restY float64
		f.value, f.dx, f.dy, restX, restY = m.table(s.at[0]-float64(cx), s.at[1]-float64(cy))
		if !f.solve(s.flux) || !(f.fitted[0] > 0) {
			s.failed = true
			return
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
			return
		}
		if round > 0 && change < stillFlux && max(math.Abs(f.ex), math.Abs(f.ey)) <= 1.2*half || round == fitRounds-1 {
			f.judge(s)
			return
		}
	}
}

// stillFlux is the relative change of flux below which its weights are final.
const stillFlux = 0.02

// solve makes and solves the normal equations of
// flux*value + flux*ex*dx + flux*ey*dy + sky, with weights for the given flux.
func (f *fitter) solve(flux float64) bool {
	var a [4][4]float64
	var b [4]float64
	n := 0
	for i, d := range f.data {
		v := float64(f.value[i])
		if d != d || v == 0 {
			continue
		}
		n++
		gx, gy := float64(f.dx[i]), float64(f.dy[i])
		w := f.weight(flux * v)
		wv, wx, wy := w*v, w*gx, w*gy
		a[0][0] += wv * v
		a[0][1] += wv * gx
		a[0][2] += wv * gy
		a[0][3] += wv
		a[1][1] += wx * gx
		a[1][2] += wx * gy
		a[1][3] += wx
		a[2][2] += wy * gy
		a[2][3] += wy
		a[3][3] += w
		b[0] += wv * d
		b[1] += wx * d
		b[2] += wy * d
		b[3] += w * d
	}
	if n < fewestPixels {
		return false
	}
	var ok bool
	if f.inv, ok = invert4(a); !ok {
		return false
	}
	for i := range 4 {
		f.fitted[i] = 0
		for j := range 4 {
			f.fitted[i] += f.inv[i][j] * b[j]
		}
	}
	f.ex, f.ey = f.fitted[1]/f.fitted[0], f.fitted[2]/f.fitted[0]
	return true
}

// load copies the pixels around (cx, cy), NaN where they are of no use, with
// the light of the neighbours taken off.
func (f *fitter) load(s *source, cx, cy int, last []source) {
	m, c, p := f.m, f.m.canvas, f.p
	r := m.radius
	s.full = 0
	i := 0
	checkFull := !math.IsInf(float64(p.full), 1)
	for y := cy - r; y <= cy+r; y++ {
		for x := cx - r; x <= cx+r; x++ {
			f.data[i] = math.NaN()
			if x >= 0 && y >= 0 && x < c.width && y < c.height {
				f.data[i] = float64(c.pix[y*c.width+x])
				if c.scale == 1 && p.bad.get(x, y) {
					f.data[i] = math.NaN()
				}
				if checkFull && p.fullIn(c, x, y) {
					f.data[i] = math.NaN()
					s.full++
				}
			}
			i++
		}
	}
	for _, j := range s.near {
		o := &last[j]
		if o.failed || !(o.flux > 0) {
			continue
		}
		ox, oy := int(math.Round(o.at[0])), int(math.Round(o.at[1]))
		value, dx, dy, restX, restY := m.table(o.at[0]-float64(ox), o.at[1]-float64(oy))
		for y := max(cy-r, oy-r); y <= min(cy+r, oy+r); y++ {
			for x := max(cx-r, ox-r); x <= min(cx+r, ox+r); x++ {
				k := (y-oy+r)*m.side + x - ox + r
				f.data[(y-cy+r)*m.side+x-cx+r] -= o.flux * (float64(value[k]) + restX*float64(dx[k]) + restY*float64(dy[k]))
			}
		}
	}
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

// judge gives the errors of a fit and how well it describes the pixels.
func (f *fitter) judge(s *source) {
	m := f.m
	// Sandwich: the weights hold the roughness of the PSF, which is even about
	// the star and moves nothing; the variance is that of the noise alone.
	var all, bg [4][4]float64
	core2 := sq(max(1, 0.75*m.fwhm()))
	var res, resVar, res2Var, power, lost, total float64
	var chiStar, chiLone, chiPixel float64
	r := m.radius
	for i, d := range f.data {
		v := float64(f.value[i])
		if v == 0 {
			continue
		}
		total += v
		if d != d {
			lost += v
			continue
		}
		g := [4]float64{v, float64(f.dx[i]), float64(f.dy[i]), 1}
		shot := f.noise.shot * max(0, s.flux*v)
		w2 := sq(f.weight(s.flux * v))
		for j := range 4 {
			for k := j; k < 4; k++ {
				t := w2 * g[j] * g[k]
				all[j][k] += t * shot
				bg[j][k] += t * f.sky2
			}
		}
		x, y := float64(i%m.side-r), float64(i/m.side-r)
		if x*x+y*y <= core2 {
			model := s.flux * (v + f.ex*g[1] + f.ey*g[2])
			e, q := d-f.fitted[3]-model, d-f.fitted[3]
			pv := f.sky2 + shot
			res += e * e
			resVar += pv
			res2Var += 2 * pv * pv
			power += model * model
			// A lone pixel against a star, with the star's roughness allowed.
			chiStar += e * e / (pv + f.noise.rough2*model*model)
			chiLone += q * q / pv
			if q > 0 {
				chiPixel = max(chiPixel, q*q/pv)
			}
		}
	}
	quad := func(m *[4][4]float64, a, b int) float64 {
		sum := 0.0
		for j := range 4 {
			for k := range 4 {
				sum += f.inv[a][j] * m[min(j, k)][max(j, k)] * f.inv[b][k]
			}
		}
		return sum
	}
	f2 := s.flux * s.flux
	pos := func(a, b int) float64 { return (quad(&all, a, b) + m.alikePos*quad(&bg, a, b)) / f2 }
	s.varPos = [3]float64{pos(1, 1), pos(1, 2), pos(2, 2)}
	s.varF = m.alikeFlux * quad(&bg, 0, 0)
	power = max(power, math.SmallestNonzeroFloat32)
	s.misfit = math.Sqrt(max(0, res-resVar) / power)
	s.misfitErr = math.Sqrt(res2Var) / power
	s.edge = lost > edgeShare*total && s.full == 0
	s.lone = m.canvas.scale == 1 && chiLone-chiPixel < chiStar
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

// Limits of what counts as a star.
const (
	// largestMisfit is the residual of the core over the star, both root mean
	// square, up to which it is one. Lenses blur their corners differently
	// and reach 0.4; a lone pixel in a frame of 3 pixel stars leaves 0.9.
	largestMisfit = 0.55
	// clearMisfit: the residual must also stand out of the noise.
	clearMisfit = 4
	// streakMisfit is the limit on an object that looks like a trail.
	streakMisfit = 0.2
)

// star turns a source into a star on the image, or says why it is none.
func (p *prepared) star(m *psf, s *source) (Star, verdict) {
	c := m.canvas
	if s.failed {
		return Star{}, isBlob
	}
	if s.lone {
		return Star{}, isHot
	}
	if !(s.flux*s.flux > keepSigma*keepSigma*s.varF) {
		return Star{}, isWeak
	}
	if s.full == 0 && sq(s.misfit) > clearMisfit*s.misfitErr {
		switch {
		case s.streak && s.misfit > streakMisfit:
			return Star{}, isTrail
		case s.misfit > largestMisfit:
			return Star{}, isBlob
		}
	}
	scale := float64(c.scale)
	k := scale * scale
	var st Star
	st.Pos = sky.Pixel{X: c.imagePixel(s.at[0]), Y: c.imagePixel(s.at[1])}
	st.Cov = [2][2]float64{{k*s.varPos[0] + centroidFloor, k * s.varPos[1]}, {k * s.varPos[1], k*s.varPos[2] + centroidFloor}}
	st.Flux = s.flux * k
	st.SNR = s.flux / math.Sqrt(s.varF)
	st.FWHM = m.fwhm() * scale
	long, short := ellipseAxes(m.xx, m.xy, m.yy)
	st.Elongation = long / short
	st.Saturated = s.full > 0
	st.Blended = s.multi
	st.Edge = s.edge
	return st, isStar
}

// centroidFloor is the variance that stays however bright the star is, square
// pixels: 0.001 pixel, the accuracy of the tables.
const centroidFloor = 0.001 * 0.001

type verdict int

const (
	isStar verdict = iota
	isHot
	isTrail
	isBlob
	isWeak
)
