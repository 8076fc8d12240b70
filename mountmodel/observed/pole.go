package observed

import (
	"fmt"

	"polard/mountmodel/sky"
)

// PoleKind says which pole a mount is set to.
type PoleKind int

const (
	// Refracted is the pole as seen through the air: the point about which the
	// stars near it are seen to turn.
	Refracted PoleKind = iota
	// True is the pole without air: the direction of the Earth's axis.
	True
)

// String is the word used on the command line and in JSON.
func (k PoleKind) String() string {
	switch k {
	case Refracted:
		return "refracted"
	case True:
		return "true"
	}
	return fmt.Sprintf("PoleKind(%d)", int(k))
}

// ParsePoleKind reads the word of [PoleKind.String].
func ParsePoleKind(word string) (PoleKind, error) {
	for _, k := range []PoleKind{Refracted, True} {
		if word == k.String() {
			return k, nil
		}
	}
	return 0, fmt.Errorf("pole %q is unknown: give %q (as seen through the air) or %q", word, Refracted, True)
}

// Pole is the direction of the elevated celestial pole at the site: the north
// pole for latitudes from the equator up, the south pole below it. Its true
// altitude is the size of the latitude (polar motion taken as 0, an error of
// up to 0.6 arcsec, shared by the stars: see [Observer]); the refracted pole
// stands higher by the refraction. Aberration turns about with the stars and
// does not move it. Near the equator the pole stands low, and the limits of
// [Refraction] are its own: at latitude 10 degrees it may be 0.8 arcsec too low,
// at 8 degrees 3, at 5 degrees 25, on the equator itself 20 arcminutes. Site and
// air are to pass their checks.
func Pole(site sky.Site, air sky.Air, kind PoleKind) sky.Local {
	d := sky.Local{Y: site.Latitude.Cos(), Z: site.Latitude.Sin()}
	if site.South() {
		d = sky.Local{Y: -d.Y, Z: -d.Z}
	}
	if kind == True {
		return d
	}
	return NewRefraction(air).Observed(d)
}
