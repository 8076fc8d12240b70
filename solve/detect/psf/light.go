package psf

import (
	"math"

	"polard/solve/detect/raster"
)

// light is how the light of a star lies on the pixels of a level: a profile, stretched to the star's moments, perhaps
// drawn out along a trail, and summed up over each pixel.
type light struct {
	Scale          int // image pixels along one side of the level's
	raster.Moments     // adaptive, of the star, level's pixels squared
	profile        *profile
	metric         [3]float64   // of the core: q = m0 u^2 + 2 m1 u v + m2 v^2
	trail          [][2]float64 // points along which the core is spread; one for a point source
	inPixel        []pixelPoint // where the profile is taken for one pixel
	ring           bool
	radius         int // beyond which it is not looked at
}

// newLight gives a profile the adaptive moments m. With spread, the elongation is that of a round star drawn out along a
// line (a trail with flat top); without, the star is elliptical.
func newLight(scale int, p *profile, m raster.Moments, spread bool) *light {
	l := &light{Scale: scale, profile: p, Moments: m, trail: [][2]float64{{0, 0}}, inPixel: pixelMiddle}
	long, short := m.Axes()
	core := m
	if spread {
		core = raster.Round(short)
		length := trailLength(long, short)
		angle := m.Angle()
		n := max(2, int(math.Ceil(length/(trailStep*short))))
		l.trail = l.trail[:0]
		for i := range n {
			t := length * ((float64(i)+0.5)/float64(n) - 0.5)
			l.trail = append(l.trail, [2]float64{t * math.Cos(angle), t * math.Sin(angle)})
		}
	}
	if short < narrowSize {
		l.inPixel = wholePixel
		if spread { // along the trail its points are sum enough
			l.inPixel = acrossPixel(m.Angle())
		}
		core.XX, core.YY = max(core.XX-pixelMoment, leastCore*core.XX), max(core.YY-pixelMoment, leastCore*core.YY)
		most := math.Sqrt(core.XX*core.YY) * (1 - leastCore)
		core.XY = max(-most, min(most, core.XY))
	}
	det := core.XX*core.YY - core.XY*core.XY
	l.metric = [3]float64{p.kappa2 * core.YY / det, -p.kappa2 * core.XY / det, p.kappa2 * core.XX / det}
	unit := long / math.Sqrt(p.kappa2)
	l.radius = min(max(3, int(math.Ceil(p.reach*unit))), largestRadius)
	return l
}

const (
	// trailStep is the distance of the points of a trail in units of the
	// core's sigma: at 1 a comb of Gaussians is smooth to 1e-8.
	trailStep = 1.0
	// largestRadius bounds the tables; levels are chosen so that stars are
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
func (l *light) at(u, v float64) (value, dx, dy float64) {
	for _, t := range l.trail {
		for _, h := range l.inPixel {
			a, b := u-t[0]+h.x, v-t[1]+h.y
			q := l.metric[0]*a*a + 2*l.metric[1]*a*b + l.metric[2]*b*b
			p, s := l.profile.at(q)
			value += h.weight * p
			s *= 2 * h.weight
			dx -= s * (l.metric[0]*a + l.metric[1]*b)
			dy -= s * (l.metric[1]*a + l.metric[2]*b)
		}
	}
	return value, dx, dy
}

// A pixel shows the mean of the light that falls on it. Stars much wider than a pixel look
// like their profile, a little wider; narrower ones do not, and are summed up over each
// pixel: at three points of Gauss and Legendre either way (Abramowitz & Stegun 1964, table
// 25.4), exact for the fifth power of the place in the pixel. Without it, trails of 15 pixels err by 0.202 instead of 0.143 pixel.
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

// Shapes that differ from another by a relative width, by a stretch along the columns
// at the cost of the rows, or by one between them.
func width(l *light, by float64) *light   { return l.scaled(l.profile, 1+by) }
func stretch(l *light, by float64) *light { return l.reshaped(1+by, 0, 1/(1+by)) }
func shear(l *light, by float64) *light   { return l.reshaped(1, by, 1) }

// reshaped is the same light with moments L S L^T, where L L^T are its own (Cholesky): S,
// of the given xx, xy and yy, tells the change in units of the star, however that is drawn out.
func (l *light) reshaped(xx, xy, yy float64) *light {
	a, b, c := l.cholesky()
	return newLight(l.Scale, l.profile, raster.Moments{XX: a * a * xx, XY: a * (b*xx + c*xy), YY: b*b*xx + 2*b*c*xy + c*c*yy}, false)
}

// scaled is the same light with another profile, f times as wide.
func (l *light) scaled(p *profile, f float64) *light {
	n := newLight(l.Scale, p, raster.Moments{XX: f * f * l.XX, XY: f * f * l.XY, YY: f * f * l.YY}, len(l.trail) > 1)
	n.ring = l.ring
	return n
}

// cholesky is the lower triangle a; b, c of the moments' root.
func (l *light) cholesky() (a, b, c float64) {
	a = math.Sqrt(l.XX)
	b = l.XY / a
	return a, b, math.Sqrt(l.YY - b*b)
}

// Relative gives the long and short axis of a star's moments in units of the
// PSF: 1, 1 for a star like all others, however these are drawn out.
func (l *light) Relative(size raster.Moments) (long, short float64) {
	// The axes are those of L^-1 star L^-T.
	a, b, c := l.cholesky()
	return raster.Moments{
		XX: size.XX / (a * a),
		XY: (size.XY - b/a*size.XX) / (a * c),
		YY: (size.YY - 2*b/a*size.XY + (b/a)*(b/a)*size.XX) / (c * c),
	}.Axes()
}

// FWHM is the full width at half maximum, the geometric mean of both axes, in pixels of the level.
func (l *light) FWHM() float64 {
	long, short := l.Axes()
	return raster.FWHMPerSigma * math.Sqrt(long*short)
}

// ImageFWHM is FWHM in image pixels.
func (l *light) ImageFWHM() float64 { return l.FWHM() * float64(l.Scale) }

// SharpShare is half of what the neighbours of a star's central pixel hold of it, at least the least share.
func (l *light) SharpShare(least float64) float32 {
	p0, _, _ := l.at(0, 0)
	px, _, _ := l.at(1, 0)
	py, _, _ := l.at(0, 1)
	return float32(max(least, min(px, py)/p0/2))
}
