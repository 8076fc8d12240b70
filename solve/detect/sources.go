package detect

import (
	"cmp"
	"math"
	"slices"

	"polard/mountmodel/sky"
)

// From maxima to stars.

// source is a maximum on its way to be a star. Positions and sizes are in
// canvas pixels.
type source struct {
	peak
	at        [2]float64
	flux      float64
	near      []int32    // sources whose light reaches into this one's pixels
	rung      int        // which width of the PSF was fitted
	wide      *psf       // the model on a wider table, for a large core
	varPos    [3]float64 // xx, xy, yy
	varF      float64    // of flux, by the sky's noise
	size      [3]float64 // moments of the star itself: xx, xy, yy
	misfit    float64    // root of the residual power in the core, less noise, over that of the star
	misfitErr float64    // how far noise alone scatters its square
	full      int        // saturated pixels
	lone      bool       // a single bright pixel describes it better
	edge      bool
	failed    bool
}

const (
	// sweeps over blended stars, each with the others' last places subtracted,
	// and laterSweeps where these are good already.
	sweeps      = 3
	laterSweeps = 1
	// mostSources bounds the maxima that are fitted, the highest first.
	mostSources = 10000
	// modelSources of the highest show PSF and noise.
	modelSources = 160
)

// newSources turns maxima into sources, the highest first, with their neighbours.
func newSources(peaks []peak, m *psf) []source {
	slices.SortFunc(peaks, func(a, b peak) int {
		return cmp.Or(cmp.Compare(b.height, a.height), cmp.Compare(a.y, b.y), cmp.Compare(a.x, b.x))
	})
	peaks = peaks[:min(len(peaks), mostSources)]
	c := m.canvas
	mid := m.steps / 2
	n := m.side * m.side
	centre := float64(m.value[(mid*m.steps+mid)*n+n/2])
	if m.ring {
		centre = m.power
	}
	sources := make([]source, len(peaks))
	tables := make(map[int]*psf)
	for i, p := range peaks {
		sources[i] = source{peak: p, at: [2]float64{float64(p.x), float64(p.y)}}
		sources[i].flux = max(0, float64(c.pix[p.y*c.width+p.x])/centre)
		if p.core != nil {
			r := m.wideRadius(p.core)
			if tables[r] == nil {
				tables[r] = m.wide(r)
			}
			sources[i].wide = tables[r]
		}
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
	// Stars on wider tables reach farther.
	for i := range sources {
		if sources[i].wide == nil {
			continue
		}
		for j := range sources {
			r := sources[i].wide.radius + m.radius/2
			if j != i && max(absInt(sources[j].x-sources[i].x), absInt(sources[j].y-sources[i].y)) <= r {
				sources[i].near = addOnce(sources[i].near, int32(j))
				sources[j].near = addOnce(sources[j].near, int32(i))
			}
		}
	}
	return sources
}

func addOnce(list []int32, i int32) []int32 {
	if slices.Contains(list, i) {
		return list
	}
	return append(list, i)
}

// model is the PSF of a source.
func (s *source) model(m *psf) *psf {
	if s.wide != nil {
		return s.wide
	}
	return m.rung(s.rung)
}

func absInt(i int) int { return max(i, -i) }

// fitAll fits the first n sources in place, with so many sweeps over blends.
func (p *prepared) fitAll(m *psf, sources []source, n, sweeps int, noise noiseModel, workers int) {
	fitters := newFitters(p, m, noise, workers)
	const chunk = 32
	each := func(list []int, last []source, finish bool) {
		inParallel(workers, (len(list)+chunk-1)/chunk, func(w, i int) {
			for _, j := range list[i*chunk : min(len(list), (i+1)*chunk)] {
				if finish {
					fitters[w].fitBest(&sources[j], last)
				} else {
					fitters[w].settle(&sources[j], last)
				}
			}
		})
	}
	var alone, blended []int
	for i := range n {
		if len(sources[i].near) > 0 {
			blended = append(blended, i)
		} else {
			alone = append(alone, i)
		}
	}
	each(alone, sources, true)
	for i := range sweeps {
		each(blended, slices.Clone(sources), i == sweeps-1)
	}
}

// Limits of what counts as a star.
const (
	// keepSigma is the least signal-to-noise of the fit, sky included; below
	// the threshold of the filter since the sky costs a little.
	keepSigma = 3.5
	// largestMisfit is the residual of the core over the star, both root mean
	// square, up to which it is one. Lenses blur their corners differently
	// and reach 0.7; a lone pixel in a frame of 3 pixel stars leaves 0.9.
	largestMisfit = 0.75
	// clearMisfit: the residual must also stand out of the noise.
	clearMisfit = 4
	// sharpMisfit is the limit for what is sharper than the PSF: cosmic rays.
	sharpMisfit = 0.35
	// wideSize is the size over that of the PSF from which an object is too
	// wide for a star, if its signal-to-noise is wideSigma or its misfit shows it:
	// from the centre to the corner of a lens the width doubles at most. By noise, one star
	// in some thousand is so wide; pieces of cloud and landscape mostly are.
	wideSize, wideSigma, wideMisfit = 2.5, 6, 0.25
	// streakSize and streakRatio are limits of size and of long over short axis,
	// relative to the PSF, inside a long thin object.
	streakSize  = 1.6
	streakRatio = 1.7
	// centroidFloor is the variance that stays however bright the star is, square
	// pixels: 0.001 pixel, the accuracy of the tables.
	centroidFloor = 0.0002 * 0.0002
)

type verdict int

const (
	isStar verdict = iota
	isHot
	isTrail
	isBlob
	isWeak
)

// star turns a source into a star on the image, or says why it is none.
func (p *prepared) star(m *psf, s *source) (Detection, verdict) {
	c := m.canvas
	if s.failed && s.core != nil {
		p.coreStar(m, s)
	}
	switch {
	case s.failed:
		return Detection{}, isBlob
	case s.lone:
		return Detection{}, isHot
	case !(s.flux*s.flux > keepSigma*keepSigma*s.varF):
		return Detection{}, isWeak
	}
	if s.full == 0 {
		// The rest is judged by its looks.
		clearly := sq(s.misfit) > clearMisfit*s.misfitErr
		long, short := m.relative(s.size)
		snr := s.flux / math.Sqrt(s.varF)
		switch {
		case p.calmOnly && long*short > calmNarrower*calmNarrower:
			return Detection{}, isBlob
		case p.levelsOff && p.wideAndHigh(m, s):
		case clearly && s.misfit > largestMisfit:
			return Detection{}, isBlob
		case clearly && s.rung < 0 && s.misfit > sharpMisfit:
			return Detection{}, isHot
		case clearly && s.misfit > wideMisfit && s.streak && (long > streakRatio*short || long*short > streakSize*streakSize):
			return Detection{}, isTrail
		case long*short > wideSize*wideSize && (snr > wideSigma || clearly && s.misfit > wideMisfit):
			return Detection{}, isBlob
		}
	}
	scale := float64(c.scale)
	k := scale * scale
	st := Detection{
		Pos:       sky.Pixel{X: c.imagePixel(s.at[0] + m.centre[0]), Y: c.imagePixel(s.at[1] + m.centre[1])},
		Flux:      s.flux * k,
		SNR:       s.flux / math.Sqrt(s.varF),
		Height:    float64(s.height),
		Saturated: s.full > 0,
		Blended:   s.multi,
		Edge:      s.edge,
	}
	if st.Pos.X < -0.5 || st.Pos.Y < -0.5 || st.Pos.X > float64(p.img.Width)-0.5 || st.Pos.Y > float64(p.img.Height)-0.5 {
		return Detection{}, isBlob
	}
	st.Cov = [2][2]float64{
		{k*s.varPos[0] + centroidFloor, k * s.varPos[1]},
		{k * s.varPos[1], k*s.varPos[2] + centroidFloor},
	}
	long, short := ellipseAxes(s.size[0], s.size[1], s.size[2])
	st.FWHM = fwhmPerSigma * math.Sqrt(long*short) * scale
	st.Elongation = long / max(short, 0.1)
	st.Peak = p.highest(st.Pos)
	return st, isStar
}

// highest is the highest believable pixel next to a position, above the sky.
func (p *prepared) highest(at sky.Pixel) float64 {
	c := p.canvases[0]
	x, y := int(math.Round(at.X)), int(math.Round(at.Y))
	top := 0.0
	for j := max(0, y-1); j <= min(c.height-1, y+1); j++ {
		for i := max(0, x-1); i <= min(c.width-1, x+1); i++ {
			top = max(top, float64(c.pix[j*c.width+i]))
		}
	}
	return top
}

// An emulsion, or a sensor that levels off before it saturates, widens its
// brightest stars: there, what is as high as the highest of the others may be wide.
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

// findLevel tells whether the frame levels off, and where.
func (p *prepared) findLevel(m *psf, sources []source) {
	var peaks []float64
	for i := range sources {
		s := &sources[i]
		if s.failed || s.lone || s.full > 0 || s.streak || s.misfit > wideMisfit {
			continue
		}
		if long, short := m.relative(s.size); long*short < streakSize*streakSize {
			peaks = append(peaks, p.peakOf(m, s))
		}
	}
	if len(peaks) < starPeakRank {
		return
	}
	slices.Sort(peaks)
	p.starPeak = peaks[len(peaks)-starPeakRank]
	n := 0
	for i := range sources {
		if s := &sources[i]; !s.failed && !s.lone && s.full == 0 && p.wideAndHigh(m, s) {
			n++
		}
	}
	p.levelsOff = n >= levelsOffStars
}

// wideAndHigh tells whether a source is as stars are where a frame levels off.
func (p *prepared) wideAndHigh(m *psf, s *source) bool {
	long, short := m.relative(s.size)
	return !s.streak && long*short > streakSize*streakSize && long < roundRatio*short && long < widestStar && p.peakOf(m, s) >= p.starPeak
}

// peakOf is the highest believable pixel of a source.
func (p *prepared) peakOf(m *psf, s *source) float64 {
	return p.highest(sky.Pixel{X: m.canvas.imagePixel(s.at[0]), Y: m.canvas.imagePixel(s.at[1])})
}

// hotOdds weighs lone pixels against stars by how many of either the frame
// shows, as twice a logarithm, to be added to a chi^2.
func (p *prepared) hotOdds(sources []source) float64 {
	stars := 1
	for i := range sources {
		if s := &sources[i]; !s.failed && !s.lone {
			stars++
		}
	}
	return 2 * math.Log(max(1, float64(p.hot)/float64(stars)))
}
