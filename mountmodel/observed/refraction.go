package observed

import (
	"math"

	"polard/mountmodel/sky"
)

// Refraction is what the air does to directions, as the two constants of
//
//	true zenith distance = z + A tan z + B tan^3 z,
//
// z observed (ERFA refco, atioq). It keeps azimuths and lifts altitudes.
//
// How good the model is for a standard atmosphere, against ray tracing
// (Hohenkerk and Sinclair 1985; ERFA refco, note 2; the tests trace it again):
// 0.06 arcsec to zenith distance 75 degrees, 0.8 at 80, 3 at 82, 11 at 84, 25 at
// 85. Beyond, the two terms no longer do: at the horizon they give a third
// of the real refraction. Below altitude 2.87 degrees the refraction is held
// nearly constant, so that order is kept and nothing overflows.
//
// Real air departs from what is stated of it: a temperature wrong by 3 degrees or
// a pressure wrong by 10 hPa changes the refraction by one per cent, which is
// 0.6 arcsec times tan z.
type Refraction struct {
	A, B sky.Angle
}

// NewRefraction computes the constants for the air at the site; ERFA refco,
// optical branch. Air that does not pass its check is brought to the nearest
// safe values.
func NewRefraction(air sky.Air) Refraction {
	t := max(-150, min(200, air.TemperatureC))
	p := max(0, min(10000, air.PressureHPa))
	humidity := max(0, min(1, air.Humidity))
	wavelength := max(0.1, min(100, air.WavelengthUm))

	// Pressure of water vapour: Gill 1982, Atmosphere-Ocean Dynamics, eqs. A4.5
	// to A4.7; Crane 1976, eq. 2.5.5.
	var vapour float64
	if p > 0 {
		saturated := math.Pow(10, (0.7859+0.03477*t)/(1+0.00412*t)) * (1 + p*(4.5e-6+6e-10*t*t))
		vapour = p // no more than all of it, where thin air would boil water
		if dry := 1 - (1-humidity)*saturated/p; dry > 0 {
			vapour = min(vapour, humidity*saturated/dry)
		}
	}
	// Refractive index less 1: Hohenkerk and Sinclair 1985, NAO Technical Note
	// 63; dry air as IAG 1999 (Rueger 2002).
	kelvin := t + 273.15
	w2 := wavelength * wavelength
	gamma := ((77.53484e-6+(4.39108e-7+3.666e-9/w2)/w2)*p - 11.2684e-6*vapour) / kelvin
	// Height of the air over the Earth's radius: Stone 1996, PASP 108, 1051,
	// eq. 9, as adapted in refco.
	beta := 4.4474e-6 * kelvin
	// Green 1987, Spherical Astronomy, eq. 4.31.
	return Refraction{
		A: sky.Angle(gamma * (1 - beta)),
		B: sky.Angle(-gamma * (beta - gamma/2)),
	}
}

// minSinAltitude is the least sine of altitude that the formula sees (ERFA
// atioq): altitude 2.87 degrees.
const minSinAltitude = 0.05

// lift is the refraction in radians for a direction whose TRUE altitude has
// the given cosine and sine: one Newton step from the formula in observed
// zenith distance, as in ERFA atioq.
func (r Refraction) lift(cosAlt, sinAlt float64) float64 {
	s := max(sinAlt, minSinAltitude)
	tan := cosAlt / s
	w := float64(r.B) * tan * tan
	return (float64(r.A) + w) * tan / (1 + (float64(r.A)+3*w)/(s*s))
}

// Lift is how far refraction lifts what is observed at an altitude.
func (r Refraction) Lift(altitude sky.Angle) sky.Angle {
	seen := sky.LocalFromAltAz(altitude, 0)
	return sky.Separation(seen, r.True(seen))
}

// Observed lifts a true (airless) direction to the observed one.
func (r Refraction) Observed(d sky.Local) sky.Local {
	cosAlt := math.Sqrt(d.X*d.X + d.Y*d.Y)
	return turnUp(d, cosAlt, r.lift(cosAlt, d.Z))
}

// turnUp turns a unit vector with the given cosine of altitude towards the
// zenith by del radians. At the zenith itself there is nothing to turn.
func turnUp(d sky.Local, cosAlt, del float64) sky.Local {
	s, c := math.Sincos(del)
	f := 1.0
	if cosAlt > 0 {
		f = c - s*d.Z/cosAlt
	}
	return sky.Local{X: d.X * f, Y: d.Y * f, Z: d.Z*c + cosAlt*s}
}

// trueTolerance ends the search for the true altitude: 1e-6 arcsec, a hundredth
// of what the inverse promises. The lift changes by less than a tenth of a
// change in altitude (most near altitude 5 degrees in dense cold air), so each
// round gains more than a digit from the first error of 0.3 degrees: ten digits
// in ten rounds, and two to spare.
const (
	trueTolerance = 5e-12
	trueRounds    = 12
)

// True takes the refraction off an observed direction: the exact inverse of
// Observed, by fixed-point iteration.
func (r Refraction) True(d sky.Local) sky.Local {
	cosAlt := math.Sqrt(d.X*d.X + d.Y*d.Y)
	del := 0.0
	t := d
	for range trueRounds {
		next := r.lift(math.Sqrt(t.X*t.X+t.Y*t.Y), t.Z)
		t = turnUp(d, cosAlt, -next)
		if math.Abs(next-del) < trueTolerance {
			break
		}
		del = next
	}
	return t
}
