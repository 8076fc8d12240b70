package observed

import (
	"fmt"
	"math"
	"time"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// Observer is a site, its air and an instant, with all that does not depend on
// the star worked out beforehand, so that a star costs well under a
// microsecond. It is immutable and safe for concurrent use.
//
// From ICRS to observed place: deflection of light by the Sun, aberration by
// the velocity of the observer (orbit and spin of the Earth), bias, precession
// IAU 2006, nutation IAU 2000B, rotation of the Earth, refraction. The
// reference is ERFA atco13; the tests hold the agreement.
//
// What the model leaves out, and how much that is:
//
//   - Polar motion, taken as 0: up to 0.6 arcsec. It moves the sky and the pole
//     of the site's latitude as one, so it tilts the local frame but hardly
//     touches the axis's offset from the pole.
//   - UT1-UTC when not given: up to 0.9 s, which turns the sky about the pole
//     by up to 13.5 arcsec. An offset of one degree is then turned by 0.24
//     arcsec, one of ten arcminutes by 0.04.
//   - Deflection of the vertical (site latitude is geodetic): typically 5, in
//     mountains up to 60 arcsec, again common to sky and pole.
//   - Parallax: at most 0.77 arcsec, under 0.1 beyond 10 parsecs.
//   - Real air against the standard one: see [Refraction].
type Observer struct {
	site sky.Site

	toLocal       sky.Matrix // ICRS axes to east, north, up, without aberration
	fromLocal     sky.Matrix
	velocity      sky.Vec // of the observer about the barycentre, in c
	invGamma      float64 // sqrt(1 - v^2)
	sunToSite     sky.Vec // unit vector
	sunDeflection float64 // 2GM/(c^2 distance): the bending in radians at 90 degrees
	refraction    Refraction
	gast          sky.Angle
}

// NewObserver prepares the instant utc at the site. dut1 is UT1-UTC in
// seconds, 0 when unknown. Site and air must pass their checks; the years 1972
// to 2099 are covered. Longitude is positive east.
func NewObserver(site sky.Site, air sky.Air, utc time.Time, dut1 float64) (*Observer, error) {
	if err := site.Check(); err != nil {
		return nil, fmt.Errorf("site: %w", err)
	}
	if err := air.Check(); err != nil {
		return nil, fmt.Errorf("air: %w", err)
	}
	if err := checkInstant(utc, dut1); err != nil {
		return nil, err
	}
	t := ttOf(utc).centuries()
	ut1 := ut1Of(utc, dut1)
	psi, eps := nutation(t)
	o := &Observer{site: site,
		gast:       greenwichApparent(ut1, t, psi),
		refraction: NewRefraction(air),
	}
	toTerrestrial := frameTurnZ(o.gast).Mul(celestialToTrue(t, psi, eps))
	fromTerrestrial := toTerrestrial.Transpose()
	o.toLocal = terrestrialToLocal(site).Mul(toTerrestrial)
	o.fromLocal = o.toLocal.Transpose()

	earthVelocity, earthPlace := earthState(t)
	position := sitePosition(site)
	o.velocity = r3.Add(earthVelocity,
		r3.Scale(1.0/speedOfLightMS, fromTerrestrial.Apply(siteVelocity(position))))
	o.invGamma = math.Sqrt(1 - r3.Dot(o.velocity, o.velocity))
	fromSun := r3.Add(earthPlace, r3.Scale(1.0/astronomicalUnitM, fromTerrestrial.Apply(position)))
	distance := r3.Norm(fromSun)
	o.sunToSite = r3.Scale(1/distance, fromSun)
	o.sunDeflection = schwarzschildAU / distance
	return o, nil
}

// Refraction is that of the observer's air.
func (o *Observer) Refraction() Refraction { return o.refraction }

// LocalSidereal is the local apparent sidereal time, in [0, 360) degrees:
// the right ascension, with respect to the true equinox, on the meridian.
func (o *Observer) LocalSidereal() sky.Angle { return (o.gast + o.site.Longitude).Positive() }

// Observed gives the direction in which a star is seen. The star's ICRS
// direction is barycentric, with its proper motion applied for the date.
func (o *Observer) Observed(star sky.ICRS) sky.Local {
	return o.refraction.Observed(o.Airless(star))
}

// Airless is Observed without the air.
func (o *Observer) Airless(star sky.ICRS) sky.Local {
	return sky.Local(o.toLocal.Apply(aberrate(o.deflect(sky.Vec(star)), o.velocity, o.invGamma)))
}

// ICRS is the inverse of Observed, to 1e-4 arcsec: the star that is seen in the
// direction d.
func (o *Observer) ICRS(d sky.Local) sky.ICRS {
	seen := o.fromLocal.Apply(sky.Vec(o.refraction.True(d)))
	// The aberration of the opposite velocity undoes it exactly: Lorentz boosts.
	straight := aberrate(sky.Unit(seen), r3.Scale(-1, o.velocity), o.invGamma)
	star := straight
	for range deflectionRounds {
		star = sky.Unit(r3.Sub(straight, r3.Sub(o.deflect(star), star)))
	}
	return sky.ICRS(star)
}

// bendRounds: where the bending is strongest, 5 arcminutes from the Sun's
// centre, it is 6 arcsec and changes by 2 per cent of a change in direction, so
// three rounds leave 5e-5 arcsec there, and far less outside the Sun's disc.
const deflectionRounds = 3

// minDeflectionCos limits the bending to directions more than 5 arcminutes from the
// Sun's centre, as ERFA ldsun does.
const minDeflectionCos = 1e-6

// deflect is the deflection of light by the Sun's mass for a star at infinity:
// Klioner 2003, AJ 125, 1580, eq. 70 (ERFA ld, ldsun). It turns the direction
// away from the Sun, 0.0041 arcsec at 90 degrees.
func (o *Observer) deflect(p sky.Vec) sky.Vec {
	w := o.sunDeflection / max(1+r3.Dot(p, o.sunToSite), minDeflectionCos)
	// p x (e x p) = e (p.p) - p (p.e)
	return sky.Unit(r3.Add(p, r3.Scale(w, r3.Sub(o.sunToSite, r3.Scale(r3.Dot(p, o.sunToSite), p)))))
}

// aberrate is the stellar aberration, exact in special relativity, for the
// velocity v in units of c (Explanatory Supplement to the Astronomical Almanac,
// 3rd ed. 2013, expr. 7.40; ERFA ab without the Sun's potential, which adds 0.4
// microarcseconds).
func aberrate(p, v sky.Vec, invGamma float64) sky.Vec {
	w := 1 + r3.Dot(p, v)/(1+invGamma)
	return sky.Unit(r3.Add(r3.Scale(invGamma, p), r3.Scale(w, v)))
}

// Sun is the direction in which the centre of the Sun is seen, to 5 arcsec above
// altitude 15 degrees; below the horizon the air's part means nothing, but stays
// under 0.3 degrees.
func (o *Observer) Sun() sky.Local {
	p := aberrate(r3.Scale(-1, o.sunToSite), o.velocity, o.invGamma)
	return o.refraction.Observed(sky.Local(o.toLocal.Apply(p)))
}

// SunUp tells whether the middle of the Sun is above the level, without
// refraction.
func (o *Observer) SunUp() bool { return o.toLocal.Apply(r3.Scale(-1, o.sunToSite)).Z > 0 }
