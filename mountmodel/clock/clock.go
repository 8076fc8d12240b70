package clock

import (
	"fmt"
	"math"
	"slices"
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// What time and place do to the answer, and what of their errors can be found out.
//
// The clock. With a clock that is wrong by t the stars are taken to stand where
// they will be, or were, t away: turned about the celestial pole by 15.04 arcsec
// per second of time. Everything measured against them turns along, the axis
// too. So a wrong clock turns the offset about the pole and leaves its size: the
// computed axis is off by 2 sin(turn/2) times the offset, 0.26 arcsec per second
// for an offset of one degree, 0.07 % of the offset per 10 s. An axis at the pole
// stays at the pole, whatever the clock: near alignment a wrong clock does next to
// nothing, and correcting again and again leads to the pole as long as the
// factor is below one, which is for clocks wrong by less than four hours.
// Longitude is the same thing: a degree is four minutes of time. What remains is
// refraction, worked out for the wrong altitudes: with frames taken above 35
// degrees up to 0.01 arcsec per second, 45 arcsec for an hour
// (TestClockAgainstObserver), more for lower ones.
//
// The latitude. Stars, axis and pole tilt together when it is wrong, and the
// offset stays what it is but for refraction (under an arcminute for ten
// degrees, in TestLatitudeAgainstObserver); its azimuth, as an angle about the
// vertical, scales with 1/cos latitude. That can be noticed
//
//   - when a frame that was taken would have been taken below the horizon
//     (the session refuses it);
//   - when the azimuth bolt turns the axis about a line that leans north or south
//     by as much (the tilt of the base, in package adjust); a base that is not level looks the same.
//
// The measurement itself hardly tells: through refraction a frame departs from
// the fit by up to 1.6 arcsec per degree of latitude (same test), which is how
// mounts bend as well, so nothing is concluded from it. A latitude wrong by less
// than some degrees goes unseen; nor need it be seen.

// Stamp is what is known of the moment of one frame.
type Stamp struct {
	Start    time.Time     // of the exposure, UTC, as the frame's header has it
	Exposure time.Duration // 0 when unknown
	Written  time.Time     // the file's own time; zero when unknown
	Heard    time.Time     // when the frame arrived, by the clock of this computer; zero when it is not known to be fresh
}

// Kind is what a comparison of clocks comes to.
type Kind int

// The kinds.
const (
	Unknown Kind = iota // nothing to compare with, or it makes no sense
	Agrees              // within the time a frame takes to be written
	Zone                // off by what time zones are apart
	Summer              // off by one hour
	Off                 // off by something else
)

// Comparison compares the times in the frames with another clock.
type Comparison struct {
	Kind Kind
	// Offset is by how much the frames' times are ahead of the other clock;
	// rounded to the quarter of an hour when it is a zone.
	Offset time.Duration
	// Message is for the user; empty when there is nothing to tell.
	Message string
}

const (
	// lateMost is how long after the end of an exposure its file is complete:
	// reading out, processing and sending it. Common practice; large cameras on
	// slow links take half a minute.
	lateMost = 90 * time.Second

	// earlyMost is by how much a file may seem older than its exposure's end:
	// times cut to seconds, two on some file systems, and the computers' clocks.
	earlyMost = 3 * time.Second

	// scatterMost is by how much the delays of frames may differ while they
	// still tell of a clock; files that were copied show their own times.
	scatterMost = 2 * time.Minute

	// Time zones in use reach from 12 hours behind UTC to 14 ahead (IANA time zone
	// database), so two clocks set by them are at most this far apart.
	zonesReach = 14 * time.Hour

	zoneStep = 30 * time.Minute
)

// quarterZones are the zones in use that are not on whole or half hours, as in
// the IANA time zone database: Nepal, Eucla, the Chatham Islands.
var quarterZones = [...]time.Duration{5*time.Hour + 45*time.Minute, 8*time.Hour + 45*time.Minute, 12*time.Hour + 45*time.Minute, 13*time.Hour + 45*time.Minute}

// Check compares the times in the frames with the times of their files,
// and with the clock of this computer. The longitude (east positive) lets a
// zone be named as the local one. Frames that are not fresh (copied, or of
// another night) tell nothing, and are found out by delays that differ.
func Check(stamps []Stamp, longitude sky.Angle) (file, host Comparison) {
	file = compare(stamps, func(s Stamp) time.Time { return s.Written }, "the time at which the file was written", longitude)
	host = compare(stamps, func(s Stamp) time.Time { return s.Heard }, "the clock of this computer", longitude)
	if host.Kind > Agrees && file.Kind == Agrees {
		host.Message += " The files' own times agree with the frames, so it is the clock of one of the two computers: compare both with a clock that is right."
	}
	return file, host
}

func compare(stamps []Stamp, other func(Stamp) time.Time, name string, longitude sky.Angle) Comparison {
	var ahead []time.Duration
	for _, s := range stamps {
		if at := other(s); !s.Start.IsZero() && !at.IsZero() {
			ahead = append(ahead, s.Start.Add(s.Exposure).Sub(at))
		}
	}
	if len(ahead) == 0 {
		return Comparison{}
	}
	slices.Sort(ahead)
	// The promptest frame is the nearest to the truth, unless it stands alone.
	offset, typical := ahead[len(ahead)-1], ahead[len(ahead)/2]
	if offset-typical > scatterMost || typical-ahead[len(ahead)/4] > scatterMost {
		return Comparison{}
	}
	switch {
	case offset >= -lateMost && offset <= earlyMost:
		return Comparison{Kind: Agrees, Offset: offset}
	case offset < -zonesReach-lateMost:
		return Comparison{} // not fresh, whatever the clock
	}
	if zone, ok := nearestZone(offset); ok {
		return nameZone(zone, name, longitude)
	}
	way := "ahead of"
	if offset < 0 {
		way = "behind"
	}
	return Comparison{Kind: Off, Offset: offset, Message: fmt.Sprintf(
		"The times in the frames are %s %s %s. Set the clock of the computer that runs the camera, and this one, from the network or a satellite receiver. %s",
		spanWords(offset), way, name, consequence(offset))}
}

// nearestZone is the difference between time zones that explains an offset, up
// to the time a frame takes to be written.
func nearestZone(offset time.Duration) (time.Duration, bool) {
	explains := func(zone time.Duration) bool {
		return zone != 0 && offset-zone >= -lateMost && offset-zone <= earlyMost && zone.Abs() <= zonesReach
	}
	for _, z := range [2]time.Duration{offset.Round(zoneStep), (offset + lateMost/2).Round(zoneStep)} {
		if explains(z) {
			return z, true
		}
	}
	for _, q := range quarterZones {
		for _, z := range [2]time.Duration{q, -q} {
			if explains(z) {
				return z, true
			}
		}
	}
	return 0, false
}

// zoneStray is how far zones stray from the Sun: an hour or so, with summer time two.
const zoneStray = 2 * time.Hour

// nameZone says which mistake an offset by a time zone is.
func nameZone(zone time.Duration, name string, longitude sky.Angle) Comparison {
	c := Comparison{Kind: Zone, Offset: zone}
	way := "ahead of"
	if zone < 0 {
		way = "behind"
	}
	fact := fmt.Sprintf("The times in the frames are %s %s %s, as far as time zones are apart.", spanWords(zone), way, name)
	local := time.Duration(longitude.Signed().Hours() * float64(time.Hour)) // mean local time less UTC
	switch {
	case zone.Abs() == time.Hour && local.Abs() > zoneStray:
		c.Kind = Summer
		fact = fmt.Sprintf("The times in the frames are one hour %s %s: summer time is set wrong, or counted twice, on one of the two.", way, name)
	case (zone - local).Abs() <= zoneStray:
		fact += " That is about the difference of local time from UTC here: local time is written where UTC belongs. Set the camera's program to write UTC."
	case (zone + local).Abs() <= zoneStray:
		fact += " That is about the difference of UTC from local time here, the other way: the time zone is taken off twice, or with the wrong sign. Check the time zone on the computer that runs the camera."
	default:
		fact += " A time zone is set wrong on one of the two."
	}
	if zone.Abs() == time.Hour && c.Kind == Zone {
		fact += " It may be summer time as well."
	}
	c.Message = fact + " " + consequence(zone)
	return c
}

// consequence says how bad an error is.
func consequence(err time.Duration) string {
	left := factor(err)
	switch {
	case left >= 1:
		return "Corrections made with such a clock lead away from the pole: set it before turning a bolt."
	case left > 0.05:
		return fmt.Sprintf("Until it is set, the offset is shown with the right size but turned about the pole by %.0f°; each correction leaves %.0f %% of it.", skyTurn(err).Abs().Degrees(), 100*left)
	}
	return fmt.Sprintf("It matters little: the offset is turned about the pole by %.1f°, and a correction leaves %.1f %% of it.", skyTurn(err).Abs().Degrees(), 100*left)
}

// spanWords writes a duration as a person says it.
func spanWords(d time.Duration) string {
	d = d.Abs()
	switch h, m := int(d.Round(time.Minute)/time.Hour), int(d.Round(time.Minute)%time.Hour/time.Minute); {
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f s", d.Seconds())
	case h == 0:
		return fmt.Sprintf("%d min", m)
	case m == 0:
		return fmt.Sprintf("%d h", h)
	default:
		return fmt.Sprintf("%d h %d min", h, m)
	}
}

// skyTurn is by how much a clock ahead by err turns the computed sky
// westwards about the pole.
func skyTurn(err time.Duration) sky.Angle {
	return sky.Angle(observed.SiderealRate * err.Seconds()).Signed()
}

// factor is the part of the offset that remains after a full correction
// made with a clock wrong by err: 2 sin(turn/2). From one on, corrections do
// not lead to the pole. It is also the error of the computed axis, in parts of
// its offset.
func factor(err time.Duration) float64 { return 2 * math.Abs((skyTurn(err) / 2).Sin()) }

// sameSite is how far two places may differ and be one: a tenth of a degree of
// longitude is 24 s of time; of latitude, 11 km.
const sameSite = 0.1 * sky.Degree

// CompareSites says in words how a site from another source (a frame's header,
// a configuration file) differs from the one in use, and what it does; empty
// when the difference does not matter.
func CompareSites(used, other sky.Site, source string) string {
	lat, lon := other.Latitude-used.Latitude, (other.Longitude - used.Longitude).Signed()
	if lat.Abs() < sameSite && lon.Abs() < sameSite {
		return ""
	}
	head := fmt.Sprintf("The site in %s (latitude %.2f°, longitude %.2f°) is not the one in use (%.2f°, %.2f°).", source,
		other.Latitude.Degrees(), other.Longitude.Signed().Degrees(), used.Latitude.Degrees(), used.Longitude.Signed().Degrees())
	switch {
	case lat.Abs() < sameSite && (other.Longitude+used.Longitude).Signed().Abs() < sameSite:
		return head + " The longitudes differ in sign alone: one of the two counts west as positive. Here east is positive."
	case lon.Abs() < sameSite && (other.Latitude+used.Latitude).Abs() < sameSite:
		return head + " The latitudes differ in sign alone: one of them is on the wrong side of the equator."
	}
	err := time.Duration(float64(lon.Abs()/sky.Angle(observed.SiderealRate)) * float64(time.Second))
	if lon.Abs() >= sameSite {
		head += fmt.Sprintf(" In longitude that is as a clock wrong by %s. %s", spanWords(err), consequence(err))
	}
	return head
}
