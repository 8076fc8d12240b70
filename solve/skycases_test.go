package solve

import (
	"bytes"
	"math"
	"strings"

	"polard/fits"
	"polard/solve/detect/drawn"
)

// pixelFields are the long sides in degrees.
var pixelFields = []float64{0.5, 1, 2, 4, 8, 16, 32, 60}

// skyCase is a way in which frames of the sky are hard.
type skyCase struct {
	name string
	make func(s *scene) Image
}

// plainSky is the sky that most cases have.
func (s *scene) plainSky() {
	tilt, way := 0.1*s.rng.Float64(), 2*math.Pi*s.rng.Float64()
	s.fill(func(x, y float64) float64 {
		u, v := x/float64(s.width)-0.5, y/float64(s.height)-0.5
		return s.sky * (1 + tilt*(u*math.Cos(way)+v*math.Sin(way)))
	})
}

func (s *scene) plain() Image {
	s.plainSky()
	s.drawStars()
	return s.expose()
}

func (s *scene) between(lo, hi float64) float64 { return lo + (hi-lo)*s.rng.Float64() }
func (s *scene) evenLog(lo, hi float64) float64 { return lo * math.Pow(hi/lo, s.rng.Float64()) }

// hotAndCold puts odd pixels into the light: electrons each of their own, or none.
func (s *scene) hotAndCold(hot, cold int) {
	for range hot {
		s.mean[s.rng.IntN(len(s.mean))] += s.evenLog(20*math.Sqrt(s.variance(s.sky)), 1.2*s.well)
	}
	for range cold {
		s.mean[s.rng.IntN(len(s.mean))] *= 0.5 * s.rng.Float64()
	}
}

// trailPoints repeat a star along a line through its middle.
func trailPoints(length, angle float64) (points [][2]float64) {
	n := int(4*length) + 1
	for i := range n {
		t := length * ((float64(i)+0.5)/float64(n) - 0.5)
		points = append(points, [2]float64{t * math.Cos(angle), t * math.Sin(angle)})
	}
	return points
}

func ringPoints(outer, obstruction float64) (points [][2]float64) {
	step := max(outer/14, 0.25)
	for y := -outer; y <= outer; y += step {
		for x := -outer; x <= outer; x += step {
			if r := math.Hypot(x, y); r <= outer && r >= obstruction*outer {
				points = append(points, [2]float64{x, y})
			}
		}
	}
	return points
}

// throughFITS writes the frame and reads it as the program would.
func (s *scene) throughFITS(img Image, cards ...fits.Card) Image {
	var b bytes.Buffer
	if err := fits.Write(&b, &fits.Frame{Width: img.Width, Height: img.Height, Pix: img.Pix, Saturation: float32(s.full)}, cards...); err != nil {
		panic(err)
	}
	f, err := fits.Decode("scene.fits", b.Bytes())
	if err != nil {
		panic(err)
	}
	return Image{Width: f.Width, Height: f.Height, Pix: f.Pix, Saturation: f.Saturation}
}

// mosaicPatterns are the four ways in which the filters of a Bayer mosaic (US patent
// 3971065) begin at the corner of a frame.
var mosaicPatterns = []string{"RGGB", "BGGR", "GRBG", "GBRG"}

// colourMosaic is the frame of a one-shot-colour sensor as it comes from the sensor; red and
// blue see 40 to 100 % of the sky's light that green sees.
func (s *scene) colourMosaic(pattern string) Image {
	s.mosaic = pattern
	tint := [3]float64{s.between(0.4, 1), 1, s.between(0.4, 1)}
	s.plainSky()
	s.each(func(x, y, was float64) float64 {
		return was * tint[strings.IndexByte("RGB", pattern[int(y)%2*2+int(x)%2])]
	})
	s.drawStars()
	return s.expose()
}

