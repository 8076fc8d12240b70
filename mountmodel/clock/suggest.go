package clock

import (
	"math"
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// Mistake is one that people and the clocks of their computers make often.
type Mistake string

// The mistakes.
const (
	LongitudeSign Mistake = "longitude_sign" // east and west confused
	HeaderPlace   Mistake = "header_place"   // the frames' headers name another place
	LocalTime     Mistake = "local_time"     // local time stands where UTC belongs
	HourOff       Mistake = "hour_off"       // summer time set wrong, or counted twice
	HalfDay       Mistake = "half_day"       // twelve hours
	ClockOff      Mistake = "clock_off"      // by what another clock shows
)

// Suggestion is what place and clock would be without the likeliest mistake.
type Suggestion struct {
	Mistake Mistake
	Site    sky.Site
	// Ahead is what the clock that wrote the frames' times shows minus UTC, beyond what
	// is taken off already.
	Ahead time.Duration
}

// Evidence is what is known of place and times.
type Evidence struct {
	Site    sky.Site // as given
	Air     sky.Air
	At      time.Time // middle of the newest exposure
	Sight   sky.ICRS  // where it looked; zero when unknown
	AnyHour bool      // a simulated sky, which shows stars by day too
	Header  *sky.Site // the place in its header; nil when there is none
	// Stated is what else its header states of its moment; nil when nothing.
	Stated *sky.Stated
	// SkyLimit is what the newest frame's sky is not brighter than, see [Daylight]; nil when not known.
	SkyLimit *float64
	// Against are the times in the frames against other clocks.
	Against Against
	// Turned is by how much the bolts say that the sky is taken to stand too far west:
	// the probability of each degree, see [adjust.Directions]. It is nil while they say
	// nothing.
	Turned []float64
}

// Against are the times in frames against the files' own, and against the clock of
// this computer.
type Against struct{ File, Host Comparison }

// Suggest names the likeliest mistake that explains all that speaks against place and
// times: frames that would have been taken by day or through the ground, another clock,
// another place in their headers, bolts that move the axis into a direction into which
// they cannot. It is false where nothing speaks against them, or no mistake explains it.
// A comparison with another clock weighs most; where a clock agrees, the place is wrong.
//
// What headers state of local time, sidereal time and altitude counts as long as some mistake
// explains it: a program may have a wrong place of its own.
func Suggest(e Evidence) (Suggestion, bool) {
	s, ok := e.suggest()
	if !ok && e.Stated != nil {
		e.Stated = nil
		return e.suggest()
	}
	return s, ok
}

func (e Evidence) suggest() (Suggestion, bool) {
	here := Suggestion{Site: e.Site}
	host := e.Against.Host.Kind == Zone || e.Against.Host.Kind == Summer || e.Against.Host.Kind == Off && e.Against.Host.Offset.Abs() > slack
	// Where the clock of this computer agrees, it is the files' own way of keeping time.
	file := (e.Against.File.Kind == Zone || e.Against.File.Kind == Summer) && e.Against.Host.Kind != Agrees
	impossible := !e.possible(here)
	if !impossible && !host && !file && !e.otherPlace() {
		return Suggestion{}, false
	}
	for _, s := range e.mistakes(host, file, impossible) {
		if e.possible(s) {
			return s, true
		}
	}
	return Suggestion{}, false
}

// mistakes are those that may have been made, the likeliest first.
func (e Evidence) mistakes(host, file, impossible bool) (out []Suggestion) {
	clocked := func(c Comparison) { out = append(out, Suggestion{named(c, e.Site.Longitude), e.Site, c.Offset}) }
	if host {
		clocked(e.Against.Host)
		return out // whatever else is wrong: that clock is
	}
	if e.otherPlace() {
		s := Suggestion{Mistake: HeaderPlace, Site: *e.Header}
		if mirrored(e.Site, *e.Header) {
			s.Mistake = LongitudeSign
		}
		out = append(out, s)
	}
	if file {
		clocked(e.Against.File)
	}
	if !impossible {
		return out
	}
	if e.Site.Longitude.Signed().Abs() > sameSite {
		other := e.Site
		other.Longitude = -other.Longitude.Signed()
		out = append(out, Suggestion{Mistake: LongitudeSign, Site: other})
	}
	if e.Against.Host.Kind == Agrees || e.Against.File.Kind == Agrees {
		return out
	}
	local := time.Duration(math.Round(e.Site.Longitude.Signed().Hours())) * time.Hour
	if ahead := e.bySidereal(); ahead != 0 && (ahead-local).Abs() <= zoneStray {
		out = append(out, Suggestion{LocalTime, e.Site, ahead})
	}
	if local != 0 {
		out = append(out, Suggestion{LocalTime, e.Site, local}, Suggestion{LocalTime, e.Site, -local})
	}
	return append(out, Suggestion{HourOff, e.Site, time.Hour}, Suggestion{HourOff, e.Site, -time.Hour}, Suggestion{HalfDay, e.Site, 12 * time.Hour})
}

// named is the mistake that a difference of clocks is.
func named(c Comparison, longitude sky.Angle) Mistake {
	local := time.Duration(longitude.Signed().Hours() * float64(time.Hour))
	switch {
	case c.Kind == Summer:
		return HourOff
	case c.Kind == Zone && c.Offset.Abs() == 12*time.Hour:
		return HalfDay
	case c.Kind == Zone && ((c.Offset-local).Abs() <= zoneStray || (c.Offset+local).Abs() <= zoneStray):
		return LocalTime
	}
	return ClockOff
}

// otherPlace tells whether the header names a place that is not the one given.
func (e Evidence) otherPlace() bool {
	return e.Header != nil && CompareSites(e.Site, *e.Header, "") != ""
}

// mirrored tells whether two places differ in the sign of the longitude alone.
func mirrored(a, b sky.Site) bool {
	return (a.Latitude-b.Latitude).Abs() < sameSite && (a.Longitude+b.Longitude).Signed().Abs() < sameSite
}

// leastDown is how far below the horizon a frame can truly look: see the session.
const leastDown = -3.5 * sky.Degree

// possible tells whether a frame like the newest can be taken at a place and time.
func (e Evidence) possible(s Suggestion) bool {
	at := e.At.Add(-s.Ahead)
	if sun, ok := sunAltitude(s.Site, e.Air, at); !ok || !e.AnyHour && sun > highestSun(e.SkyLimit) {
		return false
	}
	if e.Sight != (sky.ICRS{}) {
		o, err := observed.NewObserver(s.Site, e.Air, at, 0)
		if err != nil {
			return false
		}
		if alt, _ := sky.AltAzFromLocal(o.Observed(e.Sight)); alt < leastDown {
			return false
		}
	}
	if !e.stated(s, at) {
		return false
	}
	// The sky is taken to stand farther west by what the longitude is too far east and
	// the clock ahead.
	west := e.Site.Longitude - s.Site.Longitude + skyTurn(s.Ahead)
	likely := 0.0
	for i, p := range e.Turned {
		if (west - sky.Angle(i)*sky.Degree).Signed().Abs() < leanTurn {
			likely += p
		}
	}
	return e.Turned == nil || likely > leastLikely
}

// bySidereal is by how much the time is ahead where the sidereal time in the header is right, to
// the quarter of an hour; 0 where none is stated.
func (e Evidence) bySidereal() time.Duration {
	if e.Stated == nil {
		return 0
	}
	o, err := observed.NewObserver(e.Site, e.Air, e.At, 0)
	if err != nil {
		return 0
	}
	off, _ := siderealOff(o, e.Stated)
	return time.Duration(-off.Hours() * float64(time.Hour)).Round(15 * time.Minute)
}

// stated tells whether what the header states can be so at a place and time. Local time may have
// been right where UTC is not.
func (e Evidence) stated(s Suggestion, at time.Time) bool {
	if e.Stated == nil {
		return true
	}
	rest := *e.Stated
	if zoneInUse(rest.Zones, s.Site.Longitude.Signed(), s.Ahead) {
		rest.Zones = nil
	}
	return Disagreement(Moment{s.Site, e.Air, at, e.Sight}, &rest) == ""
}

const (
	// leanTurn is by how much a base that leans by a few degrees turns the directions of the
	// bolts, common practice.
	leanTurn = 12 * sky.Degree
	// leastLikely is the probability below which the bolts speak against a mistake.
	leastLikely = 0.05
)
