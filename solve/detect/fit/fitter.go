package fit

import (
	"math"
	"slices"

	"polard/solve/detect/psf"
	"polard/solve/detect/raster"
	"polard/solve/detect/residual"
)

// Given is what a fit takes for given.
type Given struct {
	Residual *residual.Image
	PSF      *psf.Model
	Noise    Noise
	HotOdds  float64 // twice the logarithm of the odds that something small is a hot pixel
}

const (
	// fitRounds bounds the steps of one fit; three are the rule.
	fitRounds = 8
	// largestStep of a position in one round, pixels of the level.
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
	Given
	m *psf.Model      // of Given
	l *residual.Level // of m

	model         *psf.Model    // the width of m that was fitted
	data          []float64     // level less neighbours, NaN where of no use
	value, dx, dy []float32     // tables of the last round
	sky2          float64       // variance of the sky in a pixel of the level
	base          float64       // the same with what the star may differ from the PSF by
	inv           [4][4]float64 // inverse of the normal matrix
	fitted        [4]float64    // flux, flux*ex, flux*ey, sky
	ex, ey        float64       // from the tables' phase to the star
	cx, cy        int           // pixel in the middle of data
}

// newFitters makes one for each goroutine.
func newFitters(g Given, workers int) []*fitter {
	f := make([]*fitter, workers)
	for i := range f {
		f[i] = &fitter{Given: g, m: g.PSF, l: g.Residual.Level(g.PSF.Scale)}
	}
	return f
}

// weight is the inverse variance of a pixel in which the star has the given value.
func (f *fitter) weight(star float64) float64 {
	return 1 / (f.base + f.Noise.Shot*max(0, star))
}

// Another width of the PSF is tried for a star that differs from it clearly. Else 3 of the 90 brightest detections between
// nebulae are spurious, instead of none.
const (
	// oddResidual is the relative residual from which it is; it must also be ClearResidual
	// times what noise alone gives.
	oddResidual = 0.2
	// spoiltResidual is the relative residual from which single pixels are looked at: those
	// spoiltSigma above the star, which may itself be wrong by spoiltPSFError,
	// belong to a cosmic ray, a hot pixel or a faint neighbour. Without this, 16 of the 90 brightest detections around
	// spikes are spurious, and 9 along a satellite's trail, instead of none.
	spoiltResidual = 0.1
	spoiltSigma    = 6
	spoiltPSFError = 0.4
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
		if e > 0 && e*e > sq(spoiltSigma)*(f.sky2+f.Noise.Shot*max(0, model)+sq(spoiltPSFError*model)) {
			f.data[i] = math.NaN()
			dropped = true
		}
	}
	return dropped
}

// refit solves once more with the pixels that are left.
func (f *fitter) refit(s *Source) {
	oldX, oldY := f.ex, f.ey
	if !f.solve(s.Flux) || !(f.fitted[0] > 0) {
		s.Failed = true
		return
	}
	s.Flux = f.fitted[0]
	s.At[0] += f.ex - oldX
	s.At[1] += f.ey - oldY
	f.judge(s)
}

// fitBest fits the source with the width of the PSF that suits it: lenses draw
// stars wider in the corners, galaxies are wider, cosmic rays sharper.
func (f *fitter) fitBest(s *Source, last []Source) {
	f.fit(s, last)
	if !s.Failed && s.Residual > spoiltResidual && s.Clearly() && f.dropSpoilt() {
		f.refit(s)
	}
	if s.Failed || s.Full > 0 || s.Streak || s.Residual < oddResidual || sq(s.Residual) < ClearResidual*s.ResidualErr {
		return
	}
	other := *s
	if other.width = f.m.WidthFor(f.m.Relative(s.Size)); other.width == s.width {
		return
	}
	if f.fit(&other, last); !other.Failed && other.Residual <= s.Residual {
		*s = other
	}
}

// fit improves one source and judges it. last holds all sources before this round.
func (f *fitter) fit(s *Source, last []Source) {
	if f.settle(s, last) {
		f.judge(s)
	}
}

