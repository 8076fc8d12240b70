package detect

import (
	"context"
	"hash/fnv"
	"math"
	"testing"

	"polard/solve/detect/drawn"
	"polard/solve/robust"
)

// hardScene puts stars into a frame as it comes from a real night.
type hardScene struct {
	name string
	l    drawn.Light
	near float64 // how far from the truth a star may be found, pixels
	make func(m *drawn.Frame, l drawn.Light) Image
}

const (
	hardSide  = 768
	hardSeeds = 3
	// clearSNR is the signal-to-noise from which a star is to be found: the filter's threshold is 4.5, a filter
	// that is a Gaussian loses up to half of a star's, and noise takes off three of it at one in 700.
	clearSNR = 15
	// wideReach: a light that covers more than half of a tile of the background (64 pixels) is taken for sky in part; twice
	// the signal is asked for.
	wideReach = 20
)

// score is how the detections of some frames compare with the truth.
type score struct {
	stars, found int // of clearSNR and more, clear of others
	detections   int
	spurious     int
	brightest    int // of the 30 brightest detections of each frame
	first        int // spurious among these
	sum, chi2    float64
}

// add compares one frame.
func (s *score) add(m *drawn.Frame, d *Result, l drawn.Light, near float64) {
	least := drawn.Electrons(l, clearSNR, 1) // it grows with the noise
	if l.Reach() > wideReach {
		least *= 2
	}
	for i, t := range m.Truth {
		if t.Electrons < least*math.Sqrt(localVariance(m, t)) || !standsClear(m, i, l) {
			continue
		}
		s.stars++
		b, r := d.nearest(t.X, t.Y)
		if r > near {
			continue
		}
		s.found++
		ex, ey := b.Pos.X-t.X, b.Pos.Y-t.Y
		s.sum += (ex*ex + ey*ey) / 2
		s.chi2 += (ex*ex/b.Cov[0][0] + ey*ey/b.Cov[1][1]) / 2
	}
	s.detections += len(d.Detections)
	s.brightest += min(30, len(d.Detections))
	for i, b := range d.Detections {
		least := math.Inf(1)
		for _, t := range m.Truth {
			least = min(least, math.Hypot(b.Pos.X-t.X, b.Pos.Y-t.Y))
		}
		if least > max(near, 2) {
			s.spurious++
			if i < 30 {
				s.first++
			}
		}
	}
}

// standsClear tells whether no other star lies in the light of one.
func standsClear(m *drawn.Frame, i int, l drawn.Light) bool {
	for j, o := range m.Truth {
		if j != i && math.Hypot(o.X-m.Truth[i].X, o.Y-m.Truth[i].Y) < 1.5*l.Reach() && o.Electrons > m.Truth[i].Electrons/20 {
			return false
		}
	}
	return true
}

// localVariance is that of a pixel around a star: of the median light there.
func localVariance(m *drawn.Frame, at drawn.Star) float64 {
	const reach, step = 24, 3
	var light []float64
	for y := max(0, int(at.Y)-reach); y < min(hardSide, int(at.Y)+reach); y += step {
		for x := max(0, int(at.X)-reach); x < min(hardSide, int(at.X)+reach); x += step {
			light = append(light, m.Electrons[y*hardSide+x])
		}
	}
	return drawn.Variance - drawn.Sky + robust.Median(light)
}

