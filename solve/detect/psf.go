package detect

import (
	"cmp"
	"math"
	"slices"
	"sync"
)

// The point spread function of the frame: which canvas shows the stars a few
// pixels wide, their common size and elongation, and the profile that fits them
// best. Profiles are of the light as the pixels see it (the optical image
// convolved with the pixel), sampled at pixel centres: the effective PSF of
// Anderson & King 2000, PASP 112, 1360.

// profile is a radial profile over q = (r/unit)^2, tabulated.
type profile struct {
	value, slope []float32 // P(q) and dP/dq at q = i*qStep
	far, farDown []float32 // the same beyond, at q = profileMaxQ*farBins/i: there a power of q would cost more than all else
	kappa2       float64   // adaptive moment of the round profile in square units
	reach        float64   // radius, in units, inside which the star is fitted
}

const (
	profileBins = 1024
	profileMaxQ = 16.0 // four units of radius
	qStep       = profileMaxQ / profileBins
	farBins     = 256
)

// newProfile tabulates f(q).
func newProfile(f func(q float64) float64, reach float64) *profile {
	p := &profile{value: make([]float32, profileBins+2), slope: make([]float32, profileBins+2), reach: reach}
	v := make([]float64, profileBins+3)
	for i := range v {
		v[i] = f(float64(i) * qStep)
	}
	for i := range p.value {
		p.value[i] = float32(v[i])
		if i == 0 {
			p.slope[i] = float32((-3*v[0] + 4*v[1] - v[2]) / (2 * qStep))
		} else {
			p.slope[i] = float32((v[i+1] - v[i-1]) / (2 * qStep))
		}
	}
	p.far, p.farDown = make([]float32, farBins+2), make([]float32, farBins+2)
	for i := 1; i < len(p.far); i++ {
		const h = 0.01
		q := profileMaxQ * farBins / float64(i)
		p.far[i], p.farDown[i] = float32(f(q)), float32((f(q*(1+h))-f(q*(1-h)))/(2*h*q))
	}
	// The fixed point of the adaptive moments: the mean of r^2 under a window
	// of variance k is k.
	k := 0.2
	for range 40 {
		var w, wq float64
		for i := 0; i < profileBins; i += 4 {
			q := (float64(i) + 2) * qStep
			g := v[i+2] * math.Exp(-q/(2*k))
			w += g
			wq += g * q
		}
		k = wq / w
	}
	p.kappa2 = k
	return p
}

// at is the value and the slope at q, linear between the bins.
func (p *profile) at(q float64) (value, slope float64) {
	t := q * (1 / qStep)
	v, s := p.value, p.slope
	if t >= profileBins {
		t = profileMaxQ * farBins / q
		v, s = p.far, p.farDown
	}
	i := int(t)
	f := float32(t - float64(i))
	return float64(v[i] + f*(v[i+1]-v[i])), float64(s[i] + f*(s[i+1]-s[i]))
}

// moffats are the profiles that are tried: Moffat's (1969, A&A 3, 455),
// (1 + k q)^-beta, from the Gaussian (1/beta = 0) to the widest wings, in steps
// of moffatStep of 1/beta. The unit is the FWHM.
var moffats = sync.OnceValue(func() (list []*profile) {
	for i := range 25 {
		inverse := moffatStep * float64(i)
		f := func(q float64) float64 { return math.Exp(-4 * math.Ln2 * q) }
		if i > 0 {
			k := 4 * (math.Pow(2, inverse) - 1)
			f = func(q float64) float64 { return math.Pow(1+k*q, -1/inverse) }
		}
		list = append(list, newProfile(f, starReach))
	}
	return list
})

const (
	moffatStep = 0.025
	// wingsTried: every so many are tried at first; refine goes on from the best.
	wingsTried = 6
	// plainMoffat serves where too few stars are seen to choose: beta 3.3, a
	// usual value for telescopes.
	plainMoffat = 12
	// starReach is the radius in FWHM inside which a star is fitted.
	starReach = 2.2
)

