package psf

import (
	"math"
	"slices"
	"sync"

	"polard/solve/detect/peaks"
)

// Model is the PSF of an image on the level of Scale: tables of a star's light and of its
// derivatives for Steps*Steps positions of the star inside its pixel. It is never changed.
type Model struct {
	light
	Radius      int        // the tables span -Radius..Radius
	Side        int        // 2*Radius + 1
	Steps       int        // tabulated positions along each side of a pixel
	Power       float64    // sum of squares of the centred position
	Top         float64    // largest value of it
	Centre      [2]float64 // centroid of the light of a star at the origin
	FluxFactor  float64    // variance of the flux by sky noise: how much more than for independent pixels
	Correlation Correlation
	Residual    float64 // mean relative residual of the stars it was chosen by
	Stars       int     // how many those were
	SmoothOnly  bool    // they were taken from where the background is smooth

	value  []float32 // [phase y][phase x][row][column], each phase sums to 1
	dx, dy []float32 // derivatives by the position of the star
	widths [widths]func() *Model
}

// Widths of the PSF: each is widthStep wider than the one before.
const (
	widthStep = 1.25
	narrower  = 2
	widths    = 7
)

// Width is the model k steps wider, made when first asked for.
func (m *Model) Width(k int) *Model {
	if k == 0 {
		return m
	}
	return m.widths[k+narrower]()
}

// WidthFor is the step whose width suits a star by its axes relative to the PSF.
func (m *Model) WidthFor(long, short float64) int {
	ratio := math.Sqrt(long * short)
	if !(ratio > 0) {
		return -narrower
	}
	k := int(math.Round(math.Log(ratio) / math.Log(widthStep)))
	return max(-narrower, min(widths-1-narrower, k))
}

// phasesPerSigma sets the step between tabulated positions: at most 1/8 of the
// short axis' sigma, so that a first-order step of half of it leaves
// (1/16)^2/2 = 0.2 percent of second order, which is even and moves no centroid but that of a
// star hardly wider than a pixel.
const phasesPerSigma = 8

// mostPhases bounds the tables of stars hardly wider than a pixel.
const mostPhases = 12

// tabulate makes the tables of a star's light, for independent pixels.
func tabulate(l *light) *Model {
	_, short := l.Axes()
	if l.ring {
		short *= ringEdge
	}
	return tabulateTo(l, l.radius, min(max(1, int(math.Ceil(phasesPerSigma/short))), mostPhases))
}

// tabulateTo makes tables of the given radius and steps.
func tabulateTo(l *light, radius, steps int) *Model {
	m := &Model{light: *l, Radius: radius, Side: 2*radius + 1, Steps: steps, FluxFactor: 1, Correlation: white}
	n := m.Side * m.Side
	m.value = make([]float32, m.Steps*m.Steps*n)
	m.dx = make([]float32, len(m.value))
	m.dy = make([]float32, len(m.value))
	limit := (float64(m.Radius) + 0.5) * (float64(m.Radius) + 0.5)
	for py := range m.Steps {
		for px := range m.Steps {
			at := (py*m.Steps + px) * n
			fx, fy := m.phase(px), m.phase(py)
			sum := 0.0
			i := at
			for y := -m.Radius; y <= m.Radius; y++ {
				for x := -m.Radius; x <= m.Radius; x++ {
					if float64(x*x+y*y) <= limit {
						v, dx, dy := m.at(float64(x)-fx, float64(y)-fy)
						m.value[i], m.dx[i], m.dy[i] = float32(v), float32(dx), float32(dy)
						sum += v
					}
					i++
				}
			}
			m.normalise(at, at+n, sum)
		}
	}
	m.widths = m.otherWidths()
	middle := m.Middle()
	m.Top = float64(slices.Max(middle))
	for _, v := range middle {
		m.Power += float64(v) * float64(v)
	}
	return m
}

// normalise divides the tables from from to to-1 by sum.
func (m *Model) normalise(from, to int, sum float64) {
	for i := from; i < to; i++ {
		m.value[i] /= float32(sum)
		m.dx[i] /= float32(sum)
		m.dy[i] /= float32(sum)
	}
}

func (m *Model) otherWidths() (list [widths]func() *Model) {
	for i := range list {
		list[i] = sync.OnceValue(func() *Model {
			w := tabulate(m.scaled(m.profile, math.Pow(widthStep, float64(i-narrower))))
			w.FluxFactor, w.Correlation = m.FluxFactor, m.Correlation
			return w
		})
	}
	return list
}

// Middle is the table of values for a star in the middle of its pixel.
func (m *Model) Middle() []float32 {
	mid := m.Steps / 2
	n := m.Side * m.Side
	return m.value[(mid*m.Steps+mid)*n:][:n]
}

// Correlated is the model for correlated noise of the image's pixels.
func (m *Model) Correlated(c Correlation) *Model {
	if m.Scale > 1 || c.White() {
		return m // means over a level's pixels hold it already
	}
	out := *m
	out.FluxFactor, out.Correlation = c.Factor(m.Middle(), m.Side), c
	out.widths = out.otherWidths()
	return &out
}

// Everywhere is the model for all of an image, wherever it was taken from.
func (m *Model) Everywhere() *Model {
	out := *m
	out.SmoothOnly = false
	return &out
}

// Wide is the model for stars with large saturated cores, on tables of the given radius. Only their wings are seen, which are smooth.
func (m *Model) Wide(radius int) *Model {
	w := tabulateTo(m.scaled(m.profile, 1), radius, wideSteps)
	// The flux of a star is what lies inside the ordinary table.
	middle := w.Middle()
	inside := float32(0)
	for y := -m.Radius; y <= m.Radius; y++ {
		for x := -m.Radius; x <= m.Radius; x++ {
			inside += middle[(y+w.Radius)*w.Side+x+w.Radius]
		}
	}
	w.normalise(0, len(w.value), float64(inside))
	w.Top /= float64(inside)
	w.FluxFactor, w.Correlation = m.FluxFactor, m.Correlation
	return w
}

// wideSteps are the phases of those tables.
const wideSteps = 3

// phase is the position inside the pixel of tabulated step i.
func (m *Model) phase(i int) float64 { return (float64(i)+0.5)/float64(m.Steps) - 0.5 }

// Table gives the tables nearest to a star at offset (fx, fy), each within half a
// pixel, from the centre of its pixel, and what remains of the offset.
func (m *Model) Table(fx, fy float64) (value, dx, dy []float32, restX, restY float64) {
	px := min(max(0, int((fx+0.5)*float64(m.Steps))), m.Steps-1)
	py := min(max(0, int((fy+0.5)*float64(m.Steps))), m.Steps-1)
	n := m.Side * m.Side
	at := (py*m.Steps + px) * n
	return m.value[at : at+n], m.dx[at : at+n], m.dy[at : at+n], fx - m.phase(px), fy - m.phase(py)
}

// PeakValue is what the highest pixel of a star of unit flux holds, or a ring's stands for.
func (m *Model) PeakValue() float64 {
	if m.ring {
		return m.Power
	}
	return float64(m.Middle()[m.Side*m.Side/2])
}

// Shape is what the matched filter knows of the PSF.
func (m *Model) Shape() peaks.Shape {
	s := peaks.Shape{Moments: m.Moments}
	if m.ring {
		long, _ := m.Axes()
		s.Ring = long / math.Sqrt(m.profile.kappa2)
	}
	return s
}
