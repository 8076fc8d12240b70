package solve

import (
	"math"
)

// noSkyCase is a frame without sky; held is not asked.
var noSkyCases = []skyCase{
	{"dark", func(s *scene) Image {
		s.fill(func(x, y float64) float64 { return s.between(0, 40) })
		s.unevenDark(s.between(0, 30))
		s.hotAndCold(s.rng.IntN(6000), s.rng.IntN(300))
		return s.expose()
	}},
	{"bias", func(s *scene) Image {
		columns := make([]float64, s.width)
		for i := range columns {
			columns[i] = s.read * (2 + 0.5*s.rng.NormFloat64())
		}
		s.fill(func(x, y float64) float64 { return columns[int(x)] })
		return s.expose()
	}},
	{"flat", func(s *scene) Image {
		loss, level := s.between(0.1, 0.7), s.between(0.2, 0.7)*s.well
		s.fill(func(x, y float64) float64 {
			u, v := x/float64(s.width)-0.5, y/float64(s.height)-0.5
			return level * (1 - loss*2*(u*u+v*v)) * (1 + 0.01*s.rng.NormFloat64())
		})
		for range s.rng.IntN(60) { // rings of dust
			at, r := s.anywhere(), s.between(3, 30)
			for y := max(0, int(at.Y-r)); y < min(s.height, int(at.Y+r)); y++ {
				for x := max(0, int(at.X-r)); x < min(s.width, int(at.X+r)); x++ {
					if d := math.Hypot(float64(x)-at.X, float64(y)-at.Y); d < r && d > 0.4*r {
						s.mean[y*s.width+x] *= 0.95
					}
				}
			}
		}
		return s.expose()
	}},
	{"lamps", func(s *scene) Image {
		s.plainSky()
		for range 3 + s.rng.IntN(120) {
			at := s.anywhere()
			newStamp(s.evenLog(1.5, 12), 2.5, [][2]float64{{0, 0}}, 40, nil).draw(s.mean, s.width, s.height, at.X, at.Y, s.evenLog(1e3, 3e6))
		}
		return s.expose()
	}},
	{"landscape", func(s *scene) Image {
		shape, grain, bushes := billow(s.rng, s.between(100, 600)), billow(s.rng, s.between(4, 30)), billow(s.rng, 60)
		level := s.evenLog(100, 0.5*s.well)
		s.fill(func(x, y float64) float64 {
			return level * max(0.02, 0.4*shape(x, y)+0.4*grain(x, y)*max(0, bushes(x, y)))
		})
		for range s.rng.IntN(60) {
			at := s.anywhere()
			newStamp(s.evenLog(1.5, 6), 3, [][2]float64{{0, 0}}, 20, nil).draw(s.mean, s.width, s.height, at.X, at.Y, level*s.evenLog(3, 300))
		}
		return s.expose()
	}},
	{"clouds", func(s *scene) Image {
		cover, small := billow(s.rng, s.between(150, 900)), billow(s.rng, s.between(20, 80))
		s.fill(func(x, y float64) float64 { return s.sky * (1 + 3*max(0, cover(x, y)) + 0.5*small(x, y)) })
		s.hotAndCold(s.rng.IntN(1000), 0)
		return s.expose()
	}},
	{"random stars", func(s *scene) Image {
		s.plainSky()
		st := newStamp(s.fwhm, s.beta, s.points, 5*s.fwhm, nil)
		unit := heldSNR * math.Sqrt(s.variance(s.sky)/st.power())
		for range 10 + int(s.evenLog(1, 600)) {
			at := s.anywhere()
			st.draw(s.mean, s.width, s.height, at.X, at.Y, unit/math.Max(1e-3, math.Pow(s.rng.Float64(), 1.2)))
		}
		return s.expose()
	}},
	{"lens cap", func(s *scene) Image {
		s.fill(func(x, y float64) float64 { return 3 })
		return s.expose()
	}},
	{"hot pixels only", func(s *scene) Image {
		s.fill(func(x, y float64) float64 { return 20 })
		s.hotAndCold(200+s.rng.IntN(10000), 0)
		return s.expose()
	}},
	{"stars of a real field, scrambled", func(s *scene) Image {
		s.scramble = true
		return s.plain()
	}},
}
