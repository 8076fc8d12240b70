package setup

import (
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// PoleStar is a star that is used to find a pole by eye.
type PoleStar struct {
	Name string
	V    float64 // magnitude
	// ra and dec are the ICRS place at J2000.0, pmRA and pmDec the proper motion in
	// mas a year, pmRA with cos dec.
	ra, dec     sky.Angle
	pmRA, pmDec float64
}

// Polaris is HIP 11767: Hipparcos Catalogue (ESA SP-1200, 1997), 37.94614689
// +89.26413805 degrees at J1991.25, carried to J2000.0. The star is a close
// triple; its light departs from this straight motion by less than 0.5 arcsec in
// these decades (from memory).
var polaris = PoleStar{Name: "Polaris", V: 1.97, ra: 37.95451545 * sky.Degree, dec: 89.26410949 * sky.Degree, pmRA: 44.22, pmDec: -11.74}

// The four about the southern pole, from Tycho-2 as bundled (Hog et al. 2000,
// A&A 355, L27). V as there.
var octans = [...]PoleStar{
	{Name: "sigma Octantis", V: 5.4, ra: 317.19560416 * sky.Degree, dec: -88.95650082 * sky.Degree, pmRA: 27, pmDec: 5},
	{Name: "chi Octantis", V: 5.3, ra: 283.69636958 * sky.Degree, dec: -87.60584853 * sky.Degree, pmRA: -36.7, pmDec: -134.9},
	{Name: "tau Octantis", V: 5.5, ra: 352.01587932 * sky.Degree, dec: -87.48220773 * sky.Degree, pmRA: 16, pmDec: 12},
	{Name: "upsilon Octantis", V: 5.8, ra: 337.90618378 * sky.Degree, dec: -85.96725465 * sky.Degree, pmRA: -38, pmDec: 62},
}

// poleStars are the stars used at a site: Polaris in the north; in the south sigma
// Octantis first, then its neighbours.
func poleStars(site sky.Site) []PoleStar {
	if site.South() {
		return append([]PoleStar(nil), octans[:]...)
	}
	return []PoleStar{polaris}
}

// ICRS is the star's barycentric direction at an epoch, in Julian years.
func (s PoleStar) ICRS(julianYear float64) sky.ICRS {
	const mas = sky.Arcsecond / 1000
	p := sky.Vec(sky.ICRSFromRADec(s.ra, s.dec))
	east := sky.Vec{X: -s.ra.Sin(), Y: s.ra.Cos()}
	north := r3.Cross(p, east)
	years := julianYear - 2000
	step := r3.Add(r3.Scale((sky.Angle(s.pmRA)*mas).Radians(), east), r3.Scale((sky.Angle(s.pmDec)*mas).Radians(), north))
	// Straight on instead of along the great circle: for the largest motion here, 14
	// arcsec in a century, the difference is 1e-7 arcsec.
	return sky.Unit(sky.ICRS(r3.Add(p, r3.Scale(years, step))))
}

// StarOffset is where a star is seen against a pole.
type StarOffset struct {
	// Distance is the angle on the sky from the pole to the star. It is also how
	// far off the axis is when one simply centres the star.
	Distance sky.Angle
	// PositionAngle is measured at the pole, from straight up through east, to the
	// star; in [0, 360) degrees.
	PositionAngle sky.Angle
	// East and Up are the star's place from the pole, seen along the axis: tangent
	// plane, so they are Distance long to a part in ten thousand within a degree.
	East, Up sky.Angle
}

// StarPlace is where a pole star stands at an instant.
type StarPlace struct {
	Star PoleStar
	Seen sky.Local // through the air
	// HourAngle is that of the star without air, west positive, in [0, 360) degrees.
	HourAngle sky.Angle
	// PolarDistance is from the true pole to the star without air: 90 degrees minus
	// the size of the apparent declination.
	PolarDistance sky.Angle
	// FromRefracted and FromTrue are where the star is seen against the pole as
	// seen through the air, and against the direction of the Earth's axis.
	FromRefracted, FromTrue StarOffset
}

// From is where the star is seen against one of the poles.
func (p StarPlace) From(kind observed.PoleKind) StarOffset {
	if kind == observed.True {
		return p.FromTrue
	}
	return p.FromRefracted
}

// poleStarsAt computes the places of the site's pole stars, to half an arcsecond
// for a known clock. A clock wrong by a minute turns them by a quarter of a degree
// about the pole.
func poleStarsAt(site sky.Site, air sky.Air, t time.Time) ([]StarPlace, error) {
	o, err := observed.NewObserver(site, air, t, 0)
	if err != nil {
		return nil, err
	}
	refracted := observed.Pole(site, air, observed.Refracted)
	truePole := observed.Pole(site, air, observed.True)
	var out []StarPlace
	for _, star := range poleStars(site) {
		icrs := star.ICRS(observed.JulianEpoch(t))
		airless, seen := o.Airless(icrs), o.Observed(icrs)
		lat := site.Latitude
		out = append(out, StarPlace{
			Star: star, Seen: seen,
			HourAngle:     sky.Atan2(-airless.X, lat.Cos()*airless.Z-lat.Sin()*airless.Y).Positive(),
			PolarDistance: sky.Separation(airless, truePole),
			FromRefracted: starOffset(seen, refracted, site.South()),
			FromTrue:      starOffset(seen, truePole, site.South()),
		})
	}
	return out, nil
}

// starOffset measures in the plane that touches the sky at the pole. Up is along
// the meridian away from the horizon below the pole, which keeps its meaning
// where the pole is overhead.
func starOffset(star, pole sky.Local, south bool) StarOffset {
	up := sky.Vec{Y: -pole.Z, Z: pole.Y}
	if south {
		up = sky.Vec{Y: pole.Z, Z: -pole.Y}
	}
	d := sky.Vec(star)
	along := r3.Dot(d, sky.Vec(pole))
	east, high := d.X, r3.Dot(d, up)
	return StarOffset{
		Distance:      sky.Separation(star, pole),
		PositionAngle: sky.Atan2(east, high).Positive(),
		East:          sky.Atan2(east, along), Up: sky.Atan2(high, along),
	}
}