// ringProfiles are those that are tried.
var ringProfiles = sync.OnceValue(func() (list []*profile) {
	for _, obstruction := range []float64{0.02, 0.25, 0.35, 0.45} {
		for _, blur := range []float64{0.12, 0.25} {
			list = append(list, ringProfile(obstruction, blur))
		}
	}
	return list
})

// ringProfile is a defocused telescope with a central obstruction (a fraction of
// the outer radius, the unit), blurred by a Gaussian of the given sigma.
func ringProfile(obstruction, blur float64) *profile {
	const rings = 48
	return newProfile(func(q float64) float64 {
		// The annulus as a sum over circles; a circle of radius a, blurred, at
		// distance r: exp(-(r-a)^2/2s^2) I0(ra/s^2) exp(-ra/s^2).
		r, sum := math.Sqrt(q), 0.0
		if r > 1+8*blur {
			return 0 // below 1e-13 of the ring
		}
		for i := range rings {
			a := obstruction + (1-obstruction)*(float64(i)+0.5)/rings
			sum += a * math.Exp(-sq((r-a)/blur)/2) * besselI0Scaled(r*a/(blur*blur))
		}
		return sum
	}, 1.5)
}

// besselI0Scaled is exp(-x) I0(x) for x >= 0: Abramowitz & Stegun 1964,
// eqs. 9.8.1 and 9.8.2, errors below 2e-7 of I0.
func besselI0Scaled(x float64) float64 {
	if x < 3.75 {
		t := x / 3.75
		t *= t
		return math.Exp(-x) * (1 + t*(3.5156229+t*(3.0899424+t*(1.2067492+t*(0.2659732+t*(0.0360768+t*0.0045813))))))
	}
	t := 3.75 / x
	return (0.39894228 + t*(0.01328592+t*(0.00225319+t*(-0.00157565+t*(0.00916281+t*(-0.02057706+
		t*(0.02635537+t*(-0.01647633+t*0.00392377)))))))) / math.Sqrt(x)
}

// psf is the model of a star on a canvas: tables of the profile and of its
// derivatives for steps*steps positions of the star inside its pixel.
type psf struct {
	canvas     *canvas
	profile    *profile
	xx, xy, yy float64      // adaptive moments of the star, canvas pixels squared
	metric     [3]float64   // of the core: q = m0 u^2 + 2 m1 u v + m2 v^2
	trail      [][2]float64 // points along which the core is spread; one for a point source
	inPixel    []pixelPoint // where the profile is taken for one pixel
	ring       bool
	radius     int // the tables span -radius..radius
	side       int // 2*radius + 1
	steps      int
	value      []float32          // [phase y][phase x][row][column], each phase sums to 1
	dx, dy     []float32          // derivatives by the position of the star
	power      float64            // sum of squares of the centred phase
	top        float64            // largest value of it
	centre     [2]float64         // centroid of the light of a star at the origin
	alikeFlux  float64            // variance of the flux by sky noise: how much more than for independent pixels
	alike      noiseCorrelation   // from pixel to pixel
	misfit     float64            // median relative residual of the stars it was chosen by
	fromStars  int                // how many those were
	ladder     [rungs]func() *psf // the same at other widths
}

// Widths of the PSF: each rung is rungStep wider than the one below.
const (
	rungStep   = 1.25
	rungsBelow = 2
	rungs      = 7
)

// rung is the model k rungs wider, made when first asked for.
func (m *psf) rung(k int) *psf {
	if k == 0 {
		return m
	}
	return m.ladder[k+rungsBelow]()
}

// rungFor is the rung for a star of the given moments.
func (m *psf) rungFor(size [3]float64) int {
	long, short := m.relative(size)
	ratio := math.Sqrt(long * short)
	if !(ratio > 0) {
		return -rungsBelow
	}
	k := int(math.Round(math.Log(ratio) / math.Log(rungStep)))
	return max(-rungsBelow, min(rungs-1-rungsBelow, k))
}

