package plan

import (
	"errors"
	"fmt"

	"gonum.org/v1/gonum/spatial/r3"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// apparentRate is the mean rate, over the sidereal one, at which a mount whose
// axis is the given direction must turn to follow a star of declination dec
// from one hour angle to another, as seen through the air; with from equal to
// to, the rate at that moment. For an axis at the refracted pole this is what
// King 1931, A Manual of Celestial Photography, works out; a drive at that
// rate is said to run at King rate. Multiply by 15.041 for arcseconds per
// second; divide 1436.07 by it for minutes per revolution.
func apparentRate(site sky.Site, air sky.Air, axis sky.Local, dec, from, to sky.Angle) (float64, error) {
	if err := errors.Join(site.Check(), air.Check()); err != nil {
		return 0, err
	}
	if !(to >= from) || to-from > sky.Turn/2 {
		return 0, fmt.Errorf("hour angles %.2f to %.2f h: give up to 12 hours, from east to west", from.Hours(), to.Hours())
	}
	// A difference over an arcminute: truncated at 1e-8, rounded at 1e-12.
	const step = 0.5 * sky.Arcminute
	if to-from < 2*step {
		middle := (from + to) / 2
		from, to = middle-step, middle+step
	}
	r := observed.NewRefraction(air)
	a := sky.Vec(sky.Unit(axis))
	b := sky.TangentBasis(a)
	var angle [2]sky.Angle
	for k, h := range [2]sky.Angle{from, to} {
		airless := sky.LocalFromHour(site.Latitude, h, dec)
		if alt, _ := sky.AltAzFromLocal(airless); alt < lowestPlanned {
			return 0, fmt.Errorf("at hour angle %.1f h the star is at altitude %.0f°, too low for a rate", h.Hours(), alt.Degrees())
		}
		s := sky.Vec(r.Observed(airless))
		if r3.Norm(r3.Cross(a, s)) < leastLever {
			return 0, fmt.Errorf("a star on the axis itself needs no rate: %w", ErrNotSteerable)
		}
		angle[k] = sky.Atan2(r3.Dot(s, b[1]), r3.Dot(s, b[0]))
	}
	// The basis is left-handed seen along the axis: northern stars turn
	// backwards about it, which is from across to up.
	turned := angle[1] - angle[0]
	if site.South() {
		turned = -turned
	}
	return float64(turned.Positive() / (to - from)), nil
}
