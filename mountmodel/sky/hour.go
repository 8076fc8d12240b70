package sky

import (
	"gonum.org/v1/gonum/spatial/r3"
)

// LocalFromHour is the direction, without air, of a star of the given hour
// angle (west positive) and declination: Meeus 1998, Astronomical Algorithms,
// eqs. 13.5 and 13.6, as vectors.
func LocalFromHour(latitude, hour, dec Angle) Local {
	north := Vec{Y: latitude.Cos(), Z: latitude.Sin()}
	meridian := Vec{Y: -latitude.Sin(), Z: latitude.Cos()} // the equator's highest point
	out := r3.Add(r3.Scale(dec.Sin(), north), r3.Scale(dec.Cos()*hour.Cos(), meridian))
	out.X = -dec.Cos() * hour.Sin()
	return Local(out)
}