// relative gives the long and short axis of a star's moments in units of the
// PSF: 1, 1 for a star like all others, however these are drawn out.
func (m *psf) relative(size [3]float64) (long, short float64) {
	// Cholesky: PSF = L L^T; the axes are those of L^-1 star L^-T.
	a := math.Sqrt(m.xx)
	b := m.xy / a
	c := math.Sqrt(m.yy - b*b)
	xx := size[0] / (a * a)
	xy := (size[1] - b/a*size[0]) / (a * c)
	yy := (size[2] - 2*b/a*size[1] + sq(b/a)*size[0]) / (c * c)
	return ellipseAxes(xx, xy, yy)
}

// long and short axes of the adaptive moments, as FWHM in canvas pixels.
func (m *psf) fwhm() float64 {
	long, short := ellipseAxes(m.xx, m.xy, m.yy)
	return fwhmPerSigma * math.Sqrt(long*short)
}

// fwhmPerSigma is 2 sqrt(2 ln 2).
const fwhmPerSigma = 2.354820045

// newPSF makes the model with given profile whose adaptive moments are xx, xy,
// yy. With spread, the elongation is that of a round star drawn out along a
// line (a trail with flat top); without, the star is elliptical.
func newPSF(c *canvas, p *profile, xx, xy, yy float64, spread bool) *psf {
	m := &psf{canvas: c, profile: p, xx: xx, xy: xy, yy: yy, trail: [][2]float64{{0, 0}}, inPixel: pixelMiddle}
	long, short := ellipseAxes(xx, xy, yy)
	cxx, cxy, cyy := xx, xy, yy
	if spread {
		cxx, cxy, cyy = short*short, 0, short*short
		length := trailLength(long, short)
		angle := math.Atan2(2*xy, xx-yy) / 2
		n := max(2, int(math.Ceil(length/(trailStep*short))))
		m.trail = m.trail[:0]
		for i := range n {
			t := length * ((float64(i)+0.5)/float64(n) - 0.5)
			m.trail = append(m.trail, [2]float64{t * math.Cos(angle), t * math.Sin(angle)})
		}
	}
	if short < narrowSize {
		m.inPixel = wholePixel
		if spread { // along the trail its points are sum enough
			m.inPixel = acrossPixel(math.Atan2(2*xy, xx-yy) / 2)
		}
		cxx, cyy = max(cxx-pixelMoment, leastCore*cxx), max(cyy-pixelMoment, leastCore*cyy)
		most := math.Sqrt(cxx*cyy) * (1 - leastCore)
		cxy = max(-most, min(most, cxy))
	}
	det := cxx*cyy - cxy*cxy
	m.metric = [3]float64{p.kappa2 * cyy / det, -p.kappa2 * cxy / det, p.kappa2 * cxx / det}
	unit := long / math.Sqrt(p.kappa2)
	m.radius = min(max(3, int(math.Ceil(p.reach*unit))), largestRadius)
	return m
}

const (
	// trailStep is the distance of the points of a trail in units of the
	// core's sigma: at 1 a comb of Gaussians is smooth to 1e-8.
	trailStep = 1.0
	// largestRadius bounds the tables; canvases are chosen so that stars are
	// smaller.
	largestRadius = 16
)

// trailLength is the length of the line which, blurred by a Gaussian of sigma
// short, has the adaptive moment long squared along it.
func trailLength(long, short float64) float64 {
	excess := func(length float64) float64 {
		const n = 64
		var w, wx float64
		for i := range n {
			x := (float64(i) + 0.5) / n * 4 * long
			g := math.Erf((x+length/2)/(math.Sqrt2*short)) - math.Erf((x-length/2)/(math.Sqrt2*short))
			g *= math.Exp(-x * x / (2 * long * long))
			w += g
			wx += g * x * x
		}
		return wx/w - long*long/2
	}
	lo, hi := 0.0, 8*long
	for range 30 {
		mid := (lo + hi) / 2
		if excess(mid) > 0 {
			hi = mid
		} else {
			lo = mid
		}
	}
	return (lo + hi) / 2
}

