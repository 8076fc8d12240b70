package setup

import (
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// LatitudeNear is how near the latitude scale has to be for the first frames:
// common practice. What it rests on: the measurement works wherever the axis
// points, so only the bolts' travel counts, and a few degrees are within it on
// most mounts. Scales themselves are seldom truer than a degree.
const LatitudeNear = 3 * sky.Degree

// Place is what the place alone tells.
type Place struct {
	South bool // the elevated pole is the southern one
	// Pole is the direction to which the axis is to point, True that without air.
	Pole, True sky.Local
	// LatitudeScale is what the scale of the altitude bolt should read: the
	// altitude of the pole aimed at. Always positive.
	LatitudeScale sky.Angle
	// Lift is the refraction at the pole: how much the refracted pole stands
	// above the true one.
	Lift sky.Angle
	// LiftSigma is how well that is known, one standard deviation.
	LiftSigma sky.Angle
	// PressureHPa is the usual air pressure at the elevation, of the standard
	// atmosphere; the weather moves it by 10 hPa and more (common knowledge).
	PressureHPa float64
}

// newPlace computes it. Site and air must pass their checks.
func newPlace(site sky.Site, air sky.Air, kind observed.PoleKind) (Place, error) {
	if err := site.Check(); err != nil {
		return Place{}, err
	}
	if err := air.Check(); err != nil {
		return Place{}, err
	}
	p := Place{
		South:       site.South(),
		Pole:        observed.Pole(site, air, kind),
		True:        observed.Pole(site, air, observed.True),
		PressureHPa: sky.StandardAir(site.ElevationM).PressureHPa,
		LiftSigma:   observed.PoleUncertain(site, air),
	}
	p.LatitudeScale, _ = sky.AltAzFromLocal(p.Pole)
	p.Lift = sky.Separation(observed.Pole(site, air, observed.Refracted), p.True)
	return p, nil
}

// Azimuth is that of the pole: 0 or 180 degrees.
func (p Place) Azimuth() sky.Angle {
	if p.South {
		return 180 * sky.Degree
	}
	return 0
}
