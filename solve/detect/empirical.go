package detect

import "math"

// The empirical part of the PSF: what bright stars show beyond the profile.
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
	// goodMisfit: below it the profile does; shot noise alone leaves 0.05 of a
	// star of that signal-to-noise.
	goodMisfit = 0.05
	// The same for brighter stars, if there are enough; and if there are many, whose
	// mean shows what single ones hide in their shot noise.
	brightSNR        = 300
	goodMisfitBright = 0.012
	manyBright       = 48
	goodMisfitMany   = 0.004
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

// residualMap is a smooth map of residuals on square cells around the star.
type residualMap struct {
	cell  float64 // canvas pixels
	half  int     // cells from the middle to the border
	side  int
	value []float64
}

// empirical adds the mean residual of bright stars to the tables of m, if that
// makes the stars fit clearly better. It tells whether it did.
func (p *prepared) empirical(m *psf, sources []source, noise noiseModel, workers int) bool {
	var used []source
	var sum, sumBright float64
	bright := 0
	for i := range min(len(sources), empiricalTries) {
		s := sources[i]
		if s.failed || s.full > 0 || s.lone || s.edge || s.streak || s.misfit > largestMisfit || s.flux < empiricalSigma*math.Sqrt(s.varF) {
			continue
		}
		s.rung = 0
		used = append(used, s)
		sum += s.misfit
		if s.flux > brightSNR*math.Sqrt(s.varF) {
			bright++
			sumBright += s.misfit
		}
		if len(used) == empiricalStars {
			break
		}
	}
	switch {
	case len(used) < leastEmpirical:
		return false
	case bright >= manyBright && sumBright > goodMisfitMany*float64(bright):
	case bright >= leastEmpirical && sumBright > goodMisfitBright*float64(bright):
	case sum < goodMisfit*float64(len(used)):
		return false
	}
	// Every second star makes the map, the others say whether it helps.
	var half, other []source
	for i, s := range used {
		if i%2 == 0 {
			half = append(half, s)
		} else {
			other = append(other, s)
		}
	}
	fitters := newFitters(p, m, noise, workers)
	misfits := func(stars []source) (sum float64) {
		inParallel(workers, len(stars), func(w, i int) { fitters[w].fit(&stars[i], sources) })
		for i := range stars {
			sum += stars[i].misfit
		}
		return sum
	}
	plain := m.copyTables()
	before := misfits(other)
	for range empiricalRounds {
		m.addResiduals(fitters, half, sources)
	}
	after := misfits(other)
	m.value, m.dx, m.dy = plain[0], plain[1], plain[2]
	if after > empiricalGain*before {
		return false
	}
	for range empiricalRounds {
		m.addResiduals(fitters, used, sources)
	}
	m.centreTables()
	return true
}

const (
	// empiricalTries of the brightest sources are looked through.
	empiricalTries = 600
	// empiricalGain is the share to which the misfit must fall.
	empiricalGain = 0.97
)

func (m *psf) copyTables() [3][]float32 {
	return [3][]float32{append([]float32(nil), m.value...), append([]float32(nil), m.dx...), append([]float32(nil), m.dy...)}
}

// addResiduals measures the residual map and adds it to the tables.
func (m *psf) addResiduals(fitters []*fitter, stars, sources []source) {
	_, short := ellipseAxes(m.xx, m.xy, m.yy)
	r := &residualMap{cell: max(empiricalCell*fwhmPerSigma*short, leastCell)}
	r.half = int(math.Ceil(float64(m.radius+1)/r.cell)) + 1
	r.side = 2*r.half + 1
	smooth := empiricalSmooth * fwhmPerSigma * short / r.cell // in cells
	// Each part of the stars has sums of its own, added in one order, so that the
	// answer does not depend on who was faster.
	parts := make([]*residualSums, (len(stars)+starsInPart-1)/starsInPart)
	inParallel(len(fitters), len(parts), func(w, i int) {
		parts[i] = newResidualSums(r, m.side, smooth)
		for j := i * starsInPart; j < min(len(stars), (i+1)*starsInPart); j++ {
			if fitters[w].fit(&stars[j], sources); !stars[j].failed {
				parts[i].add(fitters[w], &stars[j])
			}
		}
	})
	r.value = make([]float64, r.side*r.side)
	weight := make([]float64, len(r.value))
	for _, p := range parts {
		for i := range weight {
			r.value[i] += p.value[i]
			weight[i] += p.weight[i]
		}
	}
	for j := -r.half; j <= r.half; j++ {
		for i := -r.half; i <= r.half; i++ {
			at := (j+r.half)*r.side + i + r.half
			if weight[at] > 0 {
				r.value[at] /= weight[at] + 1/sq(priorShare*m.interpolated(float64(i)*r.cell, float64(j)*r.cell)+1e-6)
			}
		}
	}
	m.addMap(r)
}

// starsInPart of the stars share the sums of residuals.
const starsInPart = 24

// residualSums are the weighted sums of residuals, smoothed over the cells of a map.
type residualSums struct {
	grid          *residualMap // whose cells these are; its own values come from all sums
	value, weight []float64
	smooth        float64 // sigma of the smoothing, in cells
	columns, rows []cellWeights
}

// cellWeights tell how a column or row of pixels is spread over columns or rows of cells.
type cellWeights struct {
	first  int // cell
	weight []float64
}

func newResidualSums(r *residualMap, side int, smooth float64) *residualSums {
	s := &residualSums{grid: r, smooth: smooth}
	s.value, s.weight = make([]float64, r.side*r.side), make([]float64, r.side*r.side)
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
		u := (offset + float64(i)) / s.grid.cell
		c.first = int(math.Round(u)) - len(c.weight)/2
		for k := range c.weight {
			c.weight[k] = math.Exp(-sq(float64(c.first+k)-u) / (2 * s.smooth * s.smooth))
		}
	}
}