// at is the unnormalised value and derivatives by the star's position, at
// offset (u, v) from the star.
func (m *psf) at(u, v float64) (value, dx, dy float64) {
	for _, t := range m.trail {
		for _, h := range m.inPixel {
			a, b := u-t[0]+h.x, v-t[1]+h.y
			q := m.metric[0]*a*a + 2*m.metric[1]*a*b + m.metric[2]*b*b
			p, s := m.profile.at(q)
			value += h.weight * p
			s *= 2 * h.weight
			dx -= s * (m.metric[0]*a + m.metric[1]*b)
			dy -= s * (m.metric[1]*a + m.metric[2]*b)
		}
	}
	return value, dx, dy
}

// A pixel shows the mean of the light that falls on it. Stars much wider than a pixel look
// like their profile, a little wider; narrower ones do not, and are summed up over each
// pixel: at three points of Gauss and Legendre either way (Abramowitz & Stegun 1964, table
// 25.4), exact for the fifth power of the place in the pixel.
const (
	// narrowSize is the short axis' sigma from which the profile alone serves: there the
	// fourth moment of a pixel, which its second does not tell, is 1/1000 of the star's.
	narrowSize = 1.2
	// pixelMoment is the second moment that a pixel adds.
	pixelMoment = 1.0 / 12
	// leastCore is the least share of the moments that the light itself must have.
	leastCore = 0.25
)

// pixelPoint is a place in a pixel, from its middle, and its weight.
type pixelPoint struct{ x, y, weight float64 }

var (
	pixelMiddle = []pixelPoint{{0, 0, 1}}
	wholePixel  = func() (points []pixelPoint) {
		for i, x := range gaussAt {
			for j, y := range gaussAt {
				points = append(points, pixelPoint{x, y, gaussWeight[i] * gaussWeight[j]})
			}
		}
		return points
	}()

	gaussAt     = [3]float64{-math.Sqrt(0.6) / 2, 0, math.Sqrt(0.6) / 2}
	gaussWeight = [3]float64{5. / 18, 8. / 18, 5. / 18}
)

// acrossPixel are the points of a pixel on a line through its middle, square to an angle: across
// that, a pixel has the same second moment as along its sides.
func acrossPixel(angle float64) (points []pixelPoint) {
	s, c := math.Sincos(angle)
	for i, t := range gaussAt {
		points = append(points, pixelPoint{-s * t, c * t, gaussWeight[i]})
	}
	return points
}

// phasesPerSigma sets the step between tabulated positions: at most 1/8 of the
// short axis' sigma, so that a first-order step of half of it leaves
// (1/16)^2/2 = 0.2 percent of second order, which is even and moves no centroid but that of a
// star hardly wider than a pixel.
const phasesPerSigma = 8

