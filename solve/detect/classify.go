package detect

import (
	"math"
	"slices"

	"polard/mountmodel/sky"
	"polard/solve/detect/fit"
	"polard/solve/detect/psf"
	"polard/solve/detect/residual"
)

// Limits of what counts as a star.
const (
	// keepSigma is the least signal-to-noise of the fit, sky included; below
	// the threshold of the filter since the sky costs a little.
	keepSigma = 3.5
	// sharpResidual is the limit for what is sharper than the PSF: cosmic rays, of which 32 instead of 3 would pass.
	sharpResidual = 0.35
	// wideSize is the size over that of the PSF from which an object is too
	// wide for a star, if its signal-to-noise is wideSigma or its residual shows it:
	// from the centre to the corner of a lens the width doubles at most. By noise, one star
	// in some thousand is so wide; pieces of cloud and landscape mostly are. Of the 90 brightest detections between
	// nebulae 3 would be spurious, instead of none.
	wideSize, wideSigma, wideResidual = 2.5, 6, 0.25
	// streakRatio bounds the ratio of long and short axis, relative to the PSF, of a star
	// inside a long thin object, as fit.WideShare bounds its size. Without both, 50 instead of 2 detections along a
	// satellite's trail are spurious, of spikes 107 instead of 31.
	streakRatio = 1.7
	// centroidFloor is the variance that stays however bright the star is, square
	// pixels: 0.001 pixel, the accuracy of the tables.
	centroidFloor = 0.0002 * 0.0002
)

// classifier tells stars from what is none.
type classifier struct {
	residual *residual.Image
	level    *residual.Level // of the PSF
	psf      *psf.Model
	// starPeak is how high the pixels of stars reach; levelsOff tells that the brightest stars of the image are wide.
	starPeak  float64
	levelsOff bool
}

func newClassifier(g fit.Given, sources []fit.Source) *classifier {
	c := &classifier{residual: g.Residual, level: g.Residual.Level(g.PSF.Scale), psf: g.PSF}
	c.findLevel(sources[:min(len(sources), modelSources)])
	return c
}

// result turns the sources that are stars into detections, brightest first.
func (c *classifier) result(sources []fit.Source) *Result {
	d := &Result{FWHM: c.psf.ImageFWHM()}
	for _, s := range sources {
		if !c.isStar(&s) {
			continue
		}
		if found, ok := c.detection(&s); ok {
			d.Detections = append(d.Detections, found)
		}
	}
	d.sort()
	return d
}

// isStar tells a star from what is none: hot pixels and cosmic rays, trails of satellites and aircraft, and what is not like
// the frame's stars, such as nebulae, galaxies, lamps and clouds.
func (c *classifier) isStar(s *fit.Source) bool {
	switch {
	case s.Failed, s.Hot, !(s.Flux*s.Flux > keepSigma*keepSigma*s.FluxVar):
		return false
	case s.Full > 0:
		return true
	}
	// The rest is judged by its looks.
	long, short := c.psf.Relative(s.Size)
	switch {
	case c.psf.SmoothOnly && long*short > psf.SmoothNarrower*psf.SmoothNarrower:
		return false
	case c.levelsOff && c.wideAndHigh(s):
	case s.Clearly() && s.Residual > fit.LargestResidual:
		return false
	case s.Clearly() && s.Narrow() && s.Residual > sharpResidual: // a cosmic ray
		return false
	case s.Clearly() && s.Residual > wideResidual && s.Streak && (long > streakRatio*short || long*short > fit.WideShare*fit.WideShare): // a trail
		return false
	case long*short > wideSize*wideSize && (s.Flux/math.Sqrt(s.FluxVar) > wideSigma || s.Clearly() && s.Residual > wideResidual):
		return false
	}
	return true
}

