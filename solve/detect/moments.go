package detect

import "math"

// ellipse is the adaptive moments of one object on a canvas: the centre and the
// covariance of the elliptical Gaussian that matches it best.
type ellipse struct {
	x, y       float64
	xx, xy, yy float64 // canvas pixels squared
	flux       float64 // of that Gaussian
	height     float32 // significance of the maximum it was started from
	missing    bool    // pixels were missing inside the window
}

// size is the geometric mean of the Gaussian's axes, a standard deviation.
func (s ellipse) size() float64 { return math.Sqrt(math.Sqrt(max(0, s.xx*s.yy-s.xy*s.xy))) }

// axes gives the standard deviations along the long and short axis.
func (s ellipse) axes() (long, short float64) { return ellipseAxes(s.xx, s.xy, s.yy) }

func ellipseAxes(xx, xy, yy float64) (long, short float64) {
	t := (xx + yy) / 2
	q := math.Hypot((xx-yy)/2, xy)
	return math.Sqrt(t + q), math.Sqrt(max(0, t-q))
}

const (
	// momentRounds and momentStill end the iteration: each round halves the
	// distance, so 16 rounds are exact to 1e-4 of the start's error.
	momentRounds = 16
	momentStill  = 1e-3
	// momentReach is the radius of the window in units of its sigma.
	momentReach = 3.0
	// largestMoment bounds the window, in canvas pixels: wider objects are
	// measured on a coarser canvas.
	largestMoment = 6.5
	// smallestMoment keeps the window from falling between pixels; rounding
	// the light of a point to pixels gives sqrt(1/12) = 0.29.
	smallestMoment = 0.35
)

// moments finds the adaptive moments around (x, y), started from a round
// Gaussian of standard deviation start: the window that equals twice the
// weighted second moments, centred on the weighted centroid (Bernstein &
// Jarvis 2002, AJ 123, 583, section 3.1; for the centre alone this is the
// windowed centroid of source-extractor). ok is false when it does not settle.
func (p *prepared) moments(c *canvas, x, y, start float64) (s ellipse, ok bool) {
	s = ellipse{x: x, y: y, xx: start * start, yy: start * start}
	for range momentRounds {
		det := s.xx*s.yy - s.xy*s.xy
		ixx, ixy, iyy := s.yy/det, -s.xy/det, s.xx/det
		rx, ry := momentReach*math.Sqrt(s.xx), momentReach*math.Sqrt(s.yy)
		x0, x1 := int(math.Ceil(s.x-rx)), int(s.x+rx)
		y0, y1 := int(math.Ceil(s.y-ry)), int(s.y+ry)
		s.missing = x0 < 0 || y0 < 0 || x1 >= c.width || y1 >= c.height
		x0, y0, x1, y1 = max(x0, 0), max(y0, 0), min(x1, c.width-1), min(y1, c.height-1)
		var w, wx, wy, wxx, wxy, wyy float64
		for iy := y0; iy <= y1; iy++ {
			dy := float64(iy) - s.y
			row := c.pix[iy*c.width : (iy+1)*c.width]
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
		xx, xy, yy := 2*(wxx/w-mx*mx), 2*(wxy/w-mx*my), 2*(wyy/w-my*my)
		long, short := ellipseAxes(xx, xy, yy)
		if !(short > smallestMoment && long < largestMoment) {
			return s, false
		}
		change := math.Abs(xx-s.xx) + math.Abs(xy-s.xy) + math.Abs(yy-s.yy)
		s.x += 2 * mx
		s.y += 2 * my
		s.xx, s.xy, s.yy = xx, xy, yy
		// The sum under a window like the object is half its flux.
		s.flux = 2 * w
		if math.Hypot(s.x-x, s.y-y) > start+largestMoment {
			return s, false
		}
		if change < momentStill*(xx+yy) && math.Hypot(mx, my) < momentStill {
			return s, true
		}
	}
	return s, true
}