// tabulate fills the tables.
func (m *psf) tabulate() {
	_, short := ellipseAxes(m.xx, m.xy, m.yy)
	if m.ring {
		short *= ringEdge
	}
	if m.steps == 0 {
		m.steps = min(max(1, int(math.Ceil(phasesPerSigma/short))), 12)
	}
	m.side = 2*m.radius + 1
	n := m.side * m.side
	m.value = make([]float32, m.steps*m.steps*n)
	m.dx = make([]float32, len(m.value))
	m.dy = make([]float32, len(m.value))
	limit := sq(float64(m.radius) + 0.5)
	for py := range m.steps {
		for px := range m.steps {
			at := (py*m.steps + px) * n
			fx, fy := m.phase(px), m.phase(py)
			sum := 0.0
			i := at
			for y := -m.radius; y <= m.radius; y++ {
				for x := -m.radius; x <= m.radius; x++ {
					if float64(x*x+y*y) <= limit {
						v, dx, dy := m.at(float64(x)-fx, float64(y)-fy)
						m.value[i], m.dx[i], m.dy[i] = float32(v), float32(dx), float32(dy)
						sum += v
					}
					i++
				}
			}
			for i := at; i < at+n; i++ {
				m.value[i] /= float32(sum)
				m.dx[i] /= float32(sum)
				m.dy[i] /= float32(sum)
			}
		}
	}
	m.alikeFlux, m.alike = 1, whiteNoise
	for i := range m.ladder {
		m.ladder[i] = sync.OnceValue(func() *psf {
			r := m.scaled(m.profile, math.Pow(rungStep, float64(i-rungsBelow)))
			r.tabulate()
			r.alikeFlux, r.alike = m.alikeFlux, m.alike
			return r
		})
	}
	mid := m.steps / 2
	m.top = float64(slices.Max(m.value[(mid*m.steps+mid)*n:][:n]))
	for _, v := range m.value[(mid*m.steps+mid)*n:][:n] {
		m.power += float64(v) * float64(v)
	}
}

// oddModes is how many functions of the place in a star, odd about its centre, show the
// part of the residuals that would move it.
const oddModes = 4

// oddModesOf gives them for a pixel (u, v) from the star, in which this has the value g[0] and
// the derivatives g[1] and g[2] by its place: these times the second powers of u and v,
// held to the star's light by its square root.
func oddModesOf(g [4]float64, u, v float64) [oddModes]float64 {
	w := math.Sqrt(max(0, g[0]))
	dx, dy := w*g[1], w*g[2]
	return [oddModes]float64{u * u * dx, u * v * dx, v * v * dx, v * v * dy}
}

// phase is the position inside the pixel of tabulated step i.
func (m *psf) phase(i int) float64 { return (float64(i)+0.5)/float64(m.steps) - 0.5 }

// table gives the tables nearest to a star at offset (fx, fy), each within half a
// pixel, from the centre of its pixel, and what remains of the offset.
func (m *psf) table(fx, fy float64) (value, dx, dy []float32, restX, restY float64) {
	px := min(max(0, int((fx+0.5)*float64(m.steps))), m.steps-1)
	py := min(max(0, int((fy+0.5)*float64(m.steps))), m.steps-1)
	n := m.side * m.side
	at := (py*m.steps + px) * n
	return m.value[at : at+n], m.dx[at : at+n], m.dy[at : at+n], fx - m.phase(px), fy - m.phase(py)
}

// How the canvas and the stars that define the PSF are chosen.
const (
	// shapeStars of the brightest maxima of each canvas that settle are
	// looked at, of at most shapeTries.
	shapeStars = 80
	shapeTries = 960
	// Sizes (sigma, canvas pixels) with which a canvas serves. Below the
	// smallest on a coarse canvas the finer one would show more.
	smallestSize0    = 0.45
	smallestCanvased = 0.8
	largestSizeOK    = 2.5
	// smallSize: below it a coarse canvas costs accuracy.
	smallSize = 1.2
	// sameSize is the span of ln(size) within which stars count as alike:
	// focus, seeing and noise scatter them by some 10 percent.
	sameSize = 0.25
	// Shapes nearer to each other than pieceDistance sizes, and of fluxes within
	// the ratio pieceFlux, are pieces of one object.
	pieceDistance = 5
	pieceFlux     = 3
	// finerShare: a finer canvas wins when it shows at least this share of
	// the stars alike that the best one does.
	finerShare = 0.4
	// modelStars choose the profile; fewerStars cannot.
	modelStars = 40
	fewerStars = 3
	// modelSigma: a star that helps to choose the profile, and the peak of
	// one whose own size counts.
	modelSigma = 10
)

