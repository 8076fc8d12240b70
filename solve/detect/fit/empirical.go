package fit

import (
	"context"
	"math"

	"polard/solve/detect/psf"
	"polard/solve/detect/raster"
	"polard/solve/parallel"
)

// What bright stars show beyond the profile.
// Coma, drift, the ghost of a bad tracking and the shape of pixels are no
// Moffat. The mean residual of bright stars, over the place in the star, is
// added to the tables (Anderson & King 2000, PASP 112, 1360, section 4).

const (
	// empiricalStars of the brightest are used; fewer than leastEmpirical would
	// write their noise into the PSF.
	empiricalStars = 240
	leastEmpirical = 12
	// empiricalSigma is the least signal-to-noise of such a star.
	empiricalSigma = 60
	// empiricalRounds of residuals, each smoothed; what the smoothing of one
	// takes off the next brings back.
	empiricalRounds = 2
	// Cells and smoothing of the residual map in units of the short axis' FWHM.
	empiricalCell   = 0.2
	empiricalSmooth = 0.17
	// priorShare is the residual, as a share of the PSF, that is believed without
	// much evidence: means of few pixels are drawn towards zero.
	priorShare = 0.3
)

// Empirical is the PSF with the mean residual of bright stars, or the one that was given where it does not
// make the stars fit clearly better. The error is ctx's.
func Empirical(ctx context.Context, workers int, g Given, sources []Source) (*psf.Model, error) {
	used := empiricalSample(sources)
	if used == nil {
		return g.PSF, nil
	}
	// Every second star makes the map, the others say whether it helps.
	var half, other []Source
	for i, s := range used {
		if i%2 == 0 {
			half = append(half, s)
		} else {
			other = append(other, s)
		}
	}
	e := empirical{ctx, workers, sources}
	before, err := e.residual(g, other)
	if err != nil {
		return nil, err
	}
	tried, err := e.improved(g, half)
	if err != nil {
		return nil, err
	}
	after, err := e.residual(tried, other)
	if err != nil || after > empiricalGain*before {
		return g.PSF, err
	}
	out, err := e.improved(g, used)
	if err != nil {
		return nil, err
	}
	return out.PSF.Centred(), nil
}

// empiricalSample gives the bright stars, or none where there are too few.
func empiricalSample(sources []Source) (used []Source) {
	for _, s := range sources[:min(len(sources), empiricalTries)] {
		if s.Failed || s.Full > 0 || s.Hot || s.Edge || s.Streak || s.Residual > LargestResidual || s.Flux < empiricalSigma*math.Sqrt(s.FluxVar) {
			continue
		}
		s.width = 0
		if used = append(used, s); len(used) == empiricalStars {
			break
		}
	}
	if len(used) < leastEmpirical {
		return nil
	}
	return used
}

// empirical works with the stars among all sources.
type empirical struct {
	ctx     context.Context
	workers int
	sources []Source
}

// residual fits stars anew, in place, and sums their relative residuals.
func (e empirical) residual(g Given, stars []Source) (sum float64, err error) {
	fitters := newFitters(g, e.workers)
	err = parallel.Each(e.ctx, e.workers, len(stars), func(w, i int) { fitters[w].fit(&stars[i], e.sources) })
	for i := range stars {
		sum += stars[i].Residual
	}
	return sum, err
}

// improved gives what is given with the stars' residuals in the PSF, round after round.
func (e empirical) improved(g Given, stars []Source) (Given, error) {
	for range empiricalRounds {
		r, err := e.residuals(g, stars)
		if err != nil {
			return g, err
		}
		if g.PSF, err = g.PSF.WithResiduals(e.ctx, e.workers, r); err != nil {
			return g, err
		}
	}
	return g, nil
}

const (
	// empiricalTries of the brightest sources are looked through.
	empiricalTries = 600
	// empiricalGain is the share to which the relative residual must fall.
	empiricalGain = 0.97
)

