package psf

import (
	"context"
	"math"

	"polard/solve/parallel"
)

// ResidualMap is a smooth map of what the PSF does not hold, on square cells around the star, as parts of its flux.
type ResidualMap struct {
	Cell  float64 // pixels of the level
	Half  int     // cells from the middle to the border
	Side  int     // 2*Half + 1
	Value []float64
}

// At is the value of the tables at an offset, nearest phase.
func (m *Model) At(u, v float64) float64 {
	x, y := int(math.Round(u)), int(math.Round(v))
	if max(x, -x, y, -y) > m.Radius {
		return 0
	}
	// A pixel at offset u sees a star at phase x-u.
	value, _, _, _, _ := m.Table(float64(x)-u, float64(y)-v)
	return float64(value[(y+m.Radius)*m.Side+x+m.Radius])
}

// WithResiduals is the model with a map added to the tables, and its slopes to the derivatives (Anderson and King
// 2000, PASP 112, 1360, section 4). The error is ctx's.
func (m *Model) WithResiduals(ctx context.Context, workers int, r *ResidualMap) (*Model, error) {
	out := *m
	out.value, out.dx, out.dy = make([]float32, len(m.value)), make([]float32, len(m.value)), make([]float32, len(m.value))
	err := parallel.Each(ctx, workers, m.Steps*m.Steps, func(_, phase int) { out.addResiduals(m, r, phase) })
	return &out, err
}

// addResiduals writes the tables of one phase: m's with the map added.
func (out *Model) addResiduals(m *Model, r *ResidualMap, phase int) {
	const h = 0.05
	n := m.Side * m.Side
	fx, fy := m.phase(phase%m.Steps), m.phase(phase/m.Steps)
	sum := 0.0
	i := phase * n
	for y := -m.Radius; y <= m.Radius; y++ {
		for x := -m.Radius; x <= m.Radius; x, i = x+1, i+1 {
			if m.value[i] == 0 {
				continue
			}
			u, v := float64(x)-fx, float64(y)-fy
			out.value[i] = m.value[i] + float32(r.at(u, v))
			out.dx[i] = m.dx[i] + float32((r.at(u-h, v)-r.at(u+h, v))/(2*h))
			out.dy[i] = m.dy[i] + float32((r.at(u, v-h)-r.at(u, v+h))/(2*h))
			sum += float64(out.value[i])
		}
	}
	out.normalise(phase*n, (phase+1)*n, sum)
}

// at is the map at an offset, by cubic convolution (Keys 1981, IEEE Trans.
// ASSP 29, 1153, a = -1/2).
func (r *ResidualMap) at(u, v float64) float64 {
	u, v = u/r.Cell+float64(r.Half), v/r.Cell+float64(r.Half)
	i, j := int(math.Floor(u)), int(math.Floor(v))
	if i < 1 || j < 1 || i+2 >= r.Side || j+2 >= r.Side {
		return 0
	}
	wx, wy := cubicWeights(u-float64(i)), cubicWeights(v-float64(j))
	sum := 0.0
	for b := range 4 {
		row := r.Value[(j-1+b)*r.Side+i-1:]
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

// Centred is the model that knows where the light of a star at the origin has its centroid:
// what a star drawn out during the exposure has to report is the middle of its light.
func (m *Model) Centred() *Model {
	out := *m
	n := m.Side * m.Side
	var w, wx, wy float64
	long, _ := m.Axes()
	window := centreWindow * long
	for py := range m.Steps {
		for px := range m.Steps {
			value := m.value[(py*m.Steps+px)*n:][:n]
			i := 0
			for y := -m.Radius; y <= m.Radius; y++ {
				for x := -m.Radius; x <= m.Radius; x, i = x+1, i+1 {
					u, v := float64(x)-m.phase(px), float64(y)-m.phase(py)
					g := float64(value[i]) * math.Exp(-(u*u+v*v)/(2*window*window))
					w += g
					wx += g * u
					wy += g * v
				}
			}
		}
	}
	out.Centre = [2]float64{wx / w, wy / w}
	return &out
}

// centreWindow is the sigma of the window in which the centroid of the PSF is
// taken, in sigmas of its long axis: wide enough for all its light, and far
// from the noise of its border.
const centreWindow = 2.0