// findPSF looks at the brightest objects on every canvas.
func (p *prepared) findPSF(workers int) *psf {
	type view struct {
		shapes []ellipse // alike in size, brightest first
	}
	views := make([]view, len(p.canvases))
	best := 0
	for i, c := range p.canvases {
		views[i].shapes = p.alikeShapes(c, workers)
		best = max(best, len(views[i].shapes))
		if len(views[i].shapes) > finerShare*shapeStars {
			break // no coarser canvas can beat that
		}
	}
	for i, c := range p.canvases {
		shapes := views[i].shapes
		if float64(len(shapes)) < finerShare*float64(best) {
			continue
		}
		// Stars that fill few pixels of a coarse canvas are better seen on a finer one.
		for i > 0 && medianOf(shapes, ellipse.size) < smallSize {
			i--
			c = p.canvases[i]
			shapes = finer(shapes)
		}
		if slices.IndexFunc(shapes, func(s ellipse) bool { return s.height >= modelSigma }) >= 0 {
			return p.choosePSF(c, shapes, workers)
		}
		break
	}
	return p.faintPSF(workers)
}

// faintPSF serves frames in which nothing stands out: of plain stars a few
// pixels wide on each canvas, those that the matched filter finds most of.
func (p *prepared) faintPSF(workers int) *psf {
	var best *psf
	most := -1.0
	canvases := min(len(p.canvases), faintCanvases)
	if p.sky.roughPart() >= leastRough {
		canvases = 1
	}
	for _, c := range p.canvases[:canvases] {
		s := firstFWHM / fwhmPerSigma
		m := newPSF(c, moffats()[plainMoffat], s*s, 0, s*s, false)
		m.tabulate()
		found := 0.0
		for _, k := range p.findPeaks(m, workers) {
			found += sq(min(float64(k.height), faintHeight)) - sq(peakSigma)
		}
		if found > faintGain*most {
			best, most = m, found
		}
	}
	return best
}

const (
	// faintCanvases: stars wider than 2.5 pixels of the last would be a dozen.
	faintCanvases = 4
	// faintHeight bounds what one maximum counts: stars of which none stands out reach no more,
	// the glow of an amplifier in a corner does.
	faintHeight = 25
	// faintGain: a coarser canvas must show clearly more; noise does so by chance.
	faintGain = 1.3
)

// firstFWHM is the width of stars that is assumed when none is bright enough
// to show it.
const firstFWHM = 2.5

// alikeShapes measures the brightest maxima of a canvas and returns the largest
// group of one size.
func (p *prepared) alikeShapes(c *canvas, workers int) []ellipse {
	smallest := smallestCanvased
	if c.scale == 1 {
		smallest = smallestSize0
	}
	maxima := p.canvasMaxima(c, workers)
	var shapes []ellipse
	// The trail of a satellite may hold the brightest maxima: go on until
	// enough have settled.
	for from := 0; from < min(len(maxima), shapeTries) && len(shapes) < shapeStars; from += shapeStars {
		batch := maxima[from:min(from+shapeStars, len(maxima))]
		found := make([]ellipse, len(batch))
		good := make([]bool, len(batch))
		inParallel(workers, len(batch), func(_, i int) {
			m := batch[i]
			if p.fullNear(c, m.x, m.y) {
				return
			}
			s, ok := p.moments(c, float64(m.x), float64(m.y), 1.2)
			s.height = m.height
			found[i] = s
			good[i] = ok && !s.missing && s.size() >= smallest && s.size() <= largestSizeOK
		})
		for i, s := range found {
			if good[i] && len(shapes) < shapeStars && !slices.ContainsFunc(shapes, func(o ellipse) bool { return math.Hypot(o.x-s.x, o.y-s.y) < 1 }) {
				shapes = append(shapes, s)
			}
		}
	}
	rows := inRows(shapes, func(s ellipse) complex128 { return complex(s.x, s.y) })
	shapes = slices.DeleteFunc(shapes, func(s ellipse) bool { return rows[complex(s.x, s.y)] })
	// The window of ln(size) that holds most.
	sizes := make([]float64, len(shapes))
	for i, s := range shapes {
		sizes[i] = math.Log(s.size())
	}
	slices.Sort(sizes)
	lo, count := 0.0, 0
	for i := range sizes {
		j, _ := slices.BinarySearch(sizes, sizes[i]+sameSize)
		if j-i > count {
			lo, count = sizes[i], j-i
		}
	}
	alike := slices.DeleteFunc(shapes, func(s ellipse) bool {
		l := math.Log(s.size())
		return l < lo || l >= lo+sameSize
	})
	// Pieces of a larger ring or trail lie beside each other.
	return slices.DeleteFunc(slices.Clone(alike), func(s ellipse) bool {
		return slices.ContainsFunc(alike, func(o ellipse) bool {
			d := math.Hypot(o.x-s.x, o.y-s.y)
			return d > 0 && d < pieceDistance*s.size() && o.flux < pieceFlux*s.flux && s.flux < pieceFlux*o.flux
		})
	})
}

