package mountmodel

import (
	"math"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// Axis is the mechanical line about which the camera turns, at its
// pole-seeking end, with its uncertainty on the sky.
type Axis struct {
	Dir sky.Local
	// Cov is the covariance in square radians in the plane that touches the
	// sky at Dir: index 0 across (towards growing azimuth), 1 up (towards
	// growing altitude).
	Cov [2][2]float64
}

// SigmaAlt is the standard deviation of the altitude.
func (a Axis) SigmaAlt() sky.Angle { return sky.Angle(math.Sqrt(a.Cov[1][1])) }

// SigmaAcross is the standard deviation across the altitude circle, as an
// angle on the sky.
func (a Axis) SigmaAcross() sky.Angle { return sky.Angle(math.Sqrt(a.Cov[0][0])) }

// SigmaAz is the standard deviation of the azimuth itself: SigmaAcross
// divided by cos altitude, at most half a turn.
func (a Axis) SigmaAz() sky.Angle {
	c := math.Hypot(a.Dir.X, a.Dir.Y)
	if s := float64(a.SigmaAcross()); s < math.Pi*c {
		return sky.Angle(s / c)
	}
	return sky.Turn / 2
}

// Correlation is the correlation of azimuth and altitude.
func (a Axis) Correlation() float64 {
	if p := a.Cov[0][0] * a.Cov[1][1]; p > 0 {
		return a.Cov[0][1] / math.Sqrt(p)
	}
	return 0
}

// Ellipse gives the semi-axes of the 1-sigma ellipse and the direction of the
// longer one, from up through growing azimuth, in [0, 180) degrees. It holds
// the truth with probability 39 %; scaled by 1.515 68.3 %, by 2.448 95 %.
func (a Axis) Ellipse() (major, minor, from sky.Angle) {
	mean, diff := (a.Cov[0][0]+a.Cov[1][1])/2, (a.Cov[1][1]-a.Cov[0][0])/2
	r := math.Hypot(diff, a.Cov[0][1])
	from = (sky.Atan2(a.Cov[0][1], diff) / 2).Positive()
	if from >= sky.Turn/2 {
		from -= sky.Turn / 2
	}
	return sky.Angle(math.Sqrt(mean + r)), sky.Angle(math.Sqrt(max(0, mean-r))), from
}

// tangents are the unit vectors across (growing azimuth) and up (growing
// altitude) at a direction.
func tangents(d sky.Local) (across, up sky.Vec) {
	_, az := sky.AltAzFromLocal(d)
	across = sky.Vec{X: az.Cos(), Y: -az.Sin()}
	return across, r3.Cross(across, sky.Vec(d))
}
