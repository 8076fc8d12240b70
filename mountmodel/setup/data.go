package setup

import (
	"errors"
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// Compass is what a compass should read.
type Compass struct {
	Field       MagneticField
	Declination sky.Angle
	Sigma       sky.Angle // one standard deviation of the declination, without iron nearby
	Bearing     sky.Angle // what the needle's scale reads towards the pole's azimuth
	Use         CompassUse
}

// Data is the whole set-up for a place and an instant.
type Data struct {
	Site  sky.Site
	Air   sky.Air
	Time  time.Time
	Pole  observed.PoleKind
	Place Place
	Mount Mount
	Legs  [3]sky.Angle
	// Level is what a base that leans by LevelNear towards the east does; zero, with
	// LevelProblem saying why, upon the Earth's poles.
	Level        Coupling
	LevelProblem error
	// Compass is nil outside the years of the magnetic model.
	Compass *Compass
	// SunUp tells whether the upper edge of the Sun is above a level horizon.
	// SunAltitude is that of its centre as it is seen; below the horizon about so.
	SunUp       bool
	SunAltitude sky.Angle
	SunDay      []SunMoment // of the 24 hours from Time
	Shadow      *Shadow     // nil while the Sun is too low
	Shadows     []Shadow    // each half hour of the 24 hours from Time, where useful
	Stars       []StarPlace
}

// For is the set-up for a kind of mount; without it, it is for a German one.
func (s Data) For(mount Mount) Data {
	s.Mount, s.Legs = mount, legAzimuths(s.Site, mount)
	return s
}

// shadowStep is the distance of the rows of Data.Shadows.
const shadowStep = 30 * time.Minute

// NewData computes all of it. Site and air must pass their checks, the years 1972 to
// 2098 are covered, those of the compass are 2025 to 2029.
func NewData(site sky.Site, air sky.Air, kind observed.PoleKind, t time.Time) (Data, error) {
	s := Data{Site: site, Air: air, Time: t, Pole: kind, Mount: German, Legs: legAzimuths(site, German)}
	var err error
	if s.Place, err = newPlace(site, air, kind); err != nil {
		return Data{}, err
	}
	s.Level, s.LevelProblem = boltCoupling(site, LevelNear, 90*sky.Degree)

	field, err := magneticField(site, t)
	switch {
	case err == nil:
		s.Compass = &Compass{Field: field, Declination: field.Declination(), Sigma: field.DeclinationSigma(),
			Bearing: field.Bearing(s.Place.Azimuth()), Use: field.Compass()}
	case !errors.Is(err, ErrMagneticDate):
		return Data{}, err
	}

	o, err := observed.NewObserver(site, air, t, 0)
	if err != nil {
		return Data{}, err
	}
	s.SunAltitude, _ = sky.AltAzFromLocal(o.Sun())
	s.SunUp = SunUp(o)
	if s.SunDay, err = sunDay(site, air, t); err != nil {
		return Data{}, err
	}
	now, up, err := sunShadow(site, air, t)
	if err != nil {
		return Data{}, err
	}
	if up {
		s.Shadow = &now
	}
	first := t.Truncate(shadowStep)
	if first.Before(t) {
		first = first.Add(shadowStep)
	}
	for when := first; when.Before(t.Add(24 * time.Hour)); when = when.Add(shadowStep) {
		shadow, up, err := sunShadow(site, air, when)
		if err != nil {
			return Data{}, err
		}
		if up && shadow.Useful() {
			s.Shadows = append(s.Shadows, shadow)
		}
	}
	if s.Stars, err = poleStarsAt(site, air, t); err != nil {
		return Data{}, err
	}
	return s, nil
}