// finer converts shapes to a canvas of half the scale.
func finer(shapes []ellipse) []ellipse {
	out := slices.Clone(shapes)
	for i := range out {
		s := &out[i]
		s.x, s.y = 2*s.x+0.5, 2*s.y+0.5
		// What a pixel of the coarse canvas adds to the moments is 1/12, of the
		// finer one a quarter of that.
		const pixels = 4.0/12 - 1.0/12
		s.xx, s.xy, s.yy = 4*s.xx-pixels, 4*s.xy, 4*s.yy-pixels
		s.flux *= 4
		s.height /= 2
	}
	return out
}

func medianOf(shapes []ellipse, get func(ellipse) float64) float64 {
	v := make([]float64, len(shapes))
	for i, s := range shapes {
		v[i] = get(s)
	}
	slices.Sort(v)
	return (v[(len(v)-1)/2] + v[len(v)/2]) / 2
}

// fullNear tells whether a saturated pixel lies in or next to a canvas pixel.
func (p *prepared) fullNear(c *canvas, x, y int) bool {
	if math.IsInf(float64(p.full), 1) {
		return false
	}
	x0, x1 := max(0, (x-1)*c.scale), min(p.img.Width, (x+2)*c.scale)
	y0, y1 := max(0, (y-1)*c.scale), min(p.img.Height, (y+2)*c.scale)
	for yy := y0; yy < y1; yy++ {
		for _, v := range p.img.Pix[yy*p.img.Width+x0 : yy*p.img.Width+x1] {
			if v >= p.full {
				return true
			}
		}
	}
	return false
}

// Which other profiles are tried.
const (
	// trailRatio is the elongation from which stars may be trails.
	trailRatio = 1.35
	// ringSize: a ring smaller than this (sigma, canvas pixels) has no visible hole.
	ringSize = 1.2
	// ringMisfit: where the best star leaves less than this, rings need no trial; a
	// ring with a hole of a quarter leaves 0.3.
	ringMisfit = 0.15
	// ringEdge is the width of a ring's brightest part, relative to its moment.
	ringEdge = 0.5
	// clearlyBetter: a trail or ring must lower the misfit to this share, since
	// an ellipse is the simpler tale.
	clearlyBetter = 0.8
)

