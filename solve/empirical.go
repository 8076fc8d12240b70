package solve

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
func (p *prepared) empirical(m *psf, sources []source, noise noiseModel) bool {
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
	f := newFitter(p, m, noise)
	misfits := func(stars []source) (sum float64) {
		for i := range stars {
			f.fit(&stars[i], sources)
			sum += stars[i].misfit
		}
		return sum
	}
	plain := m.copyTables()
	before := misfits(other)
	for range empiricalRounds {
		p.addResiduals(m, f, half, sources)
	}
	after := misfits(other)
	m.value, m.dx, m.dy = plain[0], plain[1], plain[2]
	if after > empiricalGain*before {
		return false
	}
	for range empiricalRounds {
		p.addResiduals(m, f, used, sources)
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
func (p *prepared) addResiduals(m *psf, f *fitter, stars, sources []source) {
	_, short := ellipseAxes(m.xx, m.xy, m.yy)
	r := &residualMap{cell: max(empiricalCell*fwhmPerSigma*short, leastCell)}
	r.half = int(math.Ceil(float64(m.radius+1)/r.cell)) + 1
	r.side = 2*r.half + 1
	r.value = make([]float64, r.side*r.side)
	weight := make([]float64, len(r.value))
	smooth := empiricalSmooth * fwhmPerSigma * short / r.cell // in cells
	reach := int(math.Ceil(2.5 * smooth))
	alongU, alongV := make([]float64, 2*reach+1), make([]float64, 2*reach+1)
	for i := range stars {
		s := &stars[i]
		f.fit(s, sources)
		if s.failed {
			continue
		}
		cx, cy := math.Round(s.at[0]), math.Round(s.at[1])
		// The fit's last step moved the star off the tables' phase.
		k := 0
		for y := -m.radius; y <= m.radius; y++ {
			for x := -m.radius; x <= m.radius; x, k = x+1, k+1 {
				d, v := f.data[k], float64(f.value[k])
				if d != d || v == 0 {
					continue
				}
				model := s.flux * (v + f.ex*float64(f.dx[k]) + f.ey*float64(f.dy[k]))
				e := (d - f.fitted[3] - model) / s.flux
				variance := (f.sky2+f.noise.shot*max(0, model))/(s.flux*s.flux) + sq(starScatter*v)
				if math.Abs(e) > 3*math.Sqrt(variance)+v+0.05*float64(m.power) {
					continue // a neighbour or a defect
				}
				w := 1 / variance
				u, t := (float64(x)+cx-s.at[0])/r.cell, (float64(y)+cy-s.at[1])/r.cell
				iu, it := int(math.Round(u)), int(math.Round(t))
				for k := range alongU {
					alongU[k] = math.Exp(-sq(float64(iu-reach+k)-u) / (2 * smooth * smooth))
					alongV[k] = w * math.Exp(-sq(float64(it-reach+k)-t)/(2*smooth*smooth))
				}
				for j := max(it-reach, -r.half); j <= min(it+reach, r.half); j++ {
					for i := max(iu-reach, -r.half); i <= min(iu+reach, r.half); i++ {
						g := alongU[i-iu+reach] * alongV[j-it+reach]
						at := (j+r.half)*r.side + i + r.half
						r.value[at] += g * e
						weight[at] += g
					}
				}
			}
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
