package detect

import (
	"context"
	"math"
	"testing"

	"polard/solve/detect/drawn"
)

// score is how a detection compares with the truth.
type score struct {
	stars, found int // of signal-to-noise 12 and more, clear of others
	spurious     int
	first        int     // among the 30 brightest detections
	rms          float64 // pixels, of the found ones
	normalised   float64 // root mean square error over the stated sigma
}

func scoreOf(m *drawn.Frame, d *Result, l drawn.Light, variance, tolerance float64) score {
	var s score
	clear := func(i int) bool {
		for j, o := range m.Truth {
			if j != i && math.Hypot(o.X-m.Truth[i].X, o.Y-m.Truth[i].Y) < 1.5*l.Reach() && o.Electrons > m.Truth[i].Electrons/20 {
				return false
			}
		}
		return true
	}
	least := drawn.Electrons(l, 12, variance)
	var sum, z float64
	for i, t := range m.Truth {
		if t.Electrons < least || !clear(i) {
			continue
		}
		s.stars++
		b, r := d.nearest(t.X, t.Y)
		if r > tolerance {
			continue
		}
		s.found++
		ex, ey := b.Pos.X-t.X, b.Pos.Y-t.Y
		sum += (ex*ex + ey*ey) / 2
		z += (ex*ex/b.Cov[0][0] + ey*ey/b.Cov[1][1]) / 2
	}
	for i, b := range d.Detections {
		near := math.Inf(1)
		for _, t := range m.Truth {
			near = min(near, math.Hypot(b.Pos.X-t.X, b.Pos.Y-t.Y))
		}
		if near > max(tolerance, 2) {
			s.spurious++
			if i < 30 {
				s.first++
			}
		}
	}
	s.rms = math.Sqrt(sum / float64(max(1, s.found)))
	s.normalised = math.Sqrt(z / float64(max(1, s.found)))
	return s
}

