package measure

import (
	"fmt"
	"time"

	"polard/cmd/polard/internal/devices"
	"polard/mountmodel/observed"
	"polard/mountmodel/setup"
	"polard/mountmodel/sky"
)

// Limits are what no movement may pass. Makers' manuals and the mount's own limits come first.
type Limits struct {
	// MinAltitude is how low the tube may point.
	MinAltitude sky.Angle
	// MaxTurn is how far from where it began either axis may be turned: cables reach so far.
	MaxTurn sky.Angle
	// PastMeridian is how far beyond the meridian the tube may go on its side of the pier: there
	// it comes near the pier's legs, and the counterweight stands above it.
	PastMeridian sky.Angle
	// Daylight lets the mount move while the Sun is up, for a tube that is capped or filtered.
	Daylight bool
}

// DaylightWord is what has to be typed to set Daylight.
const DaylightWord = "covered"

// DefaultLimits are those that hold unless the user sets others.
func DefaultLimits() Limits {
	return Limits{MinAltitude: 30 * sky.Degree, MaxTurn: 75 * sky.Degree, PastMeridian: 5 * sky.Degree}
}

// Check says what is wrong with the limits, or nil. They can be made stricter without end, and
// wider only as far as a machine can stand it at all.
func (l Limits) Check() error {
	switch {
	case !(l.MinAltitude >= 0 && l.MinAltitude <= 80*sky.Degree):
		return fmt.Errorf("a lowest altitude of %.0f degrees: give 0 to 80", l.MinAltitude.Degrees())
	case !(l.MaxTurn > 0 && l.MaxTurn <= 150*sky.Degree):
		return fmt.Errorf("a greatest turn of %.0f degrees: give more than 0, up to 150", l.MaxTurn.Degrees())
	case !(l.PastMeridian >= 0 && l.PastMeridian <= 180*sky.Degree):
		return fmt.Errorf("%.0f degrees beyond the meridian: give 0 to 180 (180 for a mount that may cross it freely)", l.PastMeridian.Degrees())
	}
	return nil
}

// sunNear is how near the Sun no path may come; no option changes it.
const sunNear = setup.SunNear

// Position is where the two axes of an equatorial mount stand. On the side of the pier on which the
// tube began they are hour angle and declination; beyond the pole, on the other side, Dec is more than
// 90 degrees north (or south, of a southern pole) and the tube points to the other half of the sky.
type Position struct {
	Hour sky.Angle // hour angle, west of the upper meridian positive
	Dec  sky.Angle
}

// add gives where the axes stand after both have been turned.
func (p Position) add(by Position) Position { return Position{p.Hour + by.Hour, p.Dec + by.Dec} }

// since is how far the axes have been turned, the hour angle the short way.
func (p Position) since(from Position) Position {
	return Position{(p.Hour - from.Hour).Signed(), p.Dec - from.Dec}
}

// Beyond tells whether the tube is beyond the pole.
func (p Position) Beyond() bool { return p.Dec.Abs() > sky.Turn/4 }

// otherwise are the same direction's axes on the other side of the pier.
func (p Position) otherwise() Position {
	half := sky.Turn / 2
	if p.Dec < 0 {
		half = -half
	}
	return Position{(p.Hour - half).Signed(), half - p.Dec}
}

// Pointing are the hour angle and declination to which the tube points.
func (p Position) Pointing() Position {
	if p.Beyond() {
		return p.otherwise()
	}
	return p
}

// Local is the direction of a position at a latitude (Meeus 1998, Astronomical Algorithms, eqs.
// 13.5 and 13.6, as components).
func (p Position) Local(lat sky.Angle) sky.Local {
	cd := sky.Angle(p.Dec.Cos())
	return sky.Local{
		X: -float64(cd) * p.Hour.Sin(),
		Y: p.Dec.Sin()*lat.Cos() - float64(cd)*p.Hour.Cos()*lat.Sin(),
		Z: p.Dec.Sin()*lat.Sin() + float64(cd)*p.Hour.Cos()*lat.Cos(),
	}
}

// positionFromLocal is its inverse.
func positionFromLocal(d sky.Local, lat sky.Angle) Position {
	north := d.Z*lat.Cos() - d.Y*lat.Sin()
	return Position{Hour: sky.Atan2(-d.X, north), Dec: sky.Asin(d.Z*lat.Sin() + d.Y*lat.Cos())}
}

// Violation is a limit that a movement would pass.
type Violation struct {
	Code string // "altitude", "turn", "meridian", "sun_up", "sun_near", "parked", "trouble"
	Why  sky.Saying
}

func (v *Violation) Error() string { return v.Why.Text }

// Saying is the sentence.
func (v *Violation) Saying() sky.Saying { return v.Why }

// violates is a limit that a movement would pass, by its own code.
func violates(code, format string, args ...any) *Violation {
	return &Violation{code, sky.Say("limit_"+code, format, args...)}
}

// whole and tenths are degrees as a sentence has them.
func whole(a sky.Angle) sky.Decimal  { return sky.Decimal{Value: a.Degrees()} }
func tenths(a sky.Angle) sky.Decimal { return sky.Decimal{Value: a.Degrees(), Digits: 1} }

