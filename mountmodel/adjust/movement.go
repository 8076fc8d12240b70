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
	Cov sky.Cov2
}

// moved tells whether the axis moved beyond the noise.
func (m movement) moved() bool {
	q, ok := chiSquare2(m.By, m.settled())
	return ok && q > boltMoved*boltMoved
}

// chiSquare2 is the squared length of y in units of its covariance; not ok where
// that is singular.
func chiSquare2(y [2]float64, cov sky.Cov2) (q float64, ok bool) {
	w, ok := cov.Inverse()
	return w.Form(y), ok
}

// settled is the covariance with the error of coming to rest.
func (m movement) settled() sky.Cov2 {
	return m.Cov.Plus(1, sky.Diagonal(float64(boltSettle*boltSettle)))
}

// movementBetween is how the axis moved from one reading to another, about the
// pole.
func movementBetween(from, to axis.Axis, pole sky.Local) movement {
	a, b := onSky(from, pole), onSky(to, pole)
	return movement{By: [2]float64{b[0] - a[0], b[1] - a[1]}, Cov: from.Cov.Plus(1, to.Cov)}
}

// onSky is the offset of an axis from the pole, across and up: the difference
// of azimuths is taken on the circle of the pole's altitude, so that a bolt on
// a level base moves one of the two alone.
func onSky(a axis.Axis, pole sky.Local) [2]float64 {
	off := axis.OffsetBetween(a.Dir, pole)
	return [2]float64{float64(off.Az) * math.Hypot(pole.X, pole.Y), float64(off.Alt)}
}
