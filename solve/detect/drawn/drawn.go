// Package drawn makes simulated frames with known truth: light, noise and defects, for tests and benchmarks of
// the detection. No program imports it.
package drawn

import (
	"math"
	"math/rand/v2"

	"polard/solve/detect/raster"
)

// Light is a point spread function: the share of a star's light that falls
// into the pixel whose centre lies at (dx, dy) from the star.
type Light interface {
	Pixel(dx, dy float64) float64
	Reach() float64 // radius beyond which nothing is drawn
}

// Gaussian is a round Gaussian of the given full width at half maximum in pixels, integrated over the pixel exactly.
func Gaussian(fwhm float64) Light { return gaussian{fwhm} }

type gaussian struct{ fwhm float64 }

// fwhmPerSigma is 2 sqrt(2 ln 2).
const fwhmPerSigma = 2.354820045

// The usual frame of the tests.
const (
	Sky, Read, Gain = 400.0, 5.0, 1.5 // electrons of sky in a pixel and of read noise, electrons for each unit
	// Variance is that of a pixel of sky, in electrons: shot, read and rounding noise.
	Variance = Sky + Read*Read + Gain*Gain/12
)

func sq(x float64) float64 { return x * x }

func (g gaussian) Pixel(dx, dy float64) float64 {
	s := g.fwhm / fwhmPerSigma * math.Sqrt2
	one := func(d float64) float64 { return (math.Erf((d+0.5)/s) - math.Erf((d-0.5)/s)) / 2 }
	return one(dx) * one(dy)
}
func (g gaussian) Reach() float64 { return 3*g.fwhm + 1 }

type moffat struct {
	fwhm, beta float64
	table      []float64 // over r^2 in even steps
}

const moffatTable = 1 << 15

// Moffat is Moffat's profile (1969, A&A 3, 455), averaged over 5 by 5
// points of the pixel.
func Moffat(fwhm, beta float64) Light {
	m := &moffat{fwhm: fwhm, beta: beta, table: make([]float64, moffatTable+2)}
	a2 := sq(fwhm/2) / (math.Pow(2, 1/beta) - 1)
	for i := range m.table {
		r2 := float64(i) * sq(m.Reach()+2) * 2 / moffatTable
		m.table[i] = math.Pow(1+r2/a2, -beta) * (beta - 1) / (math.Pi * a2)
	}
	return m
}