// residuals fits stars, in place, and gives the map of their mean residual.
func (e empirical) residuals(g Given, stars []Source) (*psf.ResidualMap, error) {
	m := g.PSF
	_, short := m.Axes()
	r := &psf.ResidualMap{Cell: max(empiricalCell*raster.FWHMPerSigma*short, leastCell)}
	r.Half = int(math.Ceil(float64(m.Radius+1)/r.Cell)) + 1
	r.Side = 2*r.Half + 1
	smooth := empiricalSmooth * raster.FWHMPerSigma * short / r.Cell // in cells
	// Each part of the stars has sums of its own, added in one order, so that the
	// answer does not depend on who was faster.
	fitters := newFitters(g, e.workers)
	parts := make([]*residualSums, (len(stars)+starsInPart-1)/starsInPart)
	err := parallel.Each(e.ctx, e.workers, len(parts), func(w, i int) {
		parts[i] = newResidualSums(r, m.Side, smooth)
		for j := i * starsInPart; j < min(len(stars), (i+1)*starsInPart) && e.ctx.Err() == nil; j++ {
			if fitters[w].fit(&stars[j], e.sources); !stars[j].Failed {
				parts[i].add(fitters[w], &stars[j])
			}
		}
	})
	if err != nil {
		return nil, err
	}
	r.Value = make([]float64, r.Side*r.Side)
	weight := make([]float64, len(r.Value))
	for _, p := range parts {
		for i := range weight {
			r.Value[i] += p.value[i]
			weight[i] += p.weight[i]
		}
	}
	for j := -r.Half; j <= r.Half; j++ {
		for i := -r.Half; i <= r.Half; i++ {
			at := (j+r.Half)*r.Side + i + r.Half
			if weight[at] > 0 {
				r.Value[at] /= weight[at] + 1/sq(priorShare*m.At(float64(i)*r.Cell, float64(j)*r.Cell)+1e-6)
			}
		}
	}
	return r, nil
}

// starsInPart of the stars share the sums of residuals.
const starsInPart = 24

// residualSums are the weighted sums of residuals, smoothed over the cells of a map.
type residualSums struct {
	grid          *psf.ResidualMap // whose cells these are; its own values come from all sums
	value, weight []float64
	smooth        float64 // sigma of the smoothing, in cells
	columns, rows []cellWeights
}

// cellWeights tell how a column or row of pixels is spread over columns or rows of cells.
type cellWeights struct {
	first  int // cell
	weight []float64
}

func newResidualSums(r *psf.ResidualMap, side int, smooth float64) *residualSums {
	s := &residualSums{grid: r, smooth: smooth}
	s.value, s.weight = make([]float64, r.Side*r.Side), make([]float64, r.Side*r.Side)
	s.columns, s.rows = make([]cellWeights, side), make([]cellWeights, side)
	reach := int(math.Ceil(2.5 * smooth))
	for i := range side {
		s.columns[i].weight, s.rows[i].weight = make([]float64, 2*reach+1), make([]float64, 2*reach+1)
	}
	return s
}

// spread sets the weights of pixels that are away from the star by offset and one more each.
func (s *residualSums) spread(pixels []cellWeights, offset float64) {
	for i := range pixels {
		c := &pixels[i]
		u := (offset + float64(i)) / s.grid.Cell
		c.first = int(math.Round(u)) - len(c.weight)/2
		for k := range c.weight {
			c.weight[k] = math.Exp(-sq(float64(c.first+k)-u) / (2 * s.smooth * s.smooth))
		}
	}
}

// add takes the residuals of the star that was fitted last.
func (s *residualSums) add(f *fitter, star *Source) {
	m := f.model
	// The fit's last step moved the star off the tables' phase.
	s.spread(s.columns, math.Round(star.At[0])-star.At[0]-float64(m.Radius))
	s.spread(s.rows, math.Round(star.At[1])-star.At[1]-float64(m.Radius))
	k := 0
	for y := range m.Side {
		for x := range m.Side {
			d, v := f.data[k], float64(f.value[k])
			slope := f.ex*float64(f.dx[k]) + f.ey*float64(f.dy[k])
			k++
			if d != d || v == 0 {
				continue
			}
			model := star.Flux * (v + slope)
			e := (d - f.fitted[3] - model) / star.Flux
			variance := (f.sky2+f.Noise.Shot*max(0, model))/(star.Flux*star.Flux) + sq(starScatter*v)
			if math.Abs(e) > 3*math.Sqrt(variance)+v+0.05*float64(m.Power) {
				continue // a neighbour or a defect
			}
			s.addPixel(&s.columns[x], &s.rows[y], e, 1/variance)
		}
	}
}

// addPixel spreads a residual over the cells around it.
func (s *residualSums) addPixel(column, row *cellWeights, e, w float64) {
	from, to := max(column.first, -s.grid.Half), min(column.first+len(column.weight)-1, s.grid.Half)
	if to < from {
		return
	}
	along := column.weight[from-column.first : to-column.first+1]
	for k, g := range row.weight {
		j := row.first + k
		if j < -s.grid.Half || j > s.grid.Half {
			continue
		}
		g *= w
		at := (j+s.grid.Half)*s.grid.Side + from + s.grid.Half
		value, weight := s.value[at:at+len(along)], s.weight[at:at+len(along)]
		for i, a := range along {
			value[i] += g * a * e
			weight[i] += g * a
		}
	}
}

const (
	// leastCell keeps cells above what a few hundred stars can fill.
	leastCell = 0.25
	// starScatter is how far single stars differ from their mean PSF.
	starScatter = 0.05
)
