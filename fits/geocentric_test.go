package fits

import (
	"fmt"
	"math"
	"testing"
)

// From astropy: EarthLocation.from_geodetic(lon, lat, height, ellipsoid="WGS84"), to the
// millimetre.
func TestGeocentricSite(t *testing.T) {
	const (
		sameDeg = 2e-8 // a millimetre on the ground, twice
		sameM   = 2e-3 // the same in height
	)
	for _, c := range []struct{ x, y, z, lat, lon, m float64 }{
		{4298783.040, 997985.712, 4590347.411, 46.32, 13.07, 640},
		{1947294.680, -5468638.789, -2639949.670, -24.6, -70.4, 2635},
		{11169.410, 0, 6356752.567, 89.9, 0, 10},
	} {
		f := mustDecode(t, small("DATE-OBS= '2026-03-07T04:00:00'", fmt.Sprintf("OBSGEO-X= %.3f", c.x), fmt.Sprintf("OBSGEO-Y= %.3f", c.y), fmt.Sprintf("OBSGEO-Z= %.3f", c.z)))
		if f.Site == nil {
			t.Errorf("%v: no site", c)
			continue
		}
		if math.Abs(f.Site.Latitude.Degrees()-c.lat) > sameDeg || math.Abs(f.Site.Longitude.Degrees()-c.lon) > sameDeg || math.Abs(f.Site.ElevationM-c.m) > sameM {
			t.Errorf("%v: %.9f, %.9f, %.4f m", c, f.Site.Latitude.Degrees(), f.Site.Longitude.Degrees(), f.Site.ElevationM)
		}
	}
	// A place in space, zeros, and half of the numbers.
	for _, cards := range [][]string{
		{"OBSGEO-X= 42164000.0", "OBSGEO-Y= 0.0", "OBSGEO-Z= 0.0"},
		{"OBSGEO-X= 0.0", "OBSGEO-Y= 0.0", "OBSGEO-Z= 0.0"},
		{"OBSGEO-X= 4298783.0", "OBSGEO-Y= 997985.7"},
	} {
		if f := mustDecode(t, small(append(cards, "DATE-OBS= '2026-03-07T04:00:00'")...)); f.Site != nil {
			t.Errorf("%v: %+v", cards, f.Site)
		}
	}
}