// surroundings are what the limits need to know of time and place.
type surroundings struct {
	observer *observed.Observer
	lat      sky.Angle
	sun      sky.Local
	sunUp    bool
}

func surroundingsAt(site sky.Site, air sky.Air, now time.Time) (surroundings, error) {
	o, err := observed.NewObserver(site, air, now, 0)
	if err != nil {
		return surroundings{}, err
	}
	return surroundings{observer: o, lat: site.Latitude, sun: o.Sun(), sunUp: setup.SunUp(o)}, nil
}

// position is where a mount says that its tube points.
func (w surroundings) position(s devices.MountState) Position {
	if s.J2000 {
		return positionFromLocal(w.observer.Airless(sky.ICRSFromRADec(s.RA, s.Dec)), w.lat)
	}
	return Position{Hour: (w.observer.LocalSidereal() - s.RA).Signed(), Dec: s.Dec}
}

// pathStep is how finely a path is looked at: half the smallest limit, which is stated in whole degrees.
const pathStep = 0.5 * sky.Degree

// senseBack is how far a mount may go the wrong way while it is seen which way its declination
// switch turns it (devices.Sense).
const senseBack = 2 * sky.Degree

// check says whether the axes may make some moves from where they stand, having been turned by so much
// already since the start. home is the side of the pier on which the tube began, or the side that
// stands for it.
func (l Limits) check(w surroundings, from Position, moves []Move, already Position, home devices.PierSide) *Violation {
	if len(moves) == 0 {
		moves = []Move{{RightAscension, 0}}
	}
	for _, move := range moves {
		back := sky.Angle(0)
		if move.Axis == Declination { // which may go the wrong way at first
			back = senseBack
		}
		if v := l.leg(w, from, move, back, already, home); v != nil {
			return v
		}
		already, from = already.add(move.along(move.By)), from.add(move.along(move.By))
	}
	return nil
}

// leg checks one move, from a little back on.
func (l Limits) leg(w surroundings, from Position, move Move, back sky.Angle, already Position, home devices.PierSide) *Violation {
	if w.sunUp && !l.Daylight {
		return violates("sun_up", "the Sun is up: nothing is moved. If the tube is capped or has a certified filter before it, this can be overridden with a typed word")
	}
	// A turn ends a little beyond where it was to end; what already stands there may stay, and turn back.
	stands := max(already.Hour.Abs(), already.Dec.Abs())
	ends := move.of(already.add(move.along(move.By)))
	away := ends*move.By > 0 && ends.Abs() > l.MaxTurn+sky.Arcsecond // of several steps, rounded
	if away || stands > l.MaxTurn+tooFar {
		return violates("turn", "that is %s degrees from where the axis began, and cables are trusted for %s only", whole(max(stands, ends.Abs())), whole(l.MaxTurn))
	}
	if move.By > 0 {
		back = -back
	}
	steps := int((move.By-back).Abs()/pathStep) + 1
	for i := range steps + 1 {
		turned := back + (move.By-back)*sky.Angle(float64(i)/float64(steps))
		if v := l.at(w, from.add(move.along(turned)), home); v != nil {
			return v
		}
	}
	return nil
}

// at checks one position on a path. How far beyond the meridian it is depends on the right
// ascension axis alone, on whichever side of the pole the tube is: there, too, the counterweight
// stands above the tube.
func (l Limits) at(w surroundings, p Position, home devices.PierSide) *Violation {
	d := p.Local(w.lat)
	alt, az := sky.AltAzFromLocal(d)
	if alt < l.MinAltitude {
		return violates("altitude", "the tube would point %s degrees high, in azimuth %s; the lowest allowed is %s", whole(alt), whole(az), whole(l.MinAltitude))
	}
	if near := sky.Separation(d, w.sun); near < sunNear {
		return violates("sun_near", "the tube would point %s degrees from the Sun; within %s nothing ever goes", whole(near), whole(sunNear))
	}
	if past := pastMeridian(p.Hour, home); past > l.PastMeridian {
		return violates("meridian", "the tube would stand %s degrees beyond the meridian on its side of the pier; %s are allowed", whole(past), whole(l.PastMeridian))
	}
	return nil
}

// homeSide is the side of the pier that the tube is on: as reported, or else that on which it
// usually is for where it points.
func homeSide(side devices.PierSide, hour sky.Angle) devices.PierSide {
	switch {
	case side != devices.SideUnknown:
		return side
	case hour.Signed() <= 0:
		return devices.SideWest
	}
	return devices.SideEast
}

// pastMeridian is how far beyond the meridian, upper or lower, the tube is: on the west side of the
// pier it looks east, at hour angles from -180 to 0 degrees, on the east side at those from 0 to 180.
func pastMeridian(hour sky.Angle, home devices.PierSide) sky.Angle {
	h := hour.Signed()
	if home == devices.SideEast {
		h = -h
	}
	if h <= 0 {
		return 0
	}
	return min(h, sky.Turn/2-h)
}