var skyCases = []skyCase{
	{"plain", (*scene).plain},
	{"colour mosaic, four patterns", func(s *scene) Image {
		img := s.colourMosaic(mosaicPatterns[s.rng.IntN(4)])
		return s.throughFITS(img, fits.Card{Keyword: "BAYERPAT", Value: s.mosaic})
	}},
	{"colour mosaic, undeclared", func(s *scene) Image {
		return s.throughFITS(s.colourMosaic(mosaicPatterns[s.rng.IntN(4)]))
	}},
	{"8-bit guide camera", func(s *scene) Image {
		s.full, s.offset = 255, s.between(1, 12)
		s.gain = s.evenLog(3, 60)
		s.well = s.gain * 1e4
		s.read = s.between(3, 9)
		s.sky = min(s.sky, 0.3*s.gain*s.full)
		s.fwhm = s.between(1.3, 3)
		return s.plain()
	}},
	{"binned, undersampled", func(s *scene) Image {
		s.fwhm, s.beta = s.between(0.9, 1.5), 0
		return s.plain()
	}},
	{"trails to 15 pixels", func(s *scene) Image {
		length := s.between(3, 15)
		s.fwhm = s.between(1.6, 3)
		s.points, s.reach = trailPoints(length, math.Pi*s.rng.Float64()), length/2+4*s.fwhm
		return s.plain()
	}},
	{"defocus ring", func(s *scene) Image {
		outer := s.between(3, 10)
		s.fwhm, s.beta = s.between(1.5, 3), 0
		s.points, s.reach = ringPoints(outer, s.between(0.2, 0.45)), outer+3*s.fwhm
		return s.plain()
	}},
	{"diffraction spikes", func(s *scene) Image {
		s.reach = 60
		arms, turn := 4, s.rng.Float64()
		if s.rng.IntN(3) == 0 {
			arms = 6
		}
		strength := s.between(0.02, 0.1)
		s.extra = func(add func(x, y, light float64)) {
			for k := range arms {
				a := turn + 2*math.Pi*float64(k)/float64(arms)
				for r := 2.0; r < 60; r += 0.1 {
					for w := -0.5; w <= 0.5; w += 0.25 {
						add(r*math.Cos(a)-w*math.Sin(a), r*math.Sin(a)+w*math.Cos(a), strength*math.Exp(-r/18)*(1+0.4*math.Sin(2*r))*0.1/18/5)
					}
				}
			}
		}
		return s.plain()
	}},
	{"saturation and blooming", func(s *scene) Image {
		s.plainSky()
		s.drawStars()
		well := math.Inf(1)
		well, s.well = s.evenLog(20, 200)*math.Sqrt(s.variance(s.sky))/s.gain, well
		img := s.expose()
		full := float32(math.Round(s.offset + s.sky/s.gain + well))
		if s.rng.IntN(3) > 0 {
			drawn.Bloom(img, full)
		}
		for i, v := range img.Pix {
			img.Pix[i] = min(v, full)
		}
		if s.rng.IntN(2) == 0 {
			img.Saturation = full
		}
		return img
	}},
	{"hot and cold pixels by the thousand", func(s *scene) Image {
		s.plainSky()
		s.drawStars()
		s.hotAndCold(1000+s.rng.IntN(9000), s.rng.IntN(4000))
		return s.expose()
	}},
	{"cosmic rays", func(s *scene) Image {
		s.plainSky()
		s.drawStars()
		for range 50 + s.rng.IntN(600) {
			at, a, n := s.anywhere(), 2*math.Pi*s.rng.Float64(), 1+s.rng.IntN(12)
			e := s.evenLog(100, 2e4)
			for k := range n {
				x, y := int(at.X+float64(k)*math.Cos(a)), int(at.Y+float64(k)*math.Sin(a))
				if x >= 0 && y >= 0 && x < s.width && y < s.height {
					s.mean[y*s.width+x] += e * s.between(0.5, 1.5)
				}
			}
		}
		return s.expose()
	}},
	{"satellites and aircraft", func(s *scene) Image {
		s.plainSky()
		s.drawStars()
		for range 1 + s.rng.IntN(4) {
			a, b := s.anywhere(), s.anywhere()
			light := s.evenLog(3, 100) * math.Sqrt(s.variance(s.sky))
			long := 2000 / math.Hypot(b.X-a.X, b.Y-a.Y)
			x0, y0, x1, y1 := a.X-long*(b.X-a.X), a.Y-long*(b.Y-a.Y), a.X+long*(b.X-a.X), a.Y+long*(b.Y-a.Y)
			var lamps func(float64) bool
			if s.rng.IntN(3) == 0 { // an aircraft's lamps flash
				period, on := s.between(15, 80), s.between(0.05, 0.5)
				lamps = func(d float64) bool { return math.Mod(d, period) < on*period }
			}
			s.line(x0, y0, x1, y1, s.between(1.6, 6), light, lamps)
		}
		return s.expose()
	}},
	{"moonlight gradient", func(s *scene) Image {
		way, strength, sharp := 2*math.Pi*s.rng.Float64(), s.between(1, 8), s.between(0.3, 1)
		s.fill(func(x, y float64) float64 {
			u := (x/float64(s.width)-0.5)*math.Cos(way) + (y/float64(s.height)-0.5)*math.Sin(way)
			return s.sky * (1 + strength*math.Exp((u-0.7)/sharp/0.4))
		})
		s.drawStars()
		return s.expose()
	}},
	{"vignetting", func(s *scene) Image {
		loss := s.between(0.3, 0.9)
		s.dim = func(x, y float64) float64 {
			u, v := x/float64(s.width)-0.5, y/float64(s.height)-0.5
			return 1 - loss*min(1, 2*(u*u+v*v))
		}
		s.fill(func(x, y float64) float64 { return s.sky * s.dim(x, y) })
		s.drawStars()
		return s.expose()
	}},
	{"twilight", func(s *scene) Image {
		s.sky = s.evenLog(3000, 0.6*s.well)
		way, strength := 2*math.Pi*s.rng.Float64(), s.between(0, 0.5)
		s.fill(func(x, y float64) float64 {
			u := (x/float64(s.width)-0.5)*math.Cos(way) + (y/float64(s.height)-0.5)*math.Sin(way)
			return s.sky * (1 + strength*u)
		})
		s.drawStars()
		return s.expose()
	}},
	{"cloud over part", func(s *scene) Image {
		cover := billow(s.rng, s.between(300, 1200))
		open, bright := s.between(0.35, 0.75), s.between(0.3, 3)
		opacity := func(x, y float64) float64 { return min(1, max(0, (cover(x, y)-open)*6)) }
		s.dim = func(x, y float64) float64 { return 1 - opacity(x, y) }
		s.fill(func(x, y float64) float64 { return s.sky * (1 + bright*opacity(x, y)) })
		s.drawStars()
		return s.expose()
	}},
	{"dew", func(s *scene) Image {
		s.reach = 40
		share, size := s.between(0.2, 0.7), s.between(8, 18)
		s.extra = func(add func(x, y, light float64)) {
			const step = 1.0 / stampCells
			sum := 0.0
			for y := -38.0; y < 38; y += step {
				for x := -38.0; x < 38; x += step {
					sum += math.Exp(-(x*x + y*y) / (2 * size * size))
				}
			}
			for y := -38.0; y < 38; y += step {
				for x := -38.0; x < 38; x += step {
					add(x, y, share/(1-share)*math.Exp(-(x*x+y*y)/(2*size*size))/sum)
				}
			}
		}
		return s.plain()
	}},
	{"nebulae and galaxies", func(s *scene) Image {
		s.plainSky()
		fog, bright := billow(s.rng, s.between(80, 500)), s.between(0.3, 3)
		at, size := s.anywhere(), s.between(60, 250)
		s.each(func(x, y, was float64) float64 {
			return was + s.sky*bright*max(0, fog(x, y)-0.3)*math.Exp(-(sq(x-at.X)+sq(y-at.Y))/(2*size*size))
		})
		for range s.rng.IntN(12) {
			at, r, flat, turn := s.anywhere(), s.between(3, 25), s.between(0.25, 1), math.Pi*s.rng.Float64()
			top := s.evenLog(3, 100) * math.Sqrt(s.variance(s.sky))
			for y := max(0, int(at.Y-8*r)); y < min(s.height, int(at.Y+8*r)); y++ {
				for x := max(0, int(at.X-8*r)); x < min(s.width, int(at.X+8*r)); x++ {
					u, v := float64(x)-at.X, float64(y)-at.Y
					u, v = u*math.Cos(turn)+v*math.Sin(turn), (v*math.Cos(turn)-u*math.Sin(turn))/flat
					s.mean[y*s.width+x] += top * math.Exp(-math.Hypot(u, v)/r)
				}
			}
		}
		s.drawStars()
		return s.expose()
	}},
	{"blended pairs", func(s *scene) Image {
		s.plainSky()
		s.drawStars()
		st := newStamp(s.fwhm, s.beta, s.points, 5*s.fwhm, nil)
		share := s.between(0.1, 0.4)
		for _, star := range s.stars {
			if s.rng.Float64() < share && star.electrons > 0 {
				d, a := s.between(0.5, 2.5)*s.fwhm, 2*math.Pi*s.rng.Float64()
				st.draw(s.mean, s.width, s.height, star.at.X+d*math.Cos(a), star.at.Y+d*math.Sin(a), star.electrons*s.evenLog(0.1, 1))
			}
		}
		return s.expose()
	}},
	{"amplifier glow", func(s *scene) Image {
		s.plainSky()
		for range 1 + s.rng.IntN(2) {
			cx, cy := float64(s.rng.IntN(2)*s.width), s.between(0, float64(s.height))
			size, top := s.between(20, 120), s.evenLog(1, 100)*(s.sky+50)
			s.each(func(x, y, was float64) float64 {
				return was + top*math.Exp(-math.Hypot(x-cx, (y-cy)*0.7)/size)
			})
		}
		s.drawStars()
		return s.expose()
	}},
	{"banding", func(s *scene) Image {
		s.plainSky()
		size := s.between(0.2, 3) * math.Sqrt(s.variance(s.sky))
		lift := 5 * size // bands reach below the sky
		s.each(func(x, y, was float64) float64 { return was + lift })
		s.drawStars()
		rows, columns := make([]float64, s.height), make([]float64, s.width)
		for i := range rows {
			rows[i] = size * s.rng.NormFloat64()
		}
		if s.rng.IntN(2) == 0 {
			for i := range columns {
				columns[i] = 0.7 * size * s.rng.NormFloat64()
			}
		}
		s.each(func(x, y, was float64) float64 { return was + rows[int(y)] + columns[int(x)] })
		return s.expose()
	}},
	{"dark not subtracted", func(s *scene) Image {
		s.plainSky()
		s.unevenDark(s.between(0.2, 2) * math.Sqrt(s.variance(s.sky)))
		s.drawStars()
		s.hotAndCold(500+s.rng.IntN(6000), 0)
		return s.expose()
	}},
	{"bright horizon", func(s *scene) Image {
		land := billow(s.rng, 400)
		rough, low := billow(s.rng, 30), s.between(0.35, 0.6)
		edge := func(x float64) float64 { return float64(s.height) * (low + 0.25*(land(x, 0)-0.5)) }
		s.hidden = func(x, y float64) bool { return y > edge(x)-5 }
		glow, bright := s.between(0.5, 4), s.evenLog(1, 60)
		s.fill(func(x, y float64) float64 {
			if e := edge(x); y < e {
				return s.sky * (1 + glow*math.Exp((y-e)/80))
			}
			return s.sky * bright * max(0.1, rough(x, y))
		})
		s.drawStars()
		for range s.rng.IntN(40) { // lamps
			at := s.anywhere()
			if at.Y > edge(at.X) {
				newStamp(s.between(2, 8), 3, [][2]float64{{0, 0}}, 30, nil).draw(s.mean, s.width, s.height, at.X, at.Y, s.evenLog(1e3, 1e6))
			}
		}
		return s.expose()
	}},
	{"star camera, few stars and hot pixels", func(s *scene) Image {
		s.fewStars = 14 + s.rng.IntN(4)
		s.plainSky()
		s.drawStars()
		s.hotAndCold(200+s.rng.IntN(3000), 0)
		return s.expose()
	}},
	{"photographic plate of 1951", func(s *scene) Image {
		s.epoch = 1951 // and the solver is told nothing of it
		s.fwhm, s.beta = s.between(2.2, 4), s.between(2, 3)
		s.reach = 40
		s.plainSky()
		s.drawStars()
		s.well = math.Inf(1)
		img := s.expose()
		// The blackening of an emulsion levels off; its grain stays.
		// Scans show stars dark or, turned over, bright.
		knee, grain := s.between(3, 30)*(s.sky+100), s.between(0.5, 2)*math.Sqrt(s.variance(s.sky))/s.gain
		negative := s.rng.IntN(2) == 0
		for i, v := range img.Pix {
			e := max(0, float64(v)-s.offset) * s.gain
			d := 2e4*e/(e+knee) + 0.5*grain*2e4*s.gain/knee*s.rng.NormFloat64()
			if negative {
				d = 25000 - d
			}
			img.Pix[i] = float32(math.Round(d))
		}
		return img
	}},
	{"infra-red, most sources in no catalogue", func(s *scene) Image {
		s.onlyTop, s.crowd = 1.0, s.between(2, 6)
		return s.plain()
	}},
	{"lens photograph in three colours", func(s *scene) Image {
		s.fwhm, s.beta = s.between(1.3, 2.5), 0
		s.mosaic = "RGGB"
		s.plainSky()
		s.drawStars()
		img := s.expose()
		// What a converter of raw pictures makes: each colour filled in from its own
		// pixels, then a curve that lifts the shadows, in 8 bits.
		cube := demosaic(img, s.mosaic)
		low, high := s.offset, s.offset+s.between(20, 200)*math.Sqrt(s.variance(s.sky))/s.gain+s.sky/s.gain
		out := Image{Width: s.width, Height: s.height, Pix: make([]float32, len(img.Pix)), Saturation: 255}
		for i := range out.Pix {
			sum := 0.0
			for c := range 3 {
				v := min(1, max(0, (float64(cube[c][i])-low)/(high-low)))
				sum += math.Round(255 * math.Pow(v, 1/2.2))
			}
			out.Pix[i] = float32(sum / 3)
		}
		return out
	}},
	{"several at once", func(s *scene) Image {
		length := s.between(0, 6)
		s.fwhm = s.between(1.6, 3.5)
		s.points, s.reach = trailPoints(length, math.Pi*s.rng.Float64()), length/2+5*s.fwhm
		cover := billow(s.rng, s.between(300, 1200))
		open := s.between(0.5, 0.9)
		opacity := func(x, y float64) float64 { return min(1, max(0, (cover(x, y)-open)*4)) }
		s.dim = func(x, y float64) float64 { return 1 - opacity(x, y) }
		way, moon := 2*math.Pi*s.rng.Float64(), s.between(0, 3)
		s.fill(func(x, y float64) float64 {
			u := (x/float64(s.width)-0.5)*math.Cos(way) + (y/float64(s.height)-0.5)*math.Sin(way)
			return s.sky * (1 + moon*(u+0.7) + opacity(x, y))
		})
		s.drawStars()
		a, b := s.anywhere(), s.anywhere()
		s.line(a.X, a.Y, b.X, b.Y, s.between(1.6, 4), s.evenLog(3, 50)*math.Sqrt(s.variance(s.sky)), nil)
		s.hotAndCold(s.rng.IntN(3000), s.rng.IntN(500))
		return s.expose()
	}},
}

// unevenDark gives every pixel a dark current of its own.
func (s *scene) unevenDark(size float64) {
	s.each(func(x, y, was float64) float64 { return was + size*s.rng.ExpFloat64() })
	s.darkScatter = size
}

// demosaic fills each colour in from its own pixels by their mean.
func demosaic(img Image, pattern string) (cube [3][]float32) {
	for c := range 3 {
		cube[c] = make([]float32, len(img.Pix))
		for y := range img.Height {
			for x := range img.Width {
				var sum, n float32
				for j := max(0, y-1); j <= min(img.Height-1, y+1); j++ {
					for i := max(0, x-1); i <= min(img.Width-1, x+1); i++ {
						if pattern[j%2*2+i%2] == "RGB"[c] {
							sum += img.Pix[j*img.Width+i]
							n++
						}
					}
				}
				cube[c][y*img.Width+x] = sum / n
			}
		}
	}
	return cube
}