// choosePSF takes size and elongation as medians of the shapes and the profile
// by least squares on the brightest of them.
func (p *prepared) choosePSF(c *canvas, shapes []ellipse, workers int) *psf {
	xx := medianOf(shapes, func(s ellipse) float64 { return s.xx })
	xy := medianOf(shapes, func(s ellipse) float64 { return s.xy })
	yy := medianOf(shapes, func(s ellipse) float64 { return s.yy })
	bright := slices.DeleteFunc(slices.Clone(shapes), func(s ellipse) bool { return s.height < modelSigma })
	if len(bright) < fewerStars {
		bright = slices.Clone(shapes)
	}
	bright = bright[:min(len(bright), modelStars)]
	best := newPSF(c, moffats()[plainMoffat], xx, xy, yy, false)
	if len(bright) >= fewerStars {
		var tried []*psf
		for i := 0; i < len(moffats()); i += wingsTried {
			tried = append(tried, newPSF(c, moffats()[i], xx, xy, yy, false))
		}
		long, short := ellipseAxes(xx, xy, yy)
		if long > trailRatio*short {
			for i := 0; i < len(moffats()); i += wingsTried {
				tried = append(tried, newPSF(c, moffats()[i], xx, xy, yy, true))
			}
		}
		p.misfits(tried, bright, tried[0].radius, workers)
		least := slices.MinFunc(tried, func(a, b *psf) int { return cmp.Compare(a.misfit, b.misfit) }).misfit
		if least > ringMisfit && long < trailRatio*short && short > ringSize {
			points := len(tried)
			for _, ring := range ringProfiles() {
				m := newPSF(c, ring, xx, xy, yy, false)
				m.ring = true
				tried = append(tried, m)
			}
			p.misfits(tried[points:], bright, tried[0].radius, workers)
		}
		for _, m := range tried {
			share := 1.0
			if m.ring || len(m.trail) > 1 {
				share = clearlyBetter
			}
			if best.fromStars == 0 || m.misfit < share*best.misfit {
				best = m
			}
		}
	}
	best.fromStars = len(bright)
	best.tabulate()
	return best
}

// misfits sets the misfit of several models, each the mean over the stars of what
// [prepared.misfit] gives. Models compare only at one radius.
func (p *prepared) misfits(models []*psf, stars []ellipse, r, workers int) {
	of := make([]float64, len(models)*len(stars))
	inParallel(workers, len(of), func(_, i int) { of[i] = p.misfit(models[i/len(stars)], stars[i%len(stars)], r) })
	for k, m := range models {
		m.misfit, m.fromStars = 1, 0
		sum := 0.0
		for _, v := range of[k*len(stars) : (k+1)*len(stars)] {
			if v == v {
				m.fromStars++
				sum += v
			}
		}
		if m.fromStars > 0 {
			m.misfit = sum / float64(m.fromStars)
		}
	}
}

// misfit is the root of the share of a star's power that the model leaves inside radius r, flux,
// place and sky fitted: a wrong model has put the stars a little beside their places, and these must
// not speak for it. It is NaN when the pixels do not tell.
func (p *prepared) misfit(m *psf, s ellipse, r int) float64 {
	c := m.canvas
	x0, y0 := int(math.Round(s.x)), int(math.Round(s.y))
	var sum normal
	var power float64
	for y := max(0, y0-r); y <= min(c.height-1, y0+r); y++ {
		for x := max(0, x0-r); x <= min(c.width-1, x0+r); x++ {
			v, gx, gy := m.at(float64(x)-s.x, float64(y)-s.y)
			d := float64(c.pix[y*c.width+x])
			sum.add(v, gx, gy, 1, d)
			power += d * d
		}
	}
	left := power
	power -= sum.b[3] * sum.b[3] / sum.a[3][3]
	inv, ok := invert4(sum.a)
	if !ok || !(power > 0) {
		return math.NaN()
	}
	for j := range 4 {
		for k := range 4 {
			left -= sum.b[j] * inv[j][k] * sum.b[k]
		}
	}
	return math.Sqrt(max(0, left/power))
}

// correlate takes note of correlated noise.
func (m *psf) correlate(n noiseCorrelation) {
	if m.canvas.scale > 1 || n.white() {
		return // means over canvas pixels hold it already
	}
	mid := m.steps / 2
	at := (mid*m.steps + mid) * m.side * m.side
	end := at + m.side*m.side
	m.alikeFlux = n.factor(m.value[at:end], m.side)
	m.alike = n
}