// TestHardFrames: of frames as they come from real nights, whatever the seed,
//
//   - stars that stand clear of others and of the noise around them are found: nineteen of twenty, since nebulae and lamps may
//     cover some;
//   - of ten detections nine are stars, and beyond these four a frame, which Gaussian noise alone gives at most (Poisson, mean
//     of 0.8, one in a thousand): the odds of a match are against chance among all of them;
//   - where there are stars, of the 30 brightest detections, with which the match begins, nine of ten are: then two patterns
//     of four in three are whole.
func TestHardFrames(t *testing.T) {
	if testing.Short() {
		t.Skip("many frames")
	}
	for _, s := range hardScenes {
		t.Run(s.name, func(t *testing.T) {
			t.Parallel()
			var got score
			for n := range hardSeeds {
				h := fnv.New64a()
				h.Write([]byte{byte(n)})
				h.Write([]byte(s.name))
				m := drawn.New(hardSide, hardSide, h.Sum64(), drawn.Sky)
				img := s.make(m, s.l)
				d, err := Find(context.Background(), img)
				if err != nil {
					t.Fatal(err)
				}
				got.add(m, d, s.l, s.near)
			}
			t.Logf("%d of %d stars, %d detections, %d spurious, %d of them among the %d brightest, rms error %.3f pixels, %.2f of the stated",
				got.found, got.stars, got.detections, got.spurious, got.first, got.brightest, math.Sqrt(got.sum/float64(max(1, got.found))), math.Sqrt(got.chi2/float64(max(1, got.found))))
			if 20*got.found < 19*got.stars {
				t.Errorf("found %d of %d stars", got.found, got.stars)
			}
			if got.spurious > got.detections/10+4*hardSeeds {
				t.Errorf("%d of %d detections are no stars", got.spurious, got.detections)
			}
			if got.stars > 0 && got.first > max(got.brightest/10, 1) {
				t.Errorf("%d of the %d brightest detections are no stars", got.first, got.brightest)
			}
		})
	}
}

func expose(m *drawn.Frame) Image { return m.Expose(drawn.Read, drawn.Gain, 100, 65535) }

