package solve

import (
	"math"
	"testing"
)

// sceneStars puts n stars into the frame whose number rises tenfold for 2.5
// magnitudes, from a signal-to-noise of about 8 upwards.
func (m *mock) sceneStars(l light, n int, variance float64) {
	least := electronsFor(l, 8, variance)
	w, h := float64(m.img.Width), float64(m.img.Height)
	margin := l.reach() / 3
	for range n {
		e := least / math.Max(m.rng.Float64(), 1e-3)
		m.star(l, margin+m.rng.Float64()*(w-2*margin), margin+m.rng.Float64()*(h-2*margin), e)
	}
}

// score is how a detection compares with the truth.
type score struct {
	stars, found int // of signal-to-noise 12 and more, clear of others
	spurious     int
	first        int     // among the 30 brightest detections
	rms          float64 // pixels, of the found ones
	normalised   float64 // root mean square error over the stated sigma
}

func (m *mock) score(d *Detection, l light, variance, tolerance float64) score {
	var s score
	clear := func(i int) bool {
		for j, o := range m.truth {
			if j != i && math.Hypot(o.x-m.truth[i].x, o.y-m.truth[i].y) < 1.5*l.reach() && o.electrons > m.truth[i].electrons/20 {
				return false
			}
		}
		return true
	}
	least := electronsFor(l, 12, variance)
	var sum, z float64
	for i, t := range m.truth {
		if t.electrons < least || !clear(i) {
			continue
		}
		s.stars++
		b, r := d.nearest(t.x, t.y)
		if r > tolerance {
			continue
		}
		s.found++
		ex, ey := b.Pos.X-t.x, b.Pos.Y-t.y
		sum += (ex*ex + ey*ey) / 2
		z += (ex*ex/b.Cov[0][0] + ey*ey/b.Cov[1][1]) / 2
	}
	for i, b := range d.Stars {
		near := math.Inf(1)
		for _, t := range m.truth {
			near = min(near, math.Hypot(b.Pos.X-t.x, b.Pos.Y-t.y))
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

func (m *mock) hotPixels(n int, least, most float64) {
	for range n {
		m.mean[m.rng.IntN(len(m.mean))] += least * math.Pow(most/least, m.rng.Float64())
	}
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
		l     light
		near  float64 // how far from the truth a star may be found, pixels
		found float64 // least share of the stars
		// Most spurious detections, in all and among the first 30. Gaussian noise
		// alone gives one or two in a frame of this size.
		spurious, first int
		make            func(m *mock, l light) Image
	}
	v := testVariance
	expose := func(m *mock) Image { return m.expose(testRead, testGain, 100, 65535) }
	scenes := []scene{
		{"plain", newMoffatLight(3, 3), 1, 1, 4, 0, func(m *mock, l light) Image { m.sceneStars(l, 200, v); return expose(m) }},
		{"hot only", newMoffatLight(3, 3), 1, 1, 2, 2, func(m *mock, l light) Image { m.hotPixels(8000, 60, 50000); return expose(m) }},
		{"hot 8000", newMoffatLight(2.5, 3), 1, 1, 4, 0, func(m *mock, l light) Image {
			m.sceneStars(l, 100, v)
			m.hotPixels(8000, 60, 50000)
			return expose(m)
		}},
		{"hot 8000 fwhm 1.3", gaussianLight{1.3}, 1, 0.93, 18, 0, func(m *mock, l light) Image {
			m.sceneStars(l, 100, v)
			m.hotPixels(8000, 60, 50000)
			return expose(m)
		}},
		{"trail 6", trailedLight(gaussianLight{2.5}, 6, 0.5), 1, 1, 4, 0, func(m *mock, l light) Image { m.sceneStars(l, 100, v); return expose(m) }},
		{"trail 15", trailedLight(gaussianLight{2.5}, 15, 0.5), 2, 0.97, 5, 1, func(m *mock, l light) Image { m.sceneStars(l, 100, v); return expose(m) }},
		{"trail 15 h", trailedLight(gaussianLight{2.5}, 15, 0), 2, 0.9, 4, 2, func(m *mock, l light) Image { m.sceneStars(l, 30, v); return expose(m) }},
		{"ring 8", ringLight(gaussianLight{2}, 8, 0.4), 2, 0.97, 4, 0, func(m *mock, l light) Image { m.sceneStars(l, 60, v); return expose(m) }},
		{"ring 20", ringLight(gaussianLight{2}, 20, 0.4), 4, 0.6, 3, 1, func(m *mock, l light) Image { m.sceneStars(l, 30, v); return expose(m) }},
		{"few 10", newMoffatLight(3, 3), 1, 1, 4, 3, func(m *mock, l light) Image { m.sceneStars(l, 10, v); return expose(m) }},
		{"saturated", newMoffatLight(3, 3), 1, 1, 4, 0, func(m *mock, l light) Image {
			m.sceneStars(l, 200, v)
			return m.expose(testRead, testGain, 100, 1500)
		}},
		{"bloom", newMoffatLight(3, 3), 1, 0.9, 3, 1, func(m *mock, l light) Image {
			m.sceneStars(l, 100, v)
			for range 12 {
				m.star(newMoffatLight(3, 3), 40+m.rng.Float64()*688, 40+m.rng.Float64()*688, 3e5*math.Pow(30, m.rng.Float64()))
			}
			img := m.expose(testRead, testGain, 100, math.Inf(1))
			bloom(img, 4095)
			return img
		}},
		{"saturated hard", newMoffatLight(3, 3), 1, 1, 3, 0, func(m *mock, l light) Image {
			m.sceneStars(l, 100, v)
			for range 12 {
				m.star(newMoffatLight(3, 3), 40+m.rng.Float64()*688, 40+m.rng.Float64()*688, 3e5*math.Pow(30, m.rng.Float64()))
			}
			return m.expose(testRead, testGain, 100, 4095)
		}},
		{"gradient", newMoffatLight(3, 3), 1, 0.75, 4, 0, func(m *mock, l light) Image {
			m.sceneStars(l, 200, v)
			for i := range m.mean {
				x, y := float64(i%m.img.Width), float64(i/m.img.Width)
				m.mean[i] += 3*x + 2000*math.Exp(-y/150)
			}
			return expose(m)
		}},
		{"horizon", newMoffatLight(3, 3), 1, 0.72, 4, 4, func(m *mock, l light) Image {
			m.sceneStars(l, 200, v)
			w := m.img.Width
			for y := m.img.Height / 2; y < m.img.Height; y++ {
				for x := range w {
					m.mean[y*w+x] = 8000 + 3000*math.Sin(float64(x)/40)*math.Cos(float64(y)/25) + 800*math.Sin(float64(x)/3.1)*math.Sin(float64(y)/2.7)
				}
			}
			for i := range m.truth {
				if m.truth[i].y > float64(m.img.Height/2-10) {
					m.truth[i].electrons = 0
				}
			}
			return expose(m)
		}},
		{"banding", newMoffatLight(3, 3), 1, 1, 4, 0, func(m *mock, l light) Image {
			m.sceneStars(l, 200, v)
			w := m.img.Width
			for y := range m.img.Height {
				b := 12 * m.rng.NormFloat64()
				for x := range w {
					m.mean[y*w+x] += b
				}
			}
			return expose(m)
		}},
		{"8 bit", gaussianLight{1.5}, 1, 0.97, 4, 0, func(m *mock, l light) Image {
			m.sceneStars(l, 200, v)
			return m.expose(testRead, 60, 3, 255)
		}},
		{"black clip", newMoffatLight(3, 3), 1, 0.98, 4, 0, func(m *mock, l light) Image {
			m.sceneStars(l, 200, v)
			return m.expose(testRead, testGain, -testSky/testGain-10, 65535)
		}},
		{"satellite", newMoffatLight(3, 3), 1, 0.96, 5, 1, func(m *mock, l light) Image {
			m.sceneStars(l, 100, v)
			tr := gaussianLight{3}
			for s := 0.0; s < 1200; s += 0.5 {
				x, y := 5+s*0.8, 100+s*0.55
				for iy := int(y) - 6; iy <= int(y)+6; iy++ {
					for ix := int(x) - 6; ix <= int(x)+6; ix++ {
						if ix >= 0 && iy >= 0 && ix < m.img.Width && iy < m.img.Height {
							m.mean[iy*m.img.Width+ix] += 400 * tr.pixel(float64(ix)-x, float64(iy)-y)
						}
					}
				}
			}
			return expose(m)
		}},
		{"nebula", newMoffatLight(3, 3), 1, 0.78, 5, 1, func(m *mock, l light) Image {
			m.sceneStars(l, 100, v)
			for i := range m.mean {
				x, y := float64(i%m.img.Width), float64(i/m.img.Width)
				m.mean[i] += 1500 * math.Exp(-(sq(x-400)+sq(y-300))/(2*60*60)) * (1 + 0.4*math.Sin(x/9)*math.Cos(y/11))
				m.mean[i] += 3000 * math.Exp(-math.Hypot(x-150, (y-600)*2)/12)
			}
			return expose(m)
		}},
		{"cosmics", newMoffatLight(3, 3), 1, 0.96, 5, 0, func(m *mock, l light) Image {
			m.sceneStars(l, 100, v)
			for range 600 {
				x, y := m.rng.Float64()*768, m.rng.Float64()*768
				a, n := m.rng.Float64()*2*math.Pi, 1+m.rng.IntN(7)
				e := 200 * math.Pow(30, m.rng.Float64())
				for k := range n {
					ix, iy := int(x+float64(k)*math.Cos(a)), int(y+float64(k)*math.Sin(a))
					if ix >= 0 && iy >= 0 && ix < m.img.Width && iy < m.img.Height {
						m.mean[iy*m.img.Width+ix] += e
					}
				}
			}
			return expose(m)
		}},
		{"amp glow", newMoffatLight(3, 3), 1, 0.9, 4, 0, func(m *mock, l light) Image {
			m.sceneStars(l, 100, v)
			for i := range m.mean {
				x, y := float64(i%m.img.Width), float64(i/m.img.Width)
				m.mean[i] += 30000 * math.Exp(-math.Hypot(x-780, y-760)/40)
			}
			return expose(m)
		}},
		{"mosaic", gaussianLight{3}, 1, 1, 5, 0, func(m *mock, l light) Image {
			m.sceneStars(l, 200, v)
			return mosaicLike(expose(m))
		}},
		{"plate", newMoffatLight(3, 3), 1.5, 0.98, 4, 0, func(m *mock, l light) Image {
			m.sceneStars(l, 150, v)
			for range 15 {
				m.star(newMoffatLight(3, 2.2), 40+m.rng.Float64()*688, 40+m.rng.Float64()*688, 1e5*math.Pow(300, m.rng.Float64()))
			}
			img := m.expose(testRead, testGain, 100, math.Inf(1))
			// The blackening of an emulsion levels off; its grain stays.
			for i, e := range img.Pix {
				img.Pix[i] = float32(math.Round(20000*float64(e)/(float64(e)+6000) + 30*m.rng.NormFloat64()))
			}
			return img
		}},
		{"spikes", newMoffatLight(3, 3), 1, 0.96, 15, 3, func(m *mock, l light) Image {
			m.sceneStars(l, 100, v)
			for range 8 {
				x, y, e := 60+m.rng.Float64()*640, 60+m.rng.Float64()*640, 2e5*math.Pow(10, m.rng.Float64())
				m.star(l, x, y, e)
				g := gaussianLight{1.6}
				for _, a := range []float64{0.3, 0.3 + math.Pi/2, 0.3 + math.Pi, 0.3 + 1.5*math.Pi} {
					for r := 3.0; r < 120; r += 0.5 {
						m.light(g, x+r*math.Cos(a), y+r*math.Sin(a), 0.0015*e*math.Exp(-r/25)*(1+0.3*math.Sin(r)))
					}
				}
			}
			return expose(m)
		}},
		{"lens corners", gaussianLight{1.6}, 1, 0.97, 4, 0, func(m *mock, l light) Image {
			for range 250 {
				x, y := 10+m.rng.Float64()*748, 10+m.rng.Float64()*748
				r, a := math.Hypot(x-384, y-384)/540, math.Atan2(y-384, x-384)
				e := electronsFor(gaussianLight{1.6 + 1.6*r*r}, 8, v) / math.Max(m.rng.Float64(), 2e-3)
				m.star(gaussianLight{1.6 + 1.2*r*r}, x, y, e*0.8)
				m.truth[len(m.truth)-1].electrons = e
				m.light(gaussianLight{2 + 2*r*r}, x+2*r*r*math.Cos(a), y+2*r*r*math.Sin(a), 0.3*e*r*r)
			}
			return expose(m)
		}},
		{"nan", newMoffatLight(3, 3), 1, 1, 4, 0, func(m *mock, l light) Image {
			m.sceneStars(l, 200, v)
			img := expose(m)
			for i := range img.Pix {
				x, y := i%img.Width, i/img.Width
				if x < 100 || (x-500)*(x-500)+(y-500)*(y-500) < 100*100 || m.rng.IntN(200) == 0 {
					img.Pix[i] = float32(math.NaN())
				}
			}
			for i := range m.truth {
				if s := m.truth[i]; s.x < 105 || math.Hypot(s.x-500, s.y-500) < 105 {
					m.truth[i].electrons = 0
				}
			}
			return img
		}},
	}
	for _, s := range scenes {
		t.Run(s.name, func(t *testing.T) {
			m := newMock(768, 768, seed, testSky)
			img := s.make(m, s.l)
			d, err := Detect(img)
			if err != nil {
				t.Fatal(err)
			}
			got := m.score(d, s.l, v, s.near)
			t.Logf("%d of %d stars, %d detections, %d spurious, %d of them among the first 30, rms error %.3f pixels, normalised %.2f, FWHM %.2f, rejected %+v",
				got.found, got.stars, len(d.Stars), got.spurious, got.first, got.rms, got.normalised, d.FWHM, d.Rejected)
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

// bloom lets the charge above full flow along the columns, half of it each way.
func bloom(img Image, full float32) {
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
