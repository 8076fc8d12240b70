package fit

import (
	"math"

	"polard/solve/detect/psf"
)

// oddModes is how many functions of the place in a star, odd about its centre, show the
// part of the residuals that would move it.
const oddModes = 4

// oddModesOf gives them for a pixel (u, v) from the star, in which this has the value g[0] and
// the derivatives g[1] and g[2] by its place: these times the second powers of u and v,
// held to the star's light by its square root.
func oddModesOf(g [4]float64, u, v float64) [oddModes]float64 {
	w := math.Sqrt(max(0, g[0]))
	dx, dy := w*g[1], w*g[2]
	return [oddModes]float64{u * u * dx, u * v * dx, v * v * dx, v * v * dy}
}

// oddResiduals takes the sums of the last fit's residuals over its pixels, weighted as
// the fit was and with the odd modes. What the fit has taken out of the pixels is taken out
// of the modes, so that its errors are not in the sums.
func oddResiduals(f *fitter, s *Source) []residualSum {
	m, r := f.model, f.model.Radius
	u0, v0 := s.At[0]-float64(f.cx), s.At[1]-float64(f.cy)
	var along, fitted [oddModes][4]float64
	var whole, power, sum, light [oddModes]float64
	each := func(do func(w, d float64, g [4]float64, mode [oddModes]float64)) {
		i := 0
		for y := -r; y <= r; y++ {
			for x := -r; x <= r; x, i = x+1, i+1 {
				v, d := float64(f.value[i]), f.data[i]
				if d != d || v == 0 {
					continue
				}
				g := [4]float64{v, float64(f.dx[i]), float64(f.dy[i]), 1}
				do(f.weight(s.Flux*v), d, g, oddModesOf(g, float64(x)-u0, float64(y)-v0))
			}
		}
	}
	each(func(w, _ float64, g [4]float64, mode [oddModes]float64) {
		for k := range mode {
			whole[k] += sq(w * mode[k])
			for j := range g {
				along[k][j] += w * mode[k] * g[j]
			}
		}
	})
	for k := range along {
		for i := range 4 {
			for j := range 4 {
				fitted[k][i] += f.inv[i][j] * along[k][j]
			}
		}
	}
	each(func(w, d float64, g [4]float64, mode [oddModes]float64) {
		star := s.Flux * g[0]
		e := d - f.fitted[3] - s.Flux*(g[0]+f.ex*g[1]+f.ey*g[2])
		for k := range mode {
			h := mode[k]
			for j := range g {
				h -= fitted[k][j] * g[j]
			}
			sum[k] += w * h * e
			power[k] += sq(w * h)
			light[k] += sq(w*h) * star
		}
	})
	half2 := sq(s.Flux * m.Top / 2)
	list := make([]residualSum, 0, oddModes)
	for k := range sum {
		if power[k] > psf.LeastPivot*whole[k] { // else too few pixels tell
			list = append(list, residualSum{e2: sq(sum[k]) / power[k], sky2: f.sky2, model: light[k] / power[k], half2: half2})
		}
	}
	return list
}

const (
	// mostLever: where a fit takes more of correlated noise with it, what it leaves is
	// too uncertain to tell of the rest.
	mostLever = 0.6
	// noisePart of the star's peak is the least value of pixels that count.
	noisePart = 0.1
)

// pixelResiduals takes those of the last fit's single pixels, each divided by one minus its
// leverage. A fit takes more of correlated noise with it: what it takes along each of its
// parameters has a variance that is larger by their factors.
func pixelResiduals(f *fitter, s *Source) []residualSum {
	m := f.model
	list := make([]residualSum, 0, len(f.data))
	correlated := (m.FluxFactor + f.correlatedPlace(s.Flux)) / 2
	for i, d := range f.data {
		v := float64(f.value[i])
		if d != d || v < noisePart*m.Top {
			continue
		}
		model := s.Flux * v
		g := [4]float64{v, float64(f.dx[i]), float64(f.dy[i]), 1}
		lever := 0.0
		for j := range 4 {
			for k := range 4 {
				lever += g[j] * f.inv[j][k] * g[k]
			}
		}
		if lever *= f.weight(model) * correlated; lever > mostLever {
			continue
		}
		e := d - f.fitted[3] - s.Flux*(v+f.ex*g[1]+f.ey*g[2])
		list = append(list, residualSum{e2: e * e / max(0.1, 1-lever), sky2: f.sky2, model: model, half2: sq(s.Flux * m.Top / 2)})
	}
	return list
}
