package psf

import (
	"math"

	"polard/solve/detect/raster"
	"polard/solve/detect/residual"
)

// object is the adaptive moments of one object on a level: the centre and the
// covariance of the elliptical Gaussian that matches it best.
type object struct {
	x, y float64
	raster.Moments
	flux    float64 // of that Gaussian
	height  float32 // significance of the maximum it was started from
	missing bool    // pixels were missing inside the window
}

// size is the geometric mean of the Gaussian's axes, a standard deviation.
func (s object) size() float64 { return math.Sqrt(math.Sqrt(max(0, s.XX*s.YY-s.XY*s.XY))) }

const (
	// momentRounds and momentStill end the iteration: each round halves the
	// distance, so 16 rounds are exact to 1e-4 of the start's error.
	momentRounds = 16
	momentStill  = 1e-3
	// momentReach is the radius of the window in units of its sigma.
	momentReach = 3.0
	// largestMoment bounds the window, in pixels of a level: wider objects are
	// measured on a coarser level.
	largestMoment = 6.5
	// smallestMoment keeps the window from falling between pixels; rounding
	// the light of a point to pixels gives sqrt(1/12) = 0.29.
	smallestMoment = 0.35
)

// measure finds the adaptive moments around (x, y), started from a round
// Gaussian of standard deviation start: the window that equals twice the
// weighted second moments, centred on the weighted centroid (Bernstein &
// Jarvis 2002, AJ 123, 583, section 3.1; for the centre alone this is the
// windowed centroid of source-extractor). ok is false when it does not settle.
func measure(l *residual.Level, x, y, start float64) (s object, ok bool) {
	s = object{x: x, y: y, Moments: raster.Round(start)}
	for range momentRounds {
		det := s.XX*s.YY - s.XY*s.XY
		ixx, ixy, iyy := s.YY/det, -s.XY/det, s.XX/det
		rx, ry := momentReach*math.Sqrt(s.XX), momentReach*math.Sqrt(s.YY)
		x0, x1 := int(math.Ceil(s.x-rx)), int(s.x+rx)
		y0, y1 := int(math.Ceil(s.y-ry)), int(s.y+ry)
		s.missing = x0 < 0 || y0 < 0 || x1 >= l.Width || y1 >= l.Height
		x0, y0, x1, y1 = max(x0, 0), max(y0, 0), min(x1, l.Width-1), min(y1, l.Height-1)
		var w, wx, wy, wxx, wxy, wyy float64
		for iy := y0; iy <= y1; iy++ {
			dy := float64(iy) - s.y
			row := l.Pix[iy*l.Width : (iy+1)*l.Width]
			for ix := x0; ix <= x1; ix++ {
				dx := float64(ix) - s.x
				q := ixx*dx*dx + 2*ixy*dx*dy + iyy*dy*dy
				if q > momentReach*momentReach {
					continue
				}
				g := float64(row[ix]) * math.Exp(-q/2)
				w += g
				wx += g * dx
				wy += g * dy
				wxx += g * dx * dx
				wxy += g * dx * dy
				wyy += g * dy * dy
			}
		}
		if !(w > 0) {
			return s, false
		}
		mx, my := wx/w, wy/w
		now := raster.Moments{XX: 2 * (wxx/w - mx*mx), XY: 2 * (wxy/w - mx*my), YY: 2 * (wyy/w - my*my)}
		long, short := now.Axes()
		if !(short > smallestMoment && long < largestMoment) {
			return s, false
		}
		change := math.Abs(now.XX-s.XX) + math.Abs(now.XY-s.XY) + math.Abs(now.YY-s.YY)
		s.x += 2 * mx
		s.y += 2 * my
		s.Moments = now
		// The sum under a window like the object is half its flux.
		s.flux = 2 * w
		if math.Hypot(s.x-x, s.y-y) > start+largestMoment {
			return s, false
		}
		if change < momentStill*(now.XX+now.YY) && math.Hypot(mx, my) < momentStill {
			return s, true
		}
	}
	return s, true
}

// typical are the medians of the moments of objects. Of few that are drawn out in different directions, the medians may
// together be of no shape at all, or of one narrower than any object measured: then XY goes as far as smallestMoment allows.
func typical(objects []object) raster.Moments {
	m := raster.Moments{
		XX: medianOf(objects, func(s object) float64 { return s.XX }),
		XY: medianOf(objects, func(s object) float64 { return s.XY }),
		YY: medianOf(objects, func(s object) float64 { return s.YY }),
	}
	const least = smallestMoment * smallestMoment
	most := math.Sqrt((m.XX - least) * (m.YY - least))
	m.XY = max(-most, min(most, m.XY))
	return m
}