// TestHardFrames puts stars into frames as they come from real nights. What
// counts: stars of signal-to-noise 12 and more that stand clear of others are
// found, little else is, and nothing else among the brightest 30, with which the
// match begins.
func TestHardFrames(t *testing.T) {
	if testing.Short() {
		t.Skip("many frames")
	}
	const seed = 99 // the limits were tried on 101 to 106 too and hold but for the larger ring at 101
	t.Logf("seed %d", seed)
	type scene struct {
		name  string
		l     drawn.Light
		near  float64 // how far from the truth a star may be found, pixels
		found float64 // least share of the stars
		// Most spurious detections, in all and among the first 30. Gaussian noise
		// alone gives one or two in a frame of this size.
		spurious, first int
		make            func(m *drawn.Frame, l drawn.Light) Image
	}
	v := drawn.Variance
	expose := func(m *drawn.Frame) Image { return m.Expose(drawn.Read, drawn.Gain, 100, 65535) }
	scenes := []scene{
		{"plain", drawn.Moffat(3, 3), 1, 1, 4, 0, func(m *drawn.Frame, l drawn.Light) Image { m.Stars(l, 200, v); return expose(m) }},
		{"hot only", drawn.Moffat(3, 3), 1, 1, 2, 2, func(m *drawn.Frame, l drawn.Light) Image { m.HotPixels(8000, 60, 50000); return expose(m) }},
		{"hot 8000", drawn.Moffat(2.5, 3), 1, 1, 4, 0, func(m *drawn.Frame, l drawn.Light) Image {
			m.Stars(l, 100, v)
			m.HotPixels(8000, 60, 50000)
			return expose(m)
		}},
		{"hot 8000 fwhm 1.3", drawn.Gaussian(1.3), 1, 0.93, 18, 0, func(m *drawn.Frame, l drawn.Light) Image {
			m.Stars(l, 100, v)
			m.HotPixels(8000, 60, 50000)
			return expose(m)
		}},
		{"trail 6", drawn.Trailed(drawn.Gaussian(2.5), 6, 0.5), 1, 1, 4, 0, func(m *drawn.Frame, l drawn.Light) Image { m.Stars(l, 100, v); return expose(m) }},
		{"trail 15", drawn.Trailed(drawn.Gaussian(2.5), 15, 0.5), 2, 0.97, 5, 1, func(m *drawn.Frame, l drawn.Light) Image { m.Stars(l, 100, v); return expose(m) }},
		{"trail 15 h", drawn.Trailed(drawn.Gaussian(2.5), 15, 0), 2, 0.9, 4, 2, func(m *drawn.Frame, l drawn.Light) Image { m.Stars(l, 30, v); return expose(m) }},
		{"ring 8", drawn.Ring(drawn.Gaussian(2), 8, 0.4), 2, 0.97, 4, 0, func(m *drawn.Frame, l drawn.Light) Image { m.Stars(l, 60, v); return expose(m) }},
		{"ring 20", drawn.Ring(drawn.Gaussian(2), 20, 0.4), 4, 0.6, 3, 1, func(m *drawn.Frame, l drawn.Light) Image { m.Stars(l, 30, v); return expose(m) }},
		{"few 10", drawn.Moffat(3, 3), 1, 1, 4, 3, func(m *drawn.Frame, l drawn.Light) Image { m.Stars(l, 10, v); return expose(m) }},
		{"saturated", drawn.Moffat(3, 3), 1, 1, 4, 0, func(m *drawn.Frame, l drawn.Light) Image {
			m.Stars(l, 200, v)
			return m.Expose(drawn.Read, drawn.Gain, 100, 1500)
		}},
		{"bloom", drawn.Moffat(3, 3), 1, 0.9, 3, 1, func(m *drawn.Frame, l drawn.Light) Image {
			m.Stars(l, 100, v)
			for range 12 {
				m.Star(drawn.Moffat(3, 3), 40+m.Rand.Float64()*688, 40+m.Rand.Float64()*688, 3e5*math.Pow(30, m.Rand.Float64()))
			}
			img := m.Expose(drawn.Read, drawn.Gain, 100, math.Inf(1))
			drawn.Bloom(img, 4095)
			return img
		}},
		{"saturated hard", drawn.Moffat(3, 3), 1, 1, 3, 0, func(m *drawn.Frame, l drawn.Light) Image {
			m.Stars(l, 100, v)
			for range 12 {
				m.Star(drawn.Moffat(3, 3), 40+m.Rand.Float64()*688, 40+m.Rand.Float64()*688, 3e5*math.Pow(30, m.Rand.Float64()))
			}
			return m.Expose(drawn.Read, drawn.Gain, 100, 4095)
		}},
		{"gradient", drawn.Moffat(3, 3), 1, 0.75, 4, 0, func(m *drawn.Frame, l drawn.Light) Image {
			m.Stars(l, 200, v)
			for i := range m.Electrons {
				x, y := float64(i%m.Image.Width), float64(i/m.Image.Width)
				m.Electrons[i] += 3*x + 2000*math.Exp(-y/150)
			}
			return expose(m)
		}},
		{"horizon", drawn.Moffat(3, 3), 1, 0.72, 4, 4, func(m *drawn.Frame, l drawn.Light) Image {
			m.Stars(l, 200, v)
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
		{"banding", drawn.Moffat(3, 3), 1, 1, 4, 0, func(m *drawn.Frame, l drawn.Light) Image {
			m.Stars(l, 200, v)
			w := m.Image.Width
			for y := range m.Image.Height {
				b := 12 * m.Rand.NormFloat64()
				for x := range w {
					m.Electrons[y*w+x] += b
				}
			}
			return expose(m)
		}},
		{"8 bit", drawn.Gaussian(1.5), 1, 0.97, 4, 0, func(m *drawn.Frame, l drawn.Light) Image {
			m.Stars(l, 200, v)
			return m.Expose(drawn.Read, 60, 3, 255)
		}},
		{"black clip", drawn.Moffat(3, 3), 1, 0.98, 4, 0, func(m *drawn.Frame, l drawn.Light) Image {
			m.Stars(l, 200, v)
			return m.Expose(drawn.Read, drawn.Gain, -drawn.Sky/drawn.Gain-10, 65535)
		}},
		{"satellite", drawn.Moffat(3, 3), 1, 0.96, 5, 1, func(m *drawn.Frame, l drawn.Light) Image {
			m.Stars(l, 100, v)
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
		{"nebula", drawn.Moffat(3, 3), 1, 0.78, 5, 1, func(m *drawn.Frame, l drawn.Light) Image {
			m.Stars(l, 100, v)
			for i := range m.Electrons {
				x, y := float64(i%m.Image.Width), float64(i/m.Image.Width)
				m.Electrons[i] += 1500 * math.Exp(-(sq(x-400)+sq(y-300))/(2*60*60)) * (1 + 0.4*math.Sin(x/9)*math.Cos(y/11))
				m.Electrons[i] += 3000 * math.Exp(-math.Hypot(x-150, (y-600)*2)/12)
			}
			return expose(m)
		}},
		{"cosmics", drawn.Moffat(3, 3), 1, 0.96, 5, 0, func(m *drawn.Frame, l drawn.Light) Image {
			m.Stars(l, 100, v)
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
		{"amp glow", drawn.Moffat(3, 3), 1, 0.9, 4, 0, func(m *drawn.Frame, l drawn.Light) Image {
			m.Stars(l, 100, v)
			for i := range m.Electrons {
				x, y := float64(i%m.Image.Width), float64(i/m.Image.Width)
				m.Electrons[i] += 30000 * math.Exp(-math.Hypot(x-780, y-760)/40)
			}
			return expose(m)
		}},
		{"mosaic", drawn.Gaussian(3), 1, 1, 5, 0, func(m *drawn.Frame, l drawn.Light) Image {
			m.Stars(l, 200, v)
			return drawn.Smoothed(expose(m))
		}},
		{"plate", drawn.Moffat(3, 3), 1.5, 0.98, 4, 0, func(m *drawn.Frame, l drawn.Light) Image {
			m.Stars(l, 150, v)
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
		{"spikes", drawn.Moffat(3, 3), 1, 0.96, 15, 3, func(m *drawn.Frame, l drawn.Light) Image {
			m.Stars(l, 100, v)
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
		{"lens corners", drawn.Gaussian(1.6), 1, 0.97, 4, 0, func(m *drawn.Frame, l drawn.Light) Image {
			for range 250 {
				x, y := 10+m.Rand.Float64()*748, 10+m.Rand.Float64()*748
				r, a := math.Hypot(x-384, y-384)/540, math.Atan2(y-384, x-384)
				e := drawn.Electrons(drawn.Gaussian(1.6+1.6*r*r), 8, v) / math.Max(m.Rand.Float64(), 2e-3)
				m.Star(drawn.Gaussian(1.6+1.2*r*r), x, y, e*0.8)
				m.Truth[len(m.Truth)-1].Electrons = e
				m.Light(drawn.Gaussian(2+2*r*r), x+2*r*r*math.Cos(a), y+2*r*r*math.Sin(a), 0.3*e*r*r)
			}
			return expose(m)
		}},
		{"nan", drawn.Moffat(3, 3), 1, 1, 4, 0, func(m *drawn.Frame, l drawn.Light) Image {
			m.Stars(l, 200, v)
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
	for _, s := range scenes {
		t.Run(s.name, func(t *testing.T) {
			m := drawn.New(768, 768, seed, drawn.Sky)
			img := s.make(m, s.l)
			d, err := Find(context.Background(), img)
			if err != nil {
				t.Fatal(err)
			}
			got := scoreOf(m, d, s.l, v, s.near)
			t.Logf("%d of %d stars, %d detections, %d spurious, %d of them among the first 30, rms error %.3f pixels, normalised %.2f, FWHM %.2f, rejected %+v",
				got.found, got.stars, len(d.Detections), got.spurious, got.first, got.rms, got.normalised, d.FWHM, d.Rejected)
			if float64(got.found) < s.found*float64(got.stars) {
				t.Errorf("found %d of %d stars, want %.0f%%", got.found, got.stars, 100*s.found)
			}
			if got.spurious > s.spurious {
				t.Errorf("%d spurious detections, want at most %d", got.spurious, s.spurious)
			}
			if got.first > s.first {
				t.Errorf("%d spurious detections among the brightest 30, want at most %d", got.first, s.first)
			}
		})
	}
}