// detection is a source on the image; ok is false where its place is not on it.
func (c *classifier) detection(s *fit.Source) (d Detection, ok bool) {
	m := c.psf
	scale := float64(m.Scale)
	k := scale * scale
	d = Detection{
		Pos:       sky.Pixel{X: c.level.ImagePixel(s.At[0] + m.Centre[0]), Y: c.level.ImagePixel(s.At[1] + m.Centre[1])},
		Flux:      s.Flux * k,
		SNR:       s.Flux / math.Sqrt(s.FluxVar),
		Height:    float64(s.Height),
		Saturated: s.Full > 0,
		Blended:   s.Blended,
		Edge:      s.Edge,
	}
	if d.Pos.X < -0.5 || d.Pos.Y < -0.5 || d.Pos.X > float64(c.residual.Source.Width)-0.5 || d.Pos.Y > float64(c.residual.Source.Height)-0.5 {
		return Detection{}, false
	}
	d.Cov = [2][2]float64{
		{k*s.PosVar.XX + centroidFloor, k * s.PosVar.XY},
		{k * s.PosVar.XY, k*s.PosVar.YY + centroidFloor},
	}
	return d, true
}

// highest is the highest believable pixel next to a position, above the sky.
func (c *classifier) highest(at sky.Pixel) float64 {
	l := c.residual.Levels[0]
	x, y := int(math.Round(at.X)), int(math.Round(at.Y))
	top := 0.0
	for j := max(0, y-1); j <= min(l.Height-1, y+1); j++ {
		for i := max(0, x-1); i <= min(l.Width-1, x+1); i++ {
			top = max(top, float64(l.Pix[j*l.Width+i]))
		}
	}
	return top
}

// An emulsion, or a sensor that levels off before it saturates, widens its
// brightest stars: there, what is as high as the highest of the others may be wide. Else 12 of 183 stars of plates are lost.
const (
	// levelsOffStars that are wide, round and high show that a frame does so; a
	// galaxy or a lamp is one.
	levelsOffStars = 4
	// roundRatio of long over short axis, relative to the PSF.
	roundRatio = 1.4
	// widestStar bounds the size of such a star, relative to the PSF; beyond
	// it moments are not measured.
	widestStar = 3.8
	// starPeakRank: the height of stars is that of the third highest, since one
	// may hold a hot pixel.
	starPeakRank = 3
)

// findLevel tells whether the image levels off, and where.
func (c *classifier) findLevel(sources []fit.Source) {
	var peaks []float64
	for i := range sources {
		s := &sources[i]
		if s.Failed || s.Hot || s.Full > 0 || s.Streak || s.Residual > wideResidual {
			continue
		}
		if long, short := c.psf.Relative(s.Size); long*short < fit.WideShare*fit.WideShare {
			peaks = append(peaks, c.peakOf(s))
		}
	}
	if len(peaks) < starPeakRank {
		return
	}
	slices.Sort(peaks)
	c.starPeak = peaks[len(peaks)-starPeakRank]
	n := 0
	for i := range sources {
		if s := &sources[i]; !s.Failed && !s.Hot && s.Full == 0 && c.wideAndHigh(s) {
			n++
		}
	}
	c.levelsOff = n >= levelsOffStars
}

// wideAndHigh tells whether a source is as stars are where an image levels off.
func (c *classifier) wideAndHigh(s *fit.Source) bool {
	long, short := c.psf.Relative(s.Size)
	return !s.Streak && long*short > fit.WideShare*fit.WideShare && long < roundRatio*short && long < widestStar && c.peakOf(s) >= c.starPeak
}

// peakOf is the highest believable pixel of a source.
func (c *classifier) peakOf(s *fit.Source) float64 {
	return c.highest(sky.Pixel{X: c.level.ImagePixel(s.At[0]), Y: c.level.ImagePixel(s.At[1])})
}

// hotOdds weighs hot pixels against stars by how many of either the image
// shows, as twice a logarithm, to be added to a chi^2. Without it, 130 instead of 22 detections among thousands of hot
// pixels are spurious.
func hotOdds(hot int, sources []fit.Source) float64 {
	stars := 1
	for i := range sources {
		if s := &sources[i]; !s.Failed && !s.Hot {
			stars++
		}
	}
	return 2 * math.Log(max(1, float64(hot)/float64(stars)))
}
