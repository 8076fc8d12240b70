package observed

import (
	"math"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// harmonic is one term T^n a cos(b + c T), T in Julian years from J2000.0.
type harmonic struct {
	amplitude, phase, frequency float64
}

// Astronomical constants (IAU 2012 resolution B2; CODATA).
const (
	astronomicalUnitM = 149597870700
	speedOfLightMS    = 299792458

	// auPerYearInC is one astronomical unit per Julian year as a part of the
	// speed of light.
	auPerYearInC = astronomicalUnitM / (daysPerJulianYear * secondsPerDay * speedOfLightMS)

	// schwarzschildAU is 2GM/c^2 of the Sun in astronomical units (ERFA SRS).
	schwarzschildAU = 1.97412574336e-8
)

// eclipticToICRS turns the axes of the planetary theory to the ICRS (ERFA
// epv00, fitted there to the JPL ephemeris DE405).
var eclipticToICRS = sky.Matrix{
	{1, 0.000000211284, -0.000000091603},
	{-0.000000230286, 0.917482137087, -0.397776982902},
	{0, 0.397776982902, 0.917482137087},
}

// sum adds a series and its time derivative for one coordinate at T Julian
// years from J2000.0.
func sum(series *[3][]harmonic, years float64) (value, rate float64) {
	power, below := 1.0, 0.0 // T^n and n T^(n-1)
	for n := range series {
		for _, h := range series[n] {
			s, c := math.Sincos(h.phase + h.frequency*years)
			value += h.amplitude * power * c
			rate += h.amplitude * (below*c - power*h.frequency*s)
		}
		below = float64(n+1) * power
		power *= years
	}
	return value, rate
}

// earthState gives the Earth's centre at t Julian centuries (TT) from J2000.0:
// its velocity with respect to the solar-system barycentre as a part of the
// speed of light, and its place from the Sun in astronomical units, both along
// the ICRS axes. It is the theory of ERFA epv00 (VSOP2000: Moisson and
// Bretagnon 2001, Cel. Mech. Dyn. Astron. 80, 205), cut from 1951 terms to 108:
// within 2.4e-9 of the speed of light and 2e-5 au of it, 1972 to 2100.
func earthState(t float64) (velocity, heliocentric sky.Vec) {
	years := 100 * t
	var pos, vel [3]float64
	for i := range 3 {
		p, pv := sum(&sunToEarth[i], years)
		_, sv := sum(&barycentreToSun[i], years)
		pos[i] = p
		vel[i] = (pv + sv) * auPerYearInC
	}
	return eclipticToICRS.Apply(sky.Vec{X: vel[0], Y: vel[1], Z: vel[2]}),
		eclipticToICRS.Apply(sky.Vec{X: pos[0], Y: pos[1], Z: pos[2]})
}

// Figure and spin of the Earth: WGS 84, and the rate of the Earth rotation
// angle in radians per second.
const (
	earthEquatorM   = 6378137.0
	earthFlattening = 1 / 298.257223563
	earthSpin       = 2 * math.Pi * 1.00273781191135448 / secondsPerDay
)

// sitePosition is the site from the Earth's centre in metres along the
// terrestrial axes: X to longitude 0, Z to the north pole (ERFA gd2gc).
func sitePosition(s sky.Site) sky.Vec {
	sinLat, cosLat := s.Latitude.Sin(), s.Latitude.Cos()
	b := (1 - earthFlattening) * (1 - earthFlattening)
	n := earthEquatorM / math.Sqrt(cosLat*cosLat+b*sinLat*sinLat)
	r := (n + s.ElevationM) * cosLat
	return sky.Vec{
		X: r * s.Longitude.Cos(),
		Y: r * s.Longitude.Sin(),
		Z: (b*n + s.ElevationM) * sinLat,
	}
}

// siteVelocity is the velocity of a place that turns with the Earth, metres
// per second, along the same axes.
func siteVelocity(pos sky.Vec) sky.Vec {
	return r3.Cross(sky.Vec{Z: earthSpin}, pos)
}

// terrestrialToLocal is the matrix from the terrestrial axes to east, north,
// up at the site.
func terrestrialToLocal(s sky.Site) sky.Matrix {
	sinLat, cosLat := s.Latitude.Sin(), s.Latitude.Cos()
	sinLon, cosLon := s.Longitude.Sin(), s.Longitude.Cos()
	return sky.Matrix{
		{-sinLon, cosLon, 0},
		{-sinLat * cosLon, -sinLat * sinLon, cosLat},
		{cosLat * cosLon, cosLat * sinLon, sinLat},
	}
}

// SiderealRate is that of the Earth's rotation against the stars in radians
// per second (IERS Conventions 2010: 7.2921151467e-5, value from memory;
// refraction and precession change it by parts in 10000 at most).
const SiderealRate = 7.292115e-5