// settle improves flux and place of one source; it tells whether there is one.
func (f *fitter) settle(s *Source, last []Source) bool {
	m, c := s.model(f.m), f.l
	f.model = m
	*s = Source{Candidate: s.Candidate, At: s.At, Flux: s.Flux, near: s.near, width: s.width, wide: s.wide}
	long, _ := m.Axes()
	_, sigma := f.Residual.Sky.At(c.ImagePixel(s.At[0]), c.ImagePixel(s.At[1]))
	f.sky2 = sq(sigma / float64(c.Scale))
	half := 0.5 / float64(m.Steps)
	for round := range fitRounds {
		x, y := int(math.Round(s.At[0])), int(math.Round(s.At[1]))
		if round == 0 || x != f.cx || y != f.cy {
			f.cx, f.cy = x, y
			f.load(s, x, y, last)
		}
		var restX, restY float64
		f.value, f.dx, f.dy, restX, restY = m.Table(s.At[0]-float64(f.cx), s.At[1]-float64(f.cy))
		f.base = f.sky2 + f.Noise.PSFError2*sq(s.Flux*m.Top/2)
		if !f.solve(s.Flux) || !(f.fitted[0] > 0) {
			s.Failed = true
			return false
		}
		change := math.Abs(f.fitted[0]-s.Flux) / f.fitted[0]
		s.Flux = f.fitted[0]
		stepX, stepY := f.ex-restX, f.ey-restY
		if d := math.Hypot(stepX, stepY); d > largestStep {
			stepX, stepY = stepX*largestStep/d, stepY*largestStep/d
		}
		s.At[0] += stepX
		s.At[1] += stepY
		if math.Hypot(s.At[0]-float64(s.X), s.At[1]-float64(s.Y)) > strayLimit*raster.FWHMPerSigma*long+0.5 {
			s.Failed = true
			return false
		}
		if change < stillFlux && max(math.Abs(f.ex), math.Abs(f.ey)) <= 1.2*half {
			break
		}
	}
	return true
}

// solve makes and solves the normal equations, with weights for the given flux.
func (f *fitter) solve(flux float64) bool {
	var sum psf.Normal
	n := 0
	for i, d := range f.data {
		v := float64(f.value[i])
		if d != d || v == 0 {
			continue
		}
		n++
		sum.Add(v, float64(f.dx[i]), float64(f.dy[i]), f.weight(flux*v), d)
	}
	if n < fewestPixels {
		return false
	}
	var ok bool
	if f.inv, ok = psf.Invert(sum.A); !ok {
		return false
	}
	for i := range 4 {
		f.fitted[i] = 0
		for j := range 4 {
			f.fitted[i] += f.inv[i][j] * sum.B[j]
		}
	}
	f.ex, f.ey = f.fitted[1]/f.fitted[0], f.fitted[2]/f.fitted[0]
	return true
}

// load copies the pixels around (cx, cy), NaN where they are of no use, with
// the light of the neighbours taken off.
func (f *fitter) load(s *Source, cx, cy int, last []Source) {
	m, c := f.model, f.l
	r := m.Radius
	if n := m.Side * m.Side; cap(f.data) < n {
		f.data = make([]float64, n)
	} else {
		f.data = f.data[:n]
	}
	s.Full = 0
	i := 0
	for y := cy - r; y <= cy+r; y++ {
		x0, x1 := max(0, cx-r), min(c.Width, cx+r+1)
		if y < 0 || y >= c.Height || x0 >= x1 {
			for range m.Side {
				f.data[i] = math.NaN()
				i++
			}
			continue
		}
		for x := cx - r; x < x0; x++ {
			f.data[i] = math.NaN()
			i++
		}
		for _, v := range c.Pix[y*c.Width+x0 : y*c.Width+x1] {
			f.data[i] = float64(v)
			i++
		}
		for x := x1; x <= cx+r; x++ {
			f.data[i] = math.NaN()
			i++
		}
		f.dropUseless(s, f.data[i-m.Side:i], cx-r, y)
	}
	if s.Full > bleedPixels {
		f.maskAround()
	}
	for _, j := range s.near {
		o := &last[j]
		if o.Failed || !(o.Flux > 0) {
			continue
		}
		om := o.model(f.m)
		ro := om.Radius
		ox, oy := int(math.Round(o.At[0])), int(math.Round(o.At[1]))
		value, dx, dy, restX, restY := om.Table(o.At[0]-float64(ox), o.At[1]-float64(oy))
		for y := max(cy-r, oy-ro); y <= min(cy+r, oy+ro); y++ {
			for x := max(cx-r, ox-ro); x <= min(cx+r, ox+ro); x++ {
				k := (y-oy+ro)*om.Side + x - ox + ro
				f.data[(y-cy+r)*m.Side+x-cx+r] -= o.Flux * (float64(value[k]) + restX*float64(dx[k]) + restY*float64(dy[k]))
			}
		}
	}
}

// dropUseless drops the pixels of a row of data, the first of which is at (x0, y) of the
// level, that have no value or are full.
func (f *fitter) dropUseless(s *Source, row []float64, x0, y int) {
	r, c := f.Residual, f.l
	checkBad, checkFull := c.Scale == 1, r.Saturation.InRow(c, y)
	if !checkBad && !checkFull {
		return
	}
	for x := max(0, x0); x < min(c.Width, x0+len(row)); x++ {
		if checkBad && r.Bad.Get(x, y) {
			row[x-x0] = math.NaN()
		}
		if checkFull && r.Saturation.In(c, x, y) {
			row[x-x0] = math.NaN()
			s.Full++
		}
	}
}

// bleedPixels: smaller cores hardly bleed, and what is next to them is most of
// what is known of the star. What is next to larger ones makes bleeding stars err by 0.098 instead of 0.083 pixel.
const bleedPixels = 5

// maskAround masks the neighbours of saturated pixels too: what bleeds fills them
// in part.
func (f *fitter) maskAround() {
	n := f.model.Side
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
