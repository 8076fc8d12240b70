package observed

import (
	"fmt"
	"math"

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
	// Planned is the axis for which planned exposures trail least; it takes a plan
	// to find it (package plan).
	Planned
)

// String is the word used on the command line and in JSON.
func (k PoleKind) String() string {
	switch k {
	case Refracted:
		return "refracted"
	case True:
		return "true"
	case Planned:
		return "best"
	}
	return fmt.Sprintf("PoleKind(%d)", int(k))
}

// ParsePoleKind reads the word of [PoleKind.String].
func ParsePoleKind(word string) (PoleKind, error) {
	for _, k := range []PoleKind{Refracted, True, Planned} {
		if word == k.String() {
			return k, nil
		}
	}
	return 0, fmt.Errorf("pole %q is unknown: give %q (as seen through the air), %q, or, with a plan, %q", word, Refracted, True, Planned)
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

// lowPole is how far off the refracted pole may be because the model of the air
// ends, by its altitude in degrees: see [Pole].
var lowPole = [...]struct{ altitudeDeg, arcsec float64 }{{0, 1200}, {5, 25}, {8, 3}, {10, 0.8}}

// PoleModelError is how far off the refracted pole may be, one standard deviation,
// because the model of the air ends near the horizon; between the altitudes that
// [Pole] names it goes as a power, and higher up it is soon nothing.
func PoleModelError(site sky.Site) sky.Angle {
	alt := site.Latitude.Abs().Degrees()
	k := 1
	for k < len(lowPole)-1 && alt > lowPole[k].altitudeDeg {
		k++
	}
	a, b := lowPole[k-1], lowPole[k]
	slope := math.Log(b.arcsec/a.arcsec) / (b.altitudeDeg - a.altitudeDeg)
	return sky.Angle(b.arcsec*math.Exp(slope*(alt-b.altitudeDeg))) * sky.Arcsecond
}

// PoleUncertain is how well the altitude of the refracted pole is known, one
// standard deviation: by the air and by what the model of it lacks.
func PoleUncertain(site sky.Site, air sky.Air) sky.Angle {
	lift := float64(sky.Separation(Pole(site, air, Refracted), Pole(site, air, True)))
	if lift == 0 { // no air at all
		return 0
	}
	return sky.Angle(math.Hypot(lift*air.Uncertain(), float64(PoleModelError(site))))
}
