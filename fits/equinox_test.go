package fits

import (
	"testing"

	"polard/mountmodel/sky"
)

// Places of a header as astropy 5.2.1 has them in ICRS:
//
//	SkyCoord(ra, dec, unit="deg", frame=FK4(equinox="B1950", obstime="B1950")).icrs
//
// and FK5(equinox="J1975") for those. What is left out of a hint stays below an arcsecond.
func TestEquinox(t *testing.T) {
	for _, c := range []struct {
		system          string
		equinox         float64
		ra, dec         float64
		wantRA, wantDec float64
	}{
		{"FK4", 1950, 202.47, 47.2, 202.99504, 46.94329},
		{"FK4", 1950, 10, -85, 10.10032, -84.72577},
		{"FK4", 1950, 148, 69.3, 149.02293, 69.06266},
		{"FK4", 1900, 202, 47.5, 203.05018, 46.98575},
		{"FK4", 1875, 300, -20, 301.81620, -19.64247},
		{"FK5", 1975, 83.8, -5.4, 84.10719, -5.38534},
		{"FK5", 2026.5, 37.9, 89.2, 31.93595, 89.07889},
		{"FK5", 2015.5, 250.4, 36.5, 250.26157, 36.52904},
		{"FK5", 2000, 10, 20, 10, 20},
	} {
		deg := func(x float64) sky.Angle { return sky.Angle(x) * sky.Degree }
		got := equinox(c.equinox).toICRS(sky.ICRSFromRADec(deg(c.ra), deg(c.dec)))
		if off := sky.Separation(got, sky.ICRSFromRADec(deg(c.wantRA), deg(c.wantDec))); off > sky.Arcsecond {
			ra, dec := sky.RADecFromICRS(got)
			t.Errorf("%s of %g: %.5f, %.5f, %.1f arcsec off", c.system, c.equinox, ra.Degrees(), dec.Degrees(), off.Arcseconds())
		}
	}
}

// FITS Standard 4.0, section 8.3: what the keywords mean, alone and together; and what the trade writes.
func TestReadEquinox(t *testing.T) {
	for name, c := range map[string]struct {
		values map[string]any
		want   equinox
	}{
		"nothing":                   {nil, icrs},
		"ICRS":                      {map[string]any{"RADESYS": "ICRS"}, icrs},
		"ICRS has no equinox":       {map[string]any{"RADESYS": "ICRS", "EQUINOX": 1950.0}, icrs},
		"FK4":                       {map[string]any{"RADESYS": "FK4"}, 1950},
		"FK4 of 1900":               {map[string]any{"RADESYS": "FK4", "EQUINOX": 1900}, 1900},
		"FK5":                       {map[string]any{"RADESYS": "FK5"}, 2000},
		"1950 alone":                {map[string]any{"EQUINOX": 1950.0}, 1950},
		"B1950":                     {map[string]any{"EQUINOX": "B1950"}, 1950},
		"2000 alone":                {map[string]any{"EQUINOX": 2000.0}, 2000},
		"J2000":                     {map[string]any{"EQUINOX": "J2000.0"}, 2000},
		"an old keyword":            {map[string]any{"EPOCH": 1950.0}, 1950},
		"an old keyword, misused":   {map[string]any{"EPOCH": 51234.5}, icrs},
		"an old keyword, and a new": {map[string]any{"EPOCH": 1985.2, "EQUINOX": 2000}, 2000},
		"of date":                   {map[string]any{"RADECSYS": "FK5", "EQUINOX": 2026.5}, 2026.5},
	} {
		if got := readEquinox(&header{values: c.values}); got != c.want {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}

// The place of a frame is precessed, by its pointing and by its world coordinates.
func TestPlaceOfEquinox(t *testing.T) {
	want := sky.ICRSFromRADec(202.99504*sky.Degree, 46.94329*sky.Degree)
	for name, cards := range map[string][]string{
		"pointing": {"RA      = 202.47", "DEC     = 47.2", "EQUINOX = 1950.0"},
		"world coordinates": {"CTYPE1  = 'RA---TAN'", "CTYPE2  = 'DEC--TAN'", "CRVAL1  = 202.47", "CRVAL2  = 47.2", "CRPIX1  = 2.5", "CRPIX2  = 2.5",
			"CDELT1  = -0.002", "CDELT2  = 0.002", "EPOCH   = 1950.0"},
	} {
		f := mustDecode(t, small(cards...))
		if f.Position == nil || sky.Separation(*f.Position, want) > 2*sky.Arcsecond {
			t.Errorf("%s: %v", name, f.Position)
		}
	}
}
