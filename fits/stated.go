package fits

import (
	"fmt"
	"math"
	"time"

	"polard/mountmodel/sky"
)

const (
	// mostZone is how far local time may be from UTC: +14 h, the Line Islands (IANA time zone database).
	mostZone = 14 * time.Hour
	// leastAirMass is that from which on it tells the altitude: nearer to the zenith a rounded digit is degrees.
	leastAirMass = 1.15
	// mostAirMass is that up to which it is one over the sine of the altitude, to half a degree
	// (Young 1994, Applied Optics 33, 1108).
	mostAirMass = 5
)

// readStated reads what a header states of local time, sidereal time and altitude; nil when
// nothing, or only zeros, which stand for "not filled in".
func readStated(h *header, m moment, position *sky.ICRS) (*sky.Stated, []string) {
	zones, warnings := readZones(h, m)
	s := sky.Stated{Zones: zones, Sidereal: readSidereal(h)}
	for _, k := range []string{"OBJCTALT", "CENTALT", "TELALT"} {
		if v, _, ok := angle(h, k); ok && v > 0 && v <= 90 && s.Altitude == nil {
			s.Altitude = new(sky.Angle(v) * sky.Degree)
		}
	}
	if v, _, ok := h.number("AIRMASS"); ok && v >= leastAirMass && v <= mostAirMass && s.Altitude == nil {
		s.Altitude = new(sky.Angle(math.Asin(1 / v)))
	}
	if s.Zones == nil && s.Sidereal == nil && s.Altitude == nil {
		return nil, warnings
	}
	if s.Altitude != nil {
		s.At = position
	}
	return &s, warnings
}

// readZones reads by how much local time is ahead of UTC: by both times in the header, or by the
// offset written after a time; or else by a number of hours, of which some programs count west
// positive, so that it is that or its opposite. A computer that is set to UTC tells nothing.
func readZones(h *header, m moment) (zones []time.Duration, warnings []string) {
	local, key := localTime(h)
	switch {
	case !local.IsZero() && m.start.IsZero():
		warnings = append(warnings, key+" is local time and was not taken for UTC: have the camera's program write DATE-OBS in UTC")
	case !local.IsZero():
		off := local.Sub(m.start)
		zone := off.Round(zoneStep)
		if zone.Abs() > mostZone || (off-zone).Abs() > m.exposure+writtenWithin {
			return nil, append(warnings, fmt.Sprintf("%s and the time in UTC differ by %v, as no time zone does: one of the two clocks is wrong", key, off.Round(time.Second)))
		}
		zones = []time.Duration{zone}
	case m.zone != nil:
		zones = []time.Duration{*m.zone}
	default:
		if v, _, ok := h.number("TIMEZONE", "UTCOFFSE", "UTOFFSET"); ok && math.Abs(v) <= mostZone.Hours() {
			zone := time.Duration(v * float64(time.Hour)).Round(zoneStep)
			zones = []time.Duration{zone, -zone}
		}
	}
	if len(zones) > 0 && zones[0] == 0 {
		return nil, warnings
	}
	return zones, warnings
}

// writtenWithin is how long after the shutter a program may look at the clock (common practice).
const writtenWithin = time.Minute

// localTime reads a date and time of day in local time.
func localTime(h *header) (time.Time, string) {
	for _, k := range []string{"DATE-LOC", "LOCALTIM"} {
		text, _, ok := h.text(k)
		if !ok {
			continue
		}
		s, err := parseStamp(text)
		if err != nil || !s.hasTime || s.dateless || !believable(s.at) {
			continue
		}
		if s.zone != nil {
			s.at = s.at.Add(*s.zone) // the time of day as it is written
		}
		return s.at, k
	}
	return time.Time{}, ""
}

// readSidereal reads the local sidereal time, or what hour angle and right ascension make of it.
// Numbers without colons may be hours or degrees, and tell nothing.
func readSidereal(h *header) *sky.Angle {
	for _, k := range []string{"LST-OBS", "LST", "ST", "SIDTIME"} {
		if v, sexagesimal, ok := angle(h, k); ok && sexagesimal && v > 0 && v < 24 {
			return new(hoursIf(true, v))
		}
	}
	for _, pair := range [][2]string{{"HA", "RA"}, {"OBJCTHA", "OBJCTRA"}} {
		ha, hours, ok := angle(h, pair[0])
		ra, raHours, okRA := angle(h, pair[1])
		if ok && okRA && hours && ha != 0 && math.Abs(ha) < 24 && math.Abs(ra) <= 360 {
			return new((hoursIf(true, ha) + hoursIf(raHours, ra)).Positive())
		}
	}
	return nil
}
