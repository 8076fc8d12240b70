package psf

import (
	"context"
	"math"

	"polard/solve/detect/residual"
	"polard/solve/parallel"
)

// Place is where a star is, in pixels of a level.
type Place struct{ X, Y float64 }

// trial is a light that was tried on stars.
type trial struct {
	*light
	residual float64 // mean over the stars, 1 where no star tells
	stars    int     // that tell
}

// lightTrials tries lights on stars of a level. Lights compare only at one radius.
type lightTrials struct {
	ctx     context.Context
	workers int
	level   *residual.Level
	stars   []Place
	radius  int
}

// of tries lights. The error is ctx's.
func (s *lightTrials) of(lights ...*light) ([]trial, error) {
	n := len(s.stars)
	left := make([]float64, len(lights)*n)
	err := parallel.Each(s.ctx, s.workers, len(left), func(_, i int) { left[i] = relativeResidual(s.level, lights[i/n], s.stars[i%n], s.radius) })
	tried := make([]trial, len(lights))
	for k, l := range lights {
		tried[k] = trial{light: l, residual: 1}
		sum := 0.0
		for _, v := range left[k*n : (k+1)*n] {
			if v == v {
				tried[k].stars++
				sum += v
			}
		}
		if tried[k].stars > 0 {
			tried[k].residual = sum / float64(tried[k].stars)
		}
	}
	return tried, err
}

// relativeResidual is the root of the share of a star's power that the model leaves inside radius r, flux,
// place and sky fitted: a wrong model has put the stars a little beside their places, and these must
// not speak for it. It is NaN when the pixels do not tell.
func relativeResidual(c *residual.Level, l *light, s Place, r int) float64 {
	x0, y0 := int(math.Round(s.X)), int(math.Round(s.Y))
	var sum Normal
	var power float64
	for y := max(0, y0-r); y <= min(c.Height-1, y0+r); y++ {
		for x := max(0, x0-r); x <= min(c.Width-1, x0+r); x++ {
			v, gx, gy := l.at(float64(x)-s.X, float64(y)-s.Y)
			d := float64(c.Pix[y*c.Width+x])
			sum.Add(v, gx, gy, 1, d)
			power += d * d
		}
	}
	left := power
	power -= sum.B[3] * sum.B[3] / sum.A[3][3]
	inv, ok := Invert(sum.A)
	if !ok || !(power > 0) {
		return math.NaN()
	}
	for j := range 4 {
		for k := range 4 {
			left -= sum.B[j] * inv[j][k] * sum.B[k]
		}
	}
	return math.Sqrt(max(0, left/power))
}
