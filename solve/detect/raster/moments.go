package raster

import "math"

// Moments are central second moments, pixels squared: the covariance of a distribution of light.
type Moments struct{ XX, XY, YY float64 }

// FWHMPerSigma is the full width at half maximum of a Gaussian over its standard deviation, 2 sqrt(2 ln 2).
const FWHMPerSigma = 2.354820045

// Round is that of a round distribution of the given standard deviation.
func Round(sigma float64) Moments { return Moments{sigma * sigma, 0, sigma * sigma} }

// Axes gives the standard deviations along the long and the short axis.
func (m Moments) Axes() (long, short float64) {
	t := (m.XX + m.YY) / 2
	q := math.Hypot((m.XX-m.YY)/2, m.XY)
	return math.Sqrt(t + q), math.Sqrt(max(0, t-q))
}

// Angle is that of the long axis from the rows, radians.
func (m Moments) Angle() float64 { return math.Atan2(2*m.XY, m.XX-m.YY) / 2 }
