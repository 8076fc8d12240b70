package sky

import (
	"fmt"
	"math"
)

// Site is a place on Earth: geodetic latitude and longitude (WGS 84, east
// positive) and height above the ellipsoid in metres.
type Site struct {
	Latitude, Longitude Angle
	ElevationM          float64
}

// Limits of a believable site: the shore of the Dead Sea and the highest peak.
const (
	lowestElevationM  = -450
	highestElevationM = 9000
)

// Check says what is wrong with the site, or nil.
func (s Site) Check() error {
	switch {
	case !(s.Latitude.Abs() <= 90*Degree):
		return fmt.Errorf("latitude %.4f is outside -90 to +90 degrees", s.Latitude.Degrees())
	case !(s.Longitude.Abs() <= 360*Degree):
		return fmt.Errorf("longitude %.4f is outside -180 to +360 degrees (east is positive)", s.Longitude.Degrees())
	case !(s.ElevationM >= lowestElevationM && s.ElevationM <= highestElevationM):
		return fmt.Errorf("elevation %.0f m is outside %d to %d metres", s.ElevationM, lowestElevationM, highestElevationM)
	}
	return nil
}

// AngleTo is the angle between two places on the ground.
func (s Site) AngleTo(other Site) Angle {
	at := func(s Site) ICRS { return ICRSFromRADec(s.Longitude, s.Latitude) }
	return Separation(at(s), at(other))
}

// South tells whether the elevated pole is the southern one. The equator
// counts as north.
func (s Site) South() bool { return s.Latitude < 0 }

// Air is what refraction depends on. Pressure 0 means no air at all.
type Air struct {
	PressureHPa  float64 // at the site, not reduced to sea level
	TemperatureC float64
	Humidity     float64 // relative, 0 to 1
	WavelengthUm float64
	// How well pressure and temperature are known, one standard deviation; 0 stands
	// for a value that nobody measured, that of a standard atmosphere.
	PressureSigmaHPa  float64
	TemperatureSigmaC float64
}

// Defaults for what a person at the mount seldom knows.
const (
	DefaultTemperatureC = 10
	DefaultHumidity     = 0.3
	DefaultWavelengthUm = 0.55
)

// How well a part of the air is known: where nobody measured it, as weather and
// nights make it; by an instrument at the mount; by a focuser's thermometer, which
// its motor warms. Common practice.
const (
	usualPressureSigmaHPa    = 10
	usualTemperatureSigmaC   = 10
	MeasuredPressureSigmaHPa = 1
	MeasuredSigmaC           = 1
	FocuserSigmaC            = 3

	// airAbove is what is left of refraction with both measured: the air farther up.
	airAbove = 0.01
)

// Uncertain is how well refraction is known, as a relative standard deviation. It
// goes with pressure over temperature in kelvin.
func (a Air) Uncertain() float64 {
	p, t := a.PressureSigmaHPa, a.TemperatureSigmaC
	if p <= 0 {
		p = usualPressureSigmaHPa
	}
	if t <= 0 {
		t = usualTemperatureSigmaC
	}
	const zeroC = 273.15
	return math.Sqrt(airAbove*airAbove + p*p/(max(a.PressureHPa, 100)*max(a.PressureHPa, 100)) + t*t/((a.TemperatureC+zeroC)*(a.TemperatureC+zeroC)))
}

// StandardAir is the air of the ICAO standard atmosphere (1976) at an
// elevation, with the default temperature, humidity and wavelength:
// p = 1013.25 (1 - 2.25577e-5 h)^5.25588 hPa.
func StandardAir(elevationM float64) Air {
	return Air{
		PressureHPa:  1013.25 * math.Pow(1-2.25577e-5*elevationM, 5.25588),
		TemperatureC: DefaultTemperatureC,
		Humidity:     DefaultHumidity,
		WavelengthUm: DefaultWavelengthUm,
	}
}

// Check says what is wrong with the air, or nil.
func (a Air) Check() error {
	switch {
	case !(a.PressureHPa >= 0 && a.PressureHPa <= 1100):
		return fmt.Errorf("pressure %.1f hPa is outside 0 to 1100 (give the pressure at the site)", a.PressureHPa)
	case !(a.TemperatureC >= -90 && a.TemperatureC <= 60):
		return fmt.Errorf("temperature %.1f C is outside -90 to +60", a.TemperatureC)
	case !(a.Humidity >= 0 && a.Humidity <= 1):
		return fmt.Errorf("relative humidity %.2f is outside 0 to 1", a.Humidity)
	case !(a.WavelengthUm >= 0.3 && a.WavelengthUm <= 3):
		return fmt.Errorf("wavelength %.2f micrometres is outside 0.3 to 3", a.WavelengthUm)
	}
	return nil
}