var hardScenes = []hardScene{
	{"plain", drawn.Moffat(3, 3), 1, func(m *drawn.Frame, l drawn.Light) Image { m.Stars(l, 200, drawn.Variance); return expose(m) }},
	{"hot only", drawn.Moffat(3, 3), 1, func(m *drawn.Frame, l drawn.Light) Image { m.HotPixels(8000, 60, 50000); return expose(m) }},
	{"hot 8000", drawn.Moffat(2.5, 3), 1, func(m *drawn.Frame, l drawn.Light) Image {
		m.Stars(l, 100, drawn.Variance)
		m.HotPixels(8000, 60, 50000)
		return expose(m)
	}},
	{"hot 8000 fwhm 1.3", drawn.Gaussian(1.3), 1, func(m *drawn.Frame, l drawn.Light) Image {
		m.Stars(l, 100, drawn.Variance)
		m.HotPixels(8000, 60, 50000)
		return expose(m)
	}},
	{"trail 6", drawn.Trailed(drawn.Gaussian(2.5), 6, 0.5), 1, func(m *drawn.Frame, l drawn.Light) Image { m.Stars(l, 100, drawn.Variance); return expose(m) }},
	{"trail 15", drawn.Trailed(drawn.Gaussian(2.5), 15, 0.5), 2, func(m *drawn.Frame, l drawn.Light) Image { m.Stars(l, 100, drawn.Variance); return expose(m) }},
	{"trail 15 h", drawn.Trailed(drawn.Gaussian(2.5), 15, 0), 2, func(m *drawn.Frame, l drawn.Light) Image { m.Stars(l, 30, drawn.Variance); return expose(m) }},
	{"ring 8", drawn.Ring(drawn.Gaussian(2), 8, 0.4), 2, func(m *drawn.Frame, l drawn.Light) Image { m.Stars(l, 60, drawn.Variance); return expose(m) }},
	{"ring 20", drawn.Ring(drawn.Gaussian(2), 20, 0.4), 4, func(m *drawn.Frame, l drawn.Light) Image { m.Stars(l, 30, drawn.Variance); return expose(m) }},
	{"few 10", drawn.Moffat(3, 3), 1, func(m *drawn.Frame, l drawn.Light) Image { m.Stars(l, 10, drawn.Variance); return expose(m) }},
	{"saturated", drawn.Moffat(3, 3), 1, func(m *drawn.Frame, l drawn.Light) Image {
		m.Stars(l, 200, drawn.Variance)
		return m.Expose(drawn.Read, drawn.Gain, 100, 1500)
	}},
	{"bloom", drawn.Moffat(3, 3), 1, func(m *drawn.Frame, l drawn.Light) Image {
		m.Stars(l, 100, drawn.Variance)
		for range 12 {
			m.Star(drawn.Moffat(3, 3), 40+m.Rand.Float64()*688, 40+m.Rand.Float64()*688, 3e5*math.Pow(30, m.Rand.Float64()))
		}
		img := m.Expose(drawn.Read, drawn.Gain, 100, math.Inf(1))
		drawn.Bloom(img, 4095)
		return img
	}},
	{"saturated hard", drawn.Moffat(3, 3), 1, func(m *drawn.Frame, l drawn.Light) Image {
		m.Stars(l, 100, drawn.Variance)
		for range 12 {
			m.Star(drawn.Moffat(3, 3), 40+m.Rand.Float64()*688, 40+m.Rand.Float64()*688, 3e5*math.Pow(30, m.Rand.Float64()))
		}
		return m.Expose(drawn.Read, drawn.Gain, 100, 4095)
	}},
	{"gradient", drawn.Moffat(3, 3), 1, func(m *drawn.Frame, l drawn.Light) Image {
		m.Stars(l, 200, drawn.Variance)
		for i := range m.Electrons {
			x, y := float64(i%m.Image.Width), float64(i/m.Image.Width)
			m.Electrons[i] += 3*x + 2000*math.Exp(-y/150)
		}
		return expose(m)
	}},
	{"horizon", drawn.Moffat(3, 3), 1, func(m *drawn.Frame, l drawn.Light) Image {
		m.Stars(l, 200, drawn.Variance)
		w := m.Image.Width
		for y := m.Image.Height / 2; y < m.Image.Height; y++ {
			for x := range w {
				m.Electrons[y*w+x] = 8000 + 3000*math.Sin(float64(x)/40)*math.Cos(float64(y)/25) + 800*math.Sin(float64(x)/3.1)*math.Sin(float64(y)/2.7)
			}
		}
		for i := range m.Truth {
			if m.Truth[i].Y > float64(m.Image.Height/2-10) {
				m.Truth[i].Electrons = 0
			}
		}
		return expose(m)
	}},
	{"banding", drawn.Moffat(3, 3), 1, func(m *drawn.Frame, l drawn.Light) Image {
		m.Stars(l, 200, drawn.Variance)
		w := m.Image.Width
		for y := range m.Image.Height {
			b := 12 * m.Rand.NormFloat64()
			for x := range w {
				m.Electrons[y*w+x] += b
			}
		}
		return expose(m)
	}},
	{"8 bit", drawn.Gaussian(1.5), 1, func(m *drawn.Frame, l drawn.Light) Image {
		m.Stars(l, 200, drawn.Variance)
		return m.Expose(drawn.Read, 60, 3, 255)
	}},
	{"black clip", drawn.Moffat(3, 3), 1, func(m *drawn.Frame, l drawn.Light) Image {
		m.Stars(l, 200, drawn.Variance)
		return m.Expose(drawn.Read, drawn.Gain, -drawn.Sky/drawn.Gain-10, 65535)
	}},
	{"satellite", drawn.Moffat(3, 3), 1, func(m *drawn.Frame, l drawn.Light) Image {
		m.Stars(l, 100, drawn.Variance)
		tr := drawn.Gaussian(3)
		for s := 0.0; s < 1200; s += 0.5 {
			x, y := 5+s*0.8, 100+s*0.55
			for iy := int(y) - 6; iy <= int(y)+6; iy++ {
				for ix := int(x) - 6; ix <= int(x)+6; ix++ {
					if ix >= 0 && iy >= 0 && ix < m.Image.Width && iy < m.Image.Height {
						m.Electrons[iy*m.Image.Width+ix] += 400 * tr.Pixel(float64(ix)-x, float64(iy)-y)
					}
				}
			}
		}
		return expose(m)
	}},
	{"nebula", drawn.Moffat(3, 3), 1, func(m *drawn.Frame, l drawn.Light) Image {
		m.Stars(l, 100, drawn.Variance)
		for i := range m.Electrons {
			x, y := float64(i%m.Image.Width), float64(i/m.Image.Width)
			m.Electrons[i] += 1500 * math.Exp(-(sq(x-400)+sq(y-300))/(2*60*60)) * (1 + 0.4*math.Sin(x/9)*math.Cos(y/11))
			m.Electrons[i] += 3000 * math.Exp(-math.Hypot(x-150, (y-600)*2)/12)
		}
		return expose(m)
	}},
	{"cosmics", drawn.Moffat(3, 3), 1, func(m *drawn.Frame, l drawn.Light) Image {
		m.Stars(l, 100, drawn.Variance)
		for range 600 {
			x, y := m.Rand.Float64()*768, m.Rand.Float64()*768
			a, n := m.Rand.Float64()*2*math.Pi, 1+m.Rand.IntN(7)
			e := 200 * math.Pow(30, m.Rand.Float64())
			for k := range n {
				ix, iy := int(x+float64(k)*math.Cos(a)), int(y+float64(k)*math.Sin(a))
				if ix >= 0 && iy >= 0 && ix < m.Image.Width && iy < m.Image.Height {
					m.Electrons[iy*m.Image.Width+ix] += e
				}
			}
		}
		return expose(m)
	}},
	{"amp glow", drawn.Moffat(3, 3), 1, func(m *drawn.Frame, l drawn.Light) Image {
		m.Stars(l, 100, drawn.Variance)
		for i := range m.Electrons {
			x, y := float64(i%m.Image.Width), float64(i/m.Image.Width)
			m.Electrons[i] += 30000 * math.Exp(-math.Hypot(x-780, y-760)/40)
		}
		return expose(m)
	}},
	{"mosaic", drawn.Gaussian(3), 1, func(m *drawn.Frame, l drawn.Light) Image {
		m.Stars(l, 200, drawn.Variance)
		return drawn.Smoothed(expose(m))
	}},
	{"plate", drawn.Moffat(3, 3), 1.5, func(m *drawn.Frame, l drawn.Light) Image {
		m.Stars(l, 150, drawn.Variance)
		for range 15 {
			m.Star(drawn.Moffat(3, 2.2), 40+m.Rand.Float64()*688, 40+m.Rand.Float64()*688, 1e5*math.Pow(300, m.Rand.Float64()))
		}
		img := m.Expose(drawn.Read, drawn.Gain, 100, math.Inf(1))
		// The blackening of an emulsion levels off; its grain stays.
		for i, e := range img.Pix {
			img.Pix[i] = float32(math.Round(20000*float64(e)/(float64(e)+6000) + 30*m.Rand.NormFloat64()))
		}
		return img
	}},
	{"spikes", drawn.Moffat(3, 3), 1, func(m *drawn.Frame, l drawn.Light) Image {
		m.Stars(l, 100, drawn.Variance)
		for range 8 {
			x, y, e := 60+m.Rand.Float64()*640, 60+m.Rand.Float64()*640, 2e5*math.Pow(10, m.Rand.Float64())
			m.Star(l, x, y, e)
			g := drawn.Gaussian(1.6)
			for _, a := range []float64{0.3, 0.3 + math.Pi/2, 0.3 + math.Pi, 0.3 + 1.5*math.Pi} {
				for r := 3.0; r < 120; r += 0.5 {
					m.Light(g, x+r*math.Cos(a), y+r*math.Sin(a), 0.0015*e*math.Exp(-r/25)*(1+0.3*math.Sin(r)))
				}
			}
		}
		return expose(m)
	}},
	{"lens corners", drawn.Gaussian(1.6), 1, func(m *drawn.Frame, l drawn.Light) Image {
		for range 250 {
			x, y := 10+m.Rand.Float64()*748, 10+m.Rand.Float64()*748
			r, a := math.Hypot(x-384, y-384)/540, math.Atan2(y-384, x-384)
			e := drawn.Electrons(drawn.Gaussian(1.6+1.6*r*r), 8, drawn.Variance) / math.Max(m.Rand.Float64(), 2e-3)
			m.Star(drawn.Gaussian(1.6+1.2*r*r), x, y, e*0.8)
			m.Truth[len(m.Truth)-1].Electrons = e
			m.Light(drawn.Gaussian(2+2*r*r), x+2*r*r*math.Cos(a), y+2*r*r*math.Sin(a), 0.3*e*r*r)
		}
		return expose(m)
	}},
	{"nan", drawn.Moffat(3, 3), 1, func(m *drawn.Frame, l drawn.Light) Image {
		m.Stars(l, 200, drawn.Variance)
		img := expose(m)
		for i := range img.Pix {
			x, y := i%img.Width, i/img.Width
			if x < 100 || (x-500)*(x-500)+(y-500)*(y-500) < 100*100 || m.Rand.IntN(200) == 0 {
				img.Pix[i] = float32(math.NaN())
			}
		}
		for i := range m.Truth {
			if s := m.Truth[i]; s.X < 105 || math.Hypot(s.X-500, s.Y-500) < 105 {
				m.Truth[i].Electrons = 0
			}
		}
		return img
	}},
}
