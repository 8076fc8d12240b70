package fit

import (
	"cmp"
	"math"
	"slices"

	"polard/solve/detect/peaks"
	"polard/solve/detect/psf"
	"polard/solve/detect/raster"
	"polard/solve/detect/residual"
)

// Core is the disc of a star's saturated core, in image pixels.
type Core struct {
	X, Y   float64
	Radius float64
	Pixels int // in it and in what has bled from it
}

// Candidate is a maximum that may be a star.
type Candidate struct {
	peaks.Peak
	Core *Core // the saturated core it stands for, if that is large
}

// Source is a fitted candidate. Positions and sizes are in pixels of the PSF's level.
type Source struct {
	Candidate
	At          [2]float64
	Flux        float64
	PosVar      raster.Moments // covariance of At
	FluxVar     float64        // of Flux, by the sky's noise
	Size        raster.Moments // of the star itself
	Residual    float64        // root of the residual power in the core, less noise, over that of the star
	ResidualErr float64        // how far noise alone scatters its square
	Full        int            // saturated pixels
	Hot         bool           // a single bright pixel describes it better
	Edge        bool           // light runs over the border or into missing data
	Failed      bool

	near  []int32    // sources whose light reaches into this one's pixels
	width int        // which width of the PSF was fitted
	wide  *psf.Model // the model on a wider table, for a large core
}

// mostSources bounds the maxima that are fitted, the highest first.
const mostSources = 10000

// NewSources turns candidates into sources to be fitted, the highest first, with their neighbours.
func NewSources(candidates []Candidate, r *residual.Image, m *psf.Model) []Source {
	candidates = slices.Clone(candidates)
	slices.SortFunc(candidates, func(a, b Candidate) int {
		return cmp.Or(cmp.Compare(b.Height, a.Height), cmp.Compare(a.Y, b.Y), cmp.Compare(a.X, b.X))
	})
	candidates = candidates[:min(len(candidates), mostSources)]
	l := r.Level(m.Scale)
	sources := make([]Source, len(candidates))
	tables := make(map[int]*psf.Model)
	for i, p := range candidates {
		s := &sources[i]
		s.Candidate, s.At = p, [2]float64{float64(p.X), float64(p.Y)}
		s.Flux = max(0, float64(l.Pix[p.Y*l.Width+p.X])/m.PeakValue())
		if p.Core != nil {
			radius := wideRadius(m, p.Core)
			if tables[radius] == nil {
				tables[radius] = m.Wide(radius)
			}
			s.wide = tables[radius]
		}
	}
	findNeighbours(sources, l.Width, m.Radius)
	return sources
}

// findNeighbours notes which sources reach into each other's pixels, on a level of the given width with tables of the given radius.
func findNeighbours(sources []Source, width, radius int) {
	// A grid of cells as large as the reach finds the neighbours.
	reach := radius + radius/2
	cells := (width + reach - 1) / reach
	grid := make(map[int][]int32)
	for i, s := range sources {
		k := s.Y/reach*cells + s.X/reach
		grid[k] = append(grid[k], int32(i))
	}
	for i := range sources {
		s := &sources[i]
		cx, cy := s.X/reach, s.Y/reach
		for y := cy - 1; y <= cy+1; y++ {
			for x := max(0, cx-1); x <= min(cells-1, cx+1); x++ {
				for _, j := range grid[y*cells+x] {
					if int(j) != i && max(abs(sources[j].X-s.X), abs(sources[j].Y-s.Y)) <= reach {
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
			r := sources[i].wide.Radius + radius/2
			if j != i && max(abs(sources[j].X-sources[i].X), abs(sources[j].Y-sources[i].Y)) <= r {
				sources[i].near = addOnce(sources[i].near, int32(j))
				sources[j].near = addOnce(sources[j].near, int32(i))
			}
		}
	}
}

func addOnce(list []int32, i int32) []int32 {
	if slices.Contains(list, i) {
		return list
	}
	return append(list, i)
}

// model is the PSF of a source.
func (s *Source) model(m *psf.Model) *psf.Model {
	if s.wide != nil {
		return s.wide
	}
	return m.Width(s.width)
}

func abs(i int) int { return max(i, -i) }

func sq(x float64) float64 { return x * x }

// wideRadius is the radius of the table that a core needs, in steps of wideStep
// so that stars share tables.
func wideRadius(m *psf.Model, c *Core) int {
	r := c.Radius/float64(m.Scale) + coreReach*m.FWHM()
	return max(m.Radius, wideStep*int(math.Ceil(r/wideStep)))
}

const (
	wideStep = 4
	// coreReach is how far beyond the core the wings are fitted, in FWHM.
	coreReach = 3.0
)

// Limits of what describes a star well.
const (
	// LargestResidual is the residual of the core over the star, both root mean
	// square, up to which it is one. Lenses blur their corners differently
	// and reach 0.7; a hot pixel in a frame of 3 pixel stars leaves 0.9.
	LargestResidual = 0.75
	// ClearResidual: the residual must also stand out of the noise.
	ClearResidual = 4
	// WideShare is the size over that of the PSF, both areas' roots, from which a star is wide.
	WideShare = 1.6
	// refineSigma is the signal-to-noise of a star that may tell the PSF.
	refineSigma = 8
)

// Clearly tells whether the relative residual stands out of the noise.
func (s *Source) Clearly() bool { return sq(s.Residual) > ClearResidual*s.ResidualErr }

// Isolated gives the places of stars that stand alone, highest first: they may tell the PSF.
func Isolated(m *psf.Model, sources []Source) (places []psf.Place) {
	for i := range sources {
		s := &sources[i]
		if s.Failed || s.Full > 0 || s.Hot || s.Edge || s.Streak || len(s.near) > 0 {
			continue
		}
		if s.Flux < refineSigma*math.Sqrt(s.FluxVar) {
			continue // perhaps noise, which has the shape of a pixel
		}
		// The crest of a landscape or a cloud would draw the PSF to its own size.
		if long, short := m.Relative(s.Size); long*short > WideShare*WideShare {
			continue
		}
		places = append(places, psf.Place{X: s.At[0], Y: s.At[1]})
	}
	return places
}

// Narrow tells whether a width below that of the PSF describes the source best.
func (s *Source) Narrow() bool { return s.width < 0 }
