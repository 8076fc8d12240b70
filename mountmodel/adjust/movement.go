package adjust

import (
	"math"

	"polard/mountmodel/axis"
	"polard/mountmodel/sky"
)

// movement is by how much the axis moved on the sky: index 0 across, towards
// growing azimuth, 1 up, in radians, with the covariance.
type movement struct {
	By  [2]float64
	Cov [2][2]float64
}

// moved tells whether the axis moved beyond the noise.
func (m movement) moved() bool {
	q, ok := chiSquare2(m.By, m.settled())
	return ok && q > boltMoved*boltMoved
}

// chiSquare2 is the squared length of y in units of its covariance; not ok where
// that is singular.
func chiSquare2(y [2]float64, cov [2][2]float64) (q float64, ok bool) {
	w, ok := sky.Invert2(cov)
	if !ok {
		return 0, false
	}
	for i := range 2 {
		for j := range 2 {
			q += y[i] * w[i][j] * y[j]
		}
	}
	return q, true
}

// settled is the covariance with the error of coming to rest.
func (m movement) settled() [2][2]float64 {
	cov := m.Cov
	for i := range 2 {
		cov[i][i] += float64(boltSettle * boltSettle)
	}
	return cov
}

// movementBetween is how the axis moved from one reading to another, about the
// pole.
func movementBetween(from, to axis.Axis, pole sky.Local) movement {
	a, b := onSky(from, pole), onSky(to, pole)
	m := movement{By: [2]float64{b[0] - a[0], b[1] - a[1]}}
	for i := range 2 {
		for j := range 2 {
			m.Cov[i][j] = from.Cov[i][j] + to.Cov[i][j]
		}
	}
	return m
}

// onSky is the offset of an axis from the pole, across and up: the difference
// of azimuths is taken on the circle of the pole's altitude, so that a bolt on
// a level base moves one of the two alone.
func onSky(a axis.Axis, pole sky.Local) [2]float64 {
	off := axis.OffsetBetween(a.Dir, pole)
	return [2]float64{float64(off.Az) * math.Hypot(pole.X, pole.Y), float64(off.Alt)}
}