func (m *moffat) Pixel(dx, dy float64) float64 {
	const n = 5
	per := moffatTable / (sq(m.Reach()+2) * 2)
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
func (m *moffat) Reach() float64 { return 5*m.fwhm + 1 }

// spreadLight repeats a light along points: trails and rings.
type spreadLight struct {
	Light
	points [][2]float64
}

func (s spreadLight) Pixel(dx, dy float64) float64 {
	sum := 0.0
	for _, p := range s.points {
		sum += s.Light.Pixel(dx-p[0], dy-p[1])
	}
	return sum / float64(len(s.points))
}

func (s spreadLight) Reach() float64 {
	r := 0.0
	for _, p := range s.points {
		r = max(r, math.Hypot(p[0], p[1]))
	}
	return r + s.Light.Reach()
}

// Trailed draws a light out along a line; angle is from the rows, radians.
func Trailed(l Light, length, angle float64) Light {
	s := spreadLight{Light: l}
	n := int(4*length) + 1
	for i := range n {
		t := length * ((float64(i)+0.5)/float64(n) - 0.5)
		s.points = append(s.points, [2]float64{t * math.Cos(angle), t * math.Sin(angle)})
	}
	return s
}

// Ring is a defocused telescope: an annulus of the given outer radius.
func Ring(l Light, outer, obstruction float64) Light {
	s := spreadLight{Light: l}
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

// Frame is a simulated frame: electrons are drawn, then divided by the gain.
type Frame struct {
	Image     raster.Image
	Truth     []Star // in the order in which they were added
	Rand      *rand.Rand
	Electrons []float64 // expected in each pixel
}

// Star is one that was drawn, by the electrons of all its light.
type Star struct {
	X, Y, Electrons float64
}

// New is a frame of even sky, in electrons a pixel.
func New(width, height int, seed uint64, sky float64) *Frame {
	m := &Frame{Rand: rand.New(rand.NewPCG(seed, 0)), Electrons: make([]float64, width*height)}
	m.Image = raster.Image{Width: width, Height: height}
	for i := range m.Electrons {
		m.Electrons[i] = sky
	}
	return m
}

// Star draws one and notes it.
func (m *Frame) Star(l Light, x, y, electrons float64) {
	m.Truth = append(m.Truth, Star{x, y, electrons})
	m.Light(l, x, y, electrons)
}

// Light draws without noting the truth.
func (m *Frame) Light(l Light, x, y, electrons float64) {
	r := l.Reach()
	for iy := max(0, int(y-r)); iy <= min(m.Image.Height-1, int(y+r)); iy++ {
		for ix := max(0, int(x-r)); ix <= min(m.Image.Width-1, int(x+r)); ix++ {
			m.Electrons[iy*m.Image.Width+ix] += electrons * l.Pixel(float64(ix)-x, float64(iy)-y)
		}
	}
}

// Expose draws the noise: Poisson of the electrons, Gaussian read noise, then
// gain (electrons for each unit), offset, rounding and clipping to whole units.
func (m *Frame) Expose(readNoise, gain, offset, full float64) raster.Image {
	m.Image.Pix = make([]float32, len(m.Electrons))
	for i, e := range m.Electrons {
		v := (m.poisson(e)+m.Rand.NormFloat64()*readNoise)/gain + offset
		m.Image.Pix[i] = float32(math.Max(0, math.Min(full, math.Round(v))))
	}
	return m.Image
}

// poisson draws from a Poisson distribution; above 50 the Gaussian with the
// same mean and variance, rounded, is close enough (skewness 0.14).
func (m *Frame) poisson(mean float64) float64 {
	if mean > 50 {
		return math.Max(0, math.Round(mean+math.Sqrt(mean)*m.Rand.NormFloat64()))
	}
	l, k, p := math.Exp(-mean), 0.0, 1.0
	for {
		p *= m.Rand.Float64()
		if p <= l {
			return k
		}
		k++
	}
}

// CramerRao is the smallest possible standard deviation of x of an unbiased
// estimator that knows flux and sky: the Fisher information of independent pixels whose
// variance is known, 1/sqrt(sum (dmu/dx)^2 / var), averaged over the places
// inside the pixel that are asked for.
func CramerRao(l Light, electrons, skyVariance, fx, fy float64) float64 {
	r := int(l.Reach()) + 1
	info := 0.0
	for y := -r; y <= r; y++ {
		for x := -r; x <= r; x++ {
			const h = 1e-2
			dx, dy := float64(x)-fx, float64(y)-fy
			g := electrons * (l.Pixel(dx-h, dy) - l.Pixel(dx+h, dy)) / (2 * h)
			info += g * g / (skyVariance + electrons*l.Pixel(dx, dy))
		}
	}
	return 1 / math.Sqrt(info)
}

// Smoothed does to noise what the reduction of a colour mosaic to luminance does: the mean
// of neighbours with weights [1 2 1]/4 both ways.
func Smoothed(img raster.Image) raster.Image {
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

// Stars puts n stars into the frame whose number rises tenfold for 2.5
// magnitudes, from a signal-to-noise of about 8 upwards.
func (m *Frame) Stars(l Light, n int, variance float64) {
	least := Electrons(l, 8, variance)
	w, h := float64(m.Image.Width), float64(m.Image.Height)
	margin := l.Reach() / 3
	for range n {
		e := least / math.Max(m.Rand.Float64(), 1e-3)
		m.Star(l, margin+m.Rand.Float64()*(w-2*margin), margin+m.Rand.Float64()*(h-2*margin), e)
	}
}

// HotPixels adds electrons between the least and the most to n pixels, evenly in their logarithm.
func (m *Frame) HotPixels(n int, least, most float64) {
	for range n {
		m.Electrons[m.Rand.IntN(len(m.Electrons))] += least * math.Pow(most/least, m.Rand.Float64())
	}
}

// Bloom lets the charge above full flow along the columns, half of it each way.
func Bloom(img raster.Image, full float32) {
	for x := range img.Width {
		for _, up := range []bool{false, true} {
			spill := float32(0)
			for k := range img.Height {
				y := k
				if up {
					y = img.Height - 1 - k
				}
				v := &img.Pix[y*img.Width+x]
				switch {
				case *v > full && !up:
					half := (*v - full) / 2
					spill += half
					*v -= half
				case *v > full:
					spill += *v - full
					*v = full
				}
				if spill > 0 && *v < full {
					d := min(spill, full-*v)
					*v += d
					spill -= d
				}
			}
		}
	}
}

// Electrons gives the star that an ideal matched filter sees at the
// signal-to-noise snr over the noise of the sky alone.
func Electrons(l Light, snr, variance float64) float64 {
	r := int(l.Reach()) + 1
	p2 := 0.0
	for y := -r; y <= r; y++ {
		for x := -r; x <= r; x++ {
			p2 += sq(l.Pixel(float64(x), float64(y)))
		}
	}
	return snr * math.Sqrt(variance/p2)
}

// Telescope is a frame as a telescope takes it: stars whose number rises
// tenfold for 2.5 magnitudes, some hot pixels, a gradient.
func Telescope(width, height int, starsPerMpx float64) raster.Image {
	m := New(width, height, 7, 600)
	for i := range m.Electrons {
		m.Electrons[i] += 0.1 * float64(i%width)
	}
	l := &stampLight{Light: Moffat(3, 3.2), stamps: map[[2]float64]float64{}}
	n := int(starsPerMpx * float64(width*height) / 1e6)
	for range n {
		e := 1000 / math.Pow(max(m.Rand.Float64(), 1e-4), 1/1.0)
		// Places in quarters of a pixel let the stamps be used again.
		m.Star(l, float64(m.Rand.IntN(4*width))/4, float64(m.Rand.IntN(4*height))/4, e)
	}
	for range width * height / 5000 {
		m.Electrons[m.Rand.IntN(len(m.Electrons))] += 1e4
	}
	return m.Expose(5, 1, 200, 65535)
}

// stampLight remembers what it has drawn.
type stampLight struct {
	Light
	stamps map[[2]float64]float64
}

func (s *stampLight) Pixel(dx, dy float64) float64 {
	v, ok := s.stamps[[2]float64{dx, dy}]
	if !ok {
		v = s.Light.Pixel(dx, dy)
		s.stamps[[2]float64{dx, dy}] = v
	}
	return v
}