// add takes the residuals of the star that was fitted last.
func (s *residualSums) add(f *fitter, star *source) {
	m := f.model
	// The fit's last step moved the star off the tables' phase.
	s.spread(s.columns, math.Round(star.at[0])-star.at[0]-float64(m.radius))
	s.spread(s.rows, math.Round(star.at[1])-star.at[1]-float64(m.radius))
	k := 0
	for y := range m.side {
		for x := range m.side {
			d, v := f.data[k], float64(f.value[k])
			slope := f.ex*float64(f.dx[k]) + f.ey*float64(f.dy[k])
			k++
			if d != d || v == 0 {
				continue
			}
			model := star.flux * (v + slope)
			e := (d - f.fitted[3] - model) / star.flux
			variance := (f.sky2+f.noise.shot*max(0, model))/(star.flux*star.flux) + sq(starScatter*v)
			if math.Abs(e) > 3*math.Sqrt(variance)+v+0.05*float64(m.power) {
				continue // a neighbour or a defect
			}
			s.addPixel(&s.columns[x], &s.rows[y], e, 1/variance)
		}
	}
}

// addPixel spreads a residual over the cells around it.
func (s *residualSums) addPixel(column, row *cellWeights, e, w float64) {
	from, to := max(column.first, -s.grid.half), min(column.first+len(column.weight)-1, s.grid.half)
	if to < from {
		return
	}
	along := column.weight[from-column.first : to-column.first+1]
	for k, g := range row.weight {
		j := row.first + k
		if j < -s.grid.half || j > s.grid.half {
			continue
		}
		g *= w
		at := (j+s.grid.half)*s.grid.side + from + s.grid.half
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

// interpolated is the value of the tables at an offset, nearest phase.
func (m *psf) interpolated(u, v float64) float64 {
	x, y := int(math.Round(u)), int(math.Round(v))
	if absInt(x) > m.radius || absInt(y) > m.radius {
		return 0
	}
	// A pixel at offset u sees a star at phase x-u.
	value, _, _, _, _ := m.table(float64(x)-u, float64(y)-v)
	return float64(value[(y+m.radius)*m.side+x+m.radius])
}

// addMap adds the map to the tables, and its slopes to the derivatives.
func (m *psf) addMap(r *residualMap) {
	n := m.side * m.side
	const h = 0.05
	for py := range m.steps {
		for px := range m.steps {
			at := (py*m.steps + px) * n
			fx, fy := m.phase(px), m.phase(py)
			sum := 0.0
			i := at
			for y := -m.radius; y <= m.radius; y++ {
				for x := -m.radius; x <= m.radius; x, i = x+1, i+1 {
					if m.value[i] == 0 {
						continue
					}
					u, v := float64(x)-fx, float64(y)-fy
					m.value[i] += float32(r.at(u, v))
					m.dx[i] += float32((r.at(u-h, v) - r.at(u+h, v)) / (2 * h))
					m.dy[i] += float32((r.at(u, v-h) - r.at(u, v+h)) / (2 * h))
					sum += float64(m.value[i])
				}
			}
			for i := at; i < at+n; i++ {
				m.value[i] /= float32(sum)
				m.dx[i] /= float32(sum)
				m.dy[i] /= float32(sum)
			}
		}
	}
}

// at is the map at an offset, by cubic convolution (Keys 1981, IEEE Trans.
// ASSP 29, 1153, a = -1/2).
func (r *residualMap) at(u, v float64) float64 {
	u, v = u/r.cell+float64(r.half), v/r.cell+float64(r.half)
	i, j := int(math.Floor(u)), int(math.Floor(v))
	if i < 1 || j < 1 || i+2 >= r.side || j+2 >= r.side {
		return 0
	}
	wx, wy := cubicWeights(u-float64(i)), cubicWeights(v-float64(j))
	sum := 0.0
	for b := range 4 {
		row := r.value[(j-1+b)*r.side+i-1:]
		sum += wy[b] * (wx[0]*row[0] + wx[1]*row[1] + wx[2]*row[2] + wx[3]*row[3])
	}
	return sum
}

func cubicWeights(t float64) [4]float64 {
	t2, t3 := t*t, t*t*t
	return [4]float64{
		(-t3 + 2*t2 - t) / 2,
		(3*t3 - 5*t2 + 2) / 2,
		(-3*t3 + 4*t2 + t) / 2,
		(t3 - t2) / 2,
	}
}

// centreTables notes where the light of a star at the origin has its centroid:
// what a star drawn out during the exposure has to report is the middle of its light.
func (m *psf) centreTables() {
	n := m.side * m.side
	var w, wx, wy float64
	long, _ := ellipseAxes(m.xx, m.xy, m.yy)
	window := centreWindow * long
	for py := range m.steps {
		for px := range m.steps {
			value := m.value[(py*m.steps+px)*n:][:n]
			i := 0
			for y := -m.radius; y <= m.radius; y++ {
				for x := -m.radius; x <= m.radius; x, i = x+1, i+1 {
					u, v := float64(x)-m.phase(px), float64(y)-m.phase(py)
					g := float64(value[i]) * math.Exp(-(u*u+v*v)/(2*window*window))
					w += g
					wx += g * u
					wy += g * v
				}
			}
		}
	}
	m.centre = [2]float64{wx / w, wy / w}
}

// centreWindow is the sigma of the window in which the centroid of the PSF is
// taken, in sigmas of its long axis: wide enough for all its light, and far
// from the noise of its border.
const centreWindow = 2.0
