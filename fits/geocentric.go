package fits

import (
	"fmt"
	"math"

	"polard/mountmodel/sky"
)

// The WGS84 ellipsoid (NIMA TR8350.2, table 3.1): half axis in metres, flattening. The
// FITS Standard's ITRS coordinates are on an ellipsoid that is the same to centimetres.
const (
	earthAxisM      = 6378137.0
	earthFlattening = 1 / 298.257223563
)

// geocentricSite reads the place from OBSGEO-X, -Y and -Z (section 8.4.1): metres in
// the terrestrial frame, z to the north pole, x to the meridian of Greenwich.
func geocentricSite(h *header) (*sky.Site, []string) {
	x, _, okX := h.number("OBSGEO-X")
	y, _, okY := h.number("OBSGEO-Y")
	z, _, okZ := h.number("OBSGEO-Z")
	if !okX || !okY || !okZ || x == 0 && y == 0 && z == 0 { // zeros stand for "not filled in"
		return nil, nil
	}
	latitude, longitude, height := geodetic(x, y, z)
	site := sky.Site{Latitude: latitude, Longitude: longitude, ElevationM: height}
	if err := site.Check(); err != nil {
		return nil, []string{fmt.Sprintf("OBSGEO-X, OBSGEO-Y, OBSGEO-Z were passed over: %v", err)}
	}
	return &site, nil
}

// geodetic gives the geodetic latitude, longitude and height of a geocentric place in
// metres, by Bowring's formula (Survey Review 23, 1976, 323, equation 2.4), whose error
// is below a millionth of an arcsecond near the ground.
func geodetic(x, y, z float64) (latitude, longitude sky.Angle, heightM float64) {
	const a, b = earthAxisM, earthAxisM * (1 - earthFlattening)
	const e2, second = (a*a - b*b) / (a * a), (a*a - b*b) / (b * b)
	p := math.Hypot(x, y)
	sin, cos := math.Sincos(math.Atan2(z*a, p*b))
	phi := math.Atan2(z+second*b*sin*sin*sin, p-e2*a*cos*cos*cos)
	sin, cos = math.Sincos(phi)
	n := a / math.Sqrt(1-e2*sin*sin)
	// This form of the height stays accurate at the poles.
	return sky.Angle(phi), sky.Angle(math.Atan2(y, x)), p*cos + z*sin - a*a/n
}
