package setup

import (
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// Shadow is that of a plumb line on level ground. The Sun itself is never to be
// looked at.
type Shadow struct {
	Time time.Time
	// Azimuth is the true azimuth in which the shadow falls, away from the string's
	// foot, in [0, 360) degrees.
	Azimuth sky.Angle
	// Length is that of the shadow for each unit of the string's height.
	Length float64
	// PerMinute is how fast the shadow turns, positive from north through east.
	PerMinute sky.Angle
	SunAlt    sky.Angle
}

// Altitudes of the Sun between which a shadow serves: below, it is long, pale
// and often lost in trees; above, it is short and turns fast (common practice).
const (
	ShadowLowest  = 3 * sky.Degree
	ShadowHighest = 75 * sky.Degree
)

// Useful tells whether the shadow serves to find north.
func (s Shadow) Useful() bool { return s.SunAlt >= ShadowLowest && s.SunAlt <= ShadowHighest }

// sunShadow computes the shadow at an instant, to 0.01 degrees where it is
// useful. The Sun's width blurs a real shadow's edge; the middle of a thin
// string's shadow can be marked to about half a degree (common practice).
// up is false while the Sun is below ShadowLowest, and the shadow is then zero.
func sunShadow(site sky.Site, air sky.Air, t time.Time) (s Shadow, up bool, err error) {
	alt, az, err := sunAt(site, air, t)
	if err != nil || alt < ShadowLowest {
		return Shadow{}, false, err
	}
	_, before, err := sunAt(site, air, t.Add(-time.Minute/2))
	if err != nil {
		return Shadow{}, false, err
	}
	_, after, err := sunAt(site, air, t.Add(time.Minute/2))
	if err != nil {
		return Shadow{}, false, err
	}
	return Shadow{
		Time: t, Azimuth: (az + 180*sky.Degree).Positive(), Length: alt.Cos() / alt.Sin(),
		PerMinute: (after - before).Signed(), SunAlt: alt,
	}, true, nil
}

func sunAt(site sky.Site, air sky.Air, t time.Time) (alt, az sky.Angle, err error) {
	o, err := observed.NewObserver(site, air, t, 0)
	if err != nil {
		return 0, 0, err
	}
	alt, az = sky.AltAzFromLocal(o.Sun())
	return alt, az, nil
}

// SunEvent is something the Sun does.
type SunEvent string

const (
	Sunrise SunEvent = "rises"
	Sunset  SunEvent = "sets"
	SunHigh SunEvent = "highest" // due south or due north: the shadow lies along the meridian
)

// SunMoment is an event and its time.
type SunMoment struct {
	Event SunEvent
	Time  time.Time
	// Shadow is where the shadow falls at [SunHigh]: 0 for true north, 180 degrees
	// for true south.
	Shadow sky.Angle
}

// riseAltitude is the altitude, without air, of the Sun's centre when its upper
// edge is seen on a level horizon: 34 arcminutes of refraction and 16 of radius
// (Explanatory Supplement to the Astronomical Almanac, 3rd ed. 2013, sect. 12.3).
const riseAltitude = -50 * sky.Arcminute

// SunNear is how near the Sun a line of sight is dangerous: stray light is
// caught by tubes and finders that point some way off, and the sky drives a camera
// into saturation (common practice; the makers' manuals come first).
const SunNear = 30 * sky.Degree

// SunUp tells whether the upper edge of the Sun is above a level horizon.
func SunUp(o *observed.Observer) bool {
	alt, _ := sky.AltAzFromLocal(o.Refraction().True(o.Sun()))
	return alt > riseAltitude
}

// Steps of the search for events: the Sun is looked at each sunStep, and a change is
// then narrowed down to sunResolution. Near the poles two events within one
// step of each other are missed: the Sun then only grazes the horizon.
const (
	sunStep       = 10 * time.Minute
	sunResolution = time.Second
)

// sunPlace is where the Sun stands.
type sunPlace struct {
	above float64 // true altitude over riseAltitude, radians
	hour  float64 // sine of the hour angle, positive in the afternoon
	cos   float64 // its cosine
	south bool    // stands south of the observer
}

// sunFrom is the Sun as seen from a site.
type sunFrom struct {
	site sky.Site
	air  sky.Air
}

func (s sunFrom) at(t time.Time) (sunPlace, error) {
	o, err := observed.NewObserver(s.site, s.air, t, 0)
	if err != nil {
		return sunPlace{}, err
	}
	d := o.Refraction().True(o.Sun())
	alt, _ := sky.AltAzFromLocal(d)
	lat := s.site.Latitude
	return sunPlace{
		above: (alt - riseAltitude).Radians(),
		hour:  -d.X, cos: lat.Cos()*d.Z - lat.Sin()*d.Y, south: d.Y < 0,
	}, nil
}

// narrow finds the instant between a and b at which value changes its sign.
func (s sunFrom) narrow(a, b time.Time, value func(sunPlace) float64) (time.Time, sunPlace, error) {
	first, err := s.at(a)
	if err != nil {
		return a, first, err
	}
	for b.Sub(a) > sunResolution {
		mid := a.Add(b.Sub(a) / 2)
		l, err := s.at(mid)
		if err != nil {
			return mid, l, err
		}
		if (value(l) > 0) == (value(first) > 0) {
			a = mid
		} else {
			b = mid
		}
	}
	l, err := s.at(b)
	return b, l, err
}

// sunDay lists what the Sun does in the 24 hours from an instant, in order of
// time, to the minute that hills, air and clock leave. Without
// [Sunrise] and [Sunset] in it the Sun stays up, or down, all the while.
func sunDay(site sky.Site, air sky.Air, from time.Time) ([]SunMoment, error) {
	sun := sunFrom{site, air}
	above := func(l sunPlace) float64 { return l.above }
	hour := func(l sunPlace) float64 { return l.hour }

	var out []SunMoment
	before, err := sun.at(from)
	if err != nil {
		return nil, err
	}
	for t := from; t.Before(from.Add(24 * time.Hour)); t = t.Add(sunStep) {
		after, err := sun.at(t.Add(sunStep))
		if err != nil {
			return nil, err
		}
		var here []SunMoment
		if (before.above > 0) != (after.above > 0) {
			when, _, err := sun.narrow(t, t.Add(sunStep), above)
			if err != nil {
				return nil, err
			}
			event := Sunrise
			if before.above > 0 {
				event = Sunset
			}
			here = append(here, SunMoment{Event: event, Time: when})
		}
		// Highest: the hour angle passes 0, not 12 hours.
		if before.hour <= 0 && after.hour > 0 && after.cos > 0 {
			when, l, err := sun.narrow(t, t.Add(sunStep), hour)
			if err != nil {
				return nil, err
			}
			if l.above > 0 {
				m := SunMoment{Event: SunHigh, Time: when}
				if !l.south {
					m.Shadow = 180 * sky.Degree
				}
				here = append(here, m)
			}
		}
		if len(here) == 2 && here[1].Time.Before(here[0].Time) {
			here[0], here[1] = here[1], here[0]
		}
		out = append(out, here...)
		before = after
	}
	return out, nil
}
