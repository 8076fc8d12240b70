package catalogs

import (
	"math"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// Epoch is the Julian year of the catalogue's places.
const Epoch = 2000.0

const masPerRadian = 180 * 3600 * 1000 / math.Pi

// Star is an entry of the catalogue.
type Star struct {
	ID          int32    // index in the catalogue; good for this file only
	Dir         sky.ICRS // barycentric, at J2000.0
	PMRA, PMDec float32  // proper motion, mas/yr; PMRA includes cos(dec)
	V           float32  // Johnson V, magnitudes; of deep stars that of their catalogue
	HasPM       bool     // false: PMRA and PMDec are unknown and zero

	// Of stars of a deeper catalogue (catalogs/deep) alone:
	Parallax float32 // mas, 0 when not known
	Fine     bool    // the place is good to some hundredths of an arcsecond at the time of exposures
}

// At is the direction of the star at a Julian year, by uniform
// motion along a straight line across the line of sight, that is along a great
// circle (radial velocity taken as zero: ESA SP-1200, vol. 1,
// sect. 1.5.5, eq. 1.5.22 to 1.5.24). A star without proper motion stays where
// it is. It is barycentric where the parallax is not known, else as seen from the Earth.
func (s Star) At(julianYear float64) sky.ICRS {
	p := sky.Vec(s.Dir)
	if s.HasPM {
		p = r3.Add(p, r3.Scale(julianYear-Epoch, s.motion()))
	} else if s.Parallax == 0 {
		return s.Dir
	}
	if s.Parallax != 0 {
		p = r3.Sub(p, r3.Scale(float64(s.Parallax)/masPerRadian, earthAt(julianYear)))
	}
	return sky.Unit(sky.ICRS(p))
}

// earthAt is where the Earth stands from the Sun at a Julian year, in astronomical units along the axes of ICRS:
// the low-precision Sun of the Astronomical Almanac (section C, from memory), good to 0.01 degree, with its longitude
// brought back to the equinox of 2000 by 1.397 degrees a century. The Sun itself is up to 0.01 from the
// barycentre, so that a parallax of 100 mas comes out wrong by 1 mas at most.
func earthAt(julianYear float64) sky.Vec {
	days := (julianYear - Epoch) * 365.25
	mean := sky.Angle(357.528+0.9856003*days) * sky.Degree
	longitude := sky.Angle(280.460+0.9856474*days-1.397*(julianYear-Epoch)/100)*sky.Degree +
		sky.Angle(1.915*mean.Sin()+0.020*(2*mean).Sin())*sky.Degree
	r := 1.00014 - 0.01671*mean.Cos() - 0.00014*(2*mean).Cos()
	const obliquity = 23.4393 * sky.Degree
	return sky.Vec{X: -r * longitude.Cos(), Y: -r * longitude.Sin() * obliquity.Cos(), Z: -r * longitude.Sin() * obliquity.Sin()}
}

// motion is the proper motion as a vector, radians per Julian year.
func (s Star) motion() sky.Vec {
	east, north := tangentAxes(s.Dir)
	return r3.Add(
		r3.Scale(float64(s.PMRA)/masPerRadian, east),
		r3.Scale(float64(s.PMDec)/masPerRadian, north))
}

// tangentAxes are the unit vectors at d towards increasing right ascension
// and declination. At a pole right ascension counts as 0.
func tangentAxes(d sky.ICRS) (east, north sky.Vec) {
	h := math.Hypot(d.X, d.Y)
	if h == 0 {
		return sky.Vec{Y: 1}, sky.Vec{X: -math.Copysign(1, d.Z)}
	}
	east = sky.Vec{X: -d.Y / h, Y: d.X / h}
	return east, r3.Cross(sky.Vec(d), east)
}

// FromEpoch is a star whose place and proper motion are given at another
// Julian year, carried to J2000.0 by the model of [Star.At]. The components of
// the motion turn with the local meridian.
func FromEpoch(s Star, julianYear float64) Star {
	if !s.HasPM {
		return s
	}
	m := s.motion()
	p := r3.Add(sky.Vec(s.Dir), r3.Scale(Epoch-julianYear, m))
	n := r3.Norm(p)
	s.Dir = sky.ICRS(r3.Scale(1/n, p))
	// The angular rate: the motion across the new line of sight over the
	// distance, which has grown from 1 to n.
	east, north := tangentAxes(s.Dir)
	s.PMRA = float32(r3.Dot(m, east) / n * masPerRadian)
	s.PMDec = float32(r3.Dot(m, north) / n * masPerRadian)
	return s
}
