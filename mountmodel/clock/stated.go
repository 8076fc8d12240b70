package clock

import (
	"fmt"
	"math"
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

const (
	// Local time less the mean time of the place, in use: from an hour behind it (north-east India, by
	// its zone) to four hours ahead (the west of Alaska in summer), with an hour and a half to spare at
	// the low end: zones at sea and in the Antarctic (IANA time zone database; TestZonesInUse).
	zoneBehind = 2*time.Hour + 30*time.Minute
	zoneAhead  = 4 * time.Hour
	// statedTime is by how much a stated sidereal time may differ: noted at the start, the middle or
	// the end of an exposure of some minutes, with a right ascension of another equinox.
	statedTime = 3 * sky.Degree
	// statedAltitude is that of an altitude that is stated together with a place on the sky, and
	// seenAltitude where the frame's own is taken for it: mounts point by degrees wrong before they
	// are told where they look. Both common practice.
	statedAltitude = 4 * sky.Degree
	seenAltitude   = 12 * sky.Degree
)

// Moment is a frame's place and middle, and where it looks.
type Moment struct {
	Site  sky.Site
	Air   sky.Air
	At    time.Time
	Sight sky.ICRS // zero when unknown
}

// Disagreement says what a header states of its moment that place and time in use deny: local
// time, sidereal time, an altitude. Empty when all of it agrees, or nothing is stated.
func Disagreement(m Moment, s *sky.Stated) string {
	if s == nil {
		return ""
	}
	const ask = " Check longitude (east is positive) and clock, and the place in the camera's program."
	lon := m.Site.Longitude.Signed()
	if !zoneInUse(s.Zones, lon, 0) {
		return fmt.Sprintf("Local time in the header is %s UTC, which no place at longitude %.1f° keeps: local time there is about %s UTC.%s",
			zoneWords(s.Zones[0]), lon.Degrees(), zoneWords(time.Duration(math.Round(lon.Hours()))*time.Hour), ask)
	}
	o, err := observed.NewObserver(m.Site, m.Air, m.At, 0)
	if err != nil {
		return ""
	}
	if off, ok := siderealOff(o, s); ok && off.Abs() > statedTime {
		return fmt.Sprintf("The sidereal time in the header is that of longitude %.1f°, not %.1f°.%s", (lon + off).Signed().Degrees(), lon.Degrees(), ask)
	}
	if alt, within, ok := altitudeAt(o, s, m.Sight); ok && (alt-*s.Altitude).Abs() > within {
		return fmt.Sprintf("By its header the frame was taken %.0f° above the horizon, by the place and time in use %.0f°.%s", s.Altitude.Degrees(), alt.Degrees(), ask)
	}
	return ""
}

// NamesPlace tells whether a header's sidereal time is that of the place.
func NamesPlace(m Moment, s *sky.Stated) bool {
	if s == nil || s.Sidereal == nil {
		return false
	}
	o, err := observed.NewObserver(m.Site, m.Air, m.At, 0)
	if err != nil {
		return false
	}
	off, _ := siderealOff(o, s)
	return off.Abs() <= statedTime
}

// zoneInUse tells whether one of the zones is kept at a longitude, were the time in UTC ahead. It
// is so where there are none.
func zoneInUse(zones []time.Duration, lon sky.Angle, ahead time.Duration) bool {
	for _, z := range zones {
		early := sky.Angle((z+ahead).Hours())*sky.Hour - lon // local time less the Sun's, once round the clock
		if h := time.Duration(early.Signed().Hours() * float64(time.Hour)); h >= -zoneBehind && h <= zoneAhead {
			return true
		}
	}
	return len(zones) == 0
}

// siderealOff is by how much the stated sidereal time is ahead of the place's.
func siderealOff(o *observed.Observer, s *sky.Stated) (sky.Angle, bool) {
	if s.Sidereal == nil {
		return 0, false
	}
	return (*s.Sidereal - o.LocalSidereal()).Signed(), true
}

// altitudeAt is the altitude of that of which the header states one, and how well it is known.
func altitudeAt(o *observed.Observer, s *sky.Stated, sight sky.ICRS) (alt, within sky.Angle, ok bool) {
	of, within := sight, seenAltitude
	if s.At != nil {
		of, within = *s.At, statedAltitude
	}
	if s.Altitude == nil || of == (sky.ICRS{}) {
		return 0, 0, false
	}
	alt, _ = sky.AltAzFromLocal(o.Observed(of))
	return alt, within, true
}

func zoneWords(d time.Duration) string {
	switch {
	case d == 0:
		return "that of"
	case d < 0:
		return spanWords(d) + " behind"
	}
	return spanWords(d) + " ahead of"
}
