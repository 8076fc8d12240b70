package solve

import (
	"math"
	"math/rand/v2"
)

// Simulated frames with known truth, for the tests.

// light is a point spread function: the share of a star's light that falls
// into the pixel whose centre lies at (dx, dy) from the star.
type light interface {
	pixel(dx, dy float64) float64
	reach() float64 // radius beyond which nothing is drawn
}

// gaussianLight is a round Gaussian, integrated over the pixel exactly.
type gaussianLight struct{ fwhm float64 }

func (g gaussianLight) pixel(dx, dy float64) float64 {
	s := g.fwhm / fwhmPerSigma * math.Sqrt2
	one := func(d float64) float64 { return (math.Erf((d+0.5)/s) - math.Erf((d-0.5)/s)) / 2 }
	return one(dx) * one(dy)
}
func (g gaussianLight) reach() float64 { return 3*g.fwhm + 1 }

// moffatLight is Moffat's profile (1969, A&A 3, 455), averaged over 5 by 5
// points of the pixel.
type moffatLight struct {
	fwhm, beta float64
	table      []float64 // over r^2 in steps of tableStep
}

const moffatTable = 1 << 15

func newMoffatLight(fwhm, beta float64) *moffatLight {
	m := &moffatLight{fwhm: fwhm, beta: beta, table: make([]float64, moffatTable+2)}
	a2 := sq(fwhm/2) / (math.Pow(2, 1/beta) - 1)
	for i := range m.table {
		r2 := float64(i) * sq(m.reach()+2) * 2 / moffatTable
		m.table[i] = math.Pow(1+r2/a2, -beta) * (beta - 1) / (math.Pi * a2)
	}
	return m
}

func (m *moffatLight) pixel(dx, dy float64) float64 {
	const n = 5
	per := moffatTable / (sq(m.reach()+2) * 2)
	sum := 0.0
	for i := range n {
		for j := range n {
			x, y := dx+(float64(i)+0.5)/n-0.5, dy+(float64(j)+0.5)/n-0.5
			t := (x*x + y*y) * per
			k := int(t)
			sum += m.table[k] + (t-float64(k))*(m.table[k+1]-m.table[k])
		}
	}
	return sum / (n * n)
}
func (m *moffatLight) reach() float64 { return 5*m.fwhm + 1 }

// spreadLight repeats a light along points: trails and rings.
type spreadLight struct {
	light
	points [][2]float64
}

func (s spreadLight) pixel(dx, dy float64) float64 {
	sum := 0.0
	for _, p := range s.points {
		sum += s.light.pixel(dx-p[0], dy-p[1])
	}
	return sum / float64(len(s.points))
}

func (s spreadLight) reach() float64 {
	r := 0.0
	for _, p := range s.points {
		r = max(r, math.Hypot(p[0], p[1]))
	}
	return r + s.light.reach()
}

func trailedLight(l light, length, angle float64) light {
	s := spreadLight{light: l}
	n := int(4*length) + 1
	for i := range n {
		t := length * ((float64(i)+0.5)/float64(n) - 0.5)
		s.points = append(s.points, [2]float64{t * math.Cos(angle), t * math.Sin(angle)})
	}
	return s
}

// ringLight is a defocused telescope: an annulus of the given outer radius.
func ringLight(l light, outer, obstruction float64) light {
	s := spreadLight{light: l}
	step := outer / 12
	for y := -outer; y <= outer; y += step {
		for x := -outer; x <= outer; x += step {
			if r := math.Hypot(x, y); r <= outer && r >= obstruction*outer {
				s.points = append(s.points, [2]float64{x, y})
			}
		}
	}
	return s
}

// mock is a simulated frame: electrons are drawn, then divided by the gain.
type mock struct {
	img   Image
	truth []mockStar // in the order in which they were added
	rng   *rand.Rand
	mean  []float64 // electrons
}

type mockStar struct {
	x, y, electrons float64
}

func newMock(width, height int, seed uint64, sky float64) *mock {
	m := &mock{rng: rand.New(rand.NewPCG(seed, 0)), mean: make([]float64, width*height)}
	m.img = Image{Width: width, Height: height}
	for i := range m.mean {
		m.mean[i] = sky
	}
	return m
}

func (m *mock) star(l light, x, y, electrons float64) {
	m.truth = append(m.truth, mockStar{x, y, electrons})
	m.light(l, x, y, electrons)
}

// light draws without noting the truth.
func (m *mock) light(l light, x, y, electrons float64) {
	r := l.reach()
	for iy := max(0, int(y-r)); iy <= min(m.img.Height-1, int(y+r)); iy++ {
		for ix := max(0, int(x-r)); ix <= min(m.img.Width-1, int(x+r)); ix++ {
			m.mean[iy*m.img.Width+ix] += electrons * l.pixel(float64(ix)-x, float64(iy)-y)
		}
	}
}

// expose draws the noise: Poisson of the electrons, Gaussian read noise, then
// gain (electrons for each unit), offset, rounding and clipping to whole units.
func (m *mock) expose(readNoise, gain, offset, full float64) Image {
	m.img.Pix = make([]float32, len(m.mean))
	for i, e := range m.mean {
		v := (m.poisson(e)+m.rng.NormFloat64()*readNoise)/gain + offset
		m.img.Pix[i] = float32(math.Max(0, math.Min(full, math.Round(v))))
	}
	return m.img
}

// poisson draws from a Poisson distribution; above 50 the Gaussian with the
// same mean and variance, rounded, is close enough (skewness 0.14).
func (m *mock) poisson(mean float64) float64 {
	if mean > 50 {
		return math.Max(0, math.Round(mean+math.Sqrt(mean)*m.rng.NormFloat64()))
	}
	l, k, p := math.Exp(-mean), 0.0, 1.0
	for {
		p *= m.rng.Float64()
		if p <= l {
			return k
		}
		k++
	}
}

// cramerRao is the smallest possible standard deviation of x of an unbiased
// estimator that knows flux and sky: the Fisher information of independent pixels whose
// variance is known, 1/sqrt(sum (dmu/dx)^2 / var), averaged over the places
// inside the pixel that are asked for.
func cramerRao(l light, electrons, skyVariance, fx, fy float64) float64 {
	r := int(l.reach()) + 1
	info := 0.0
	for y := -r; y <= r; y++ {
		for x := -r; x <= r; x++ {
			const h = 1e-2
			dx, dy := float64(x)-fx, float64(y)-fy
			g := electrons * (l.pixel(dx-h, dy) - l.pixel(dx+h, dy)) / (2 * h)
			info += g * g / (skyVariance + electrons*l.pixel(dx, dy))
		}
	}
	return 1 / math.Sqrt(info)
}

// mosaicLike does to noise what the reduction of a colour mosaic to luminance does: the mean
// of neighbours with weights [1 2 1]/4 both ways.
func mosaicLike(img Image) Image {
	out := make([]float32, len(img.Pix))
	w := img.Width
	for y := 1; y < img.Height-1; y++ {
		for x := 1; x < w-1; x++ {
			s := float32(0)
			for j, a := range []float32{1, 2, 1} {
				for i, b := range []float32{1, 2, 1} {
					s += a * b * img.Pix[(y+j-1)*w+x+i-1]
				}
			}
			out[y*w+x] = s / 16
		}
	}
	img.Pix = out
	return img
}
