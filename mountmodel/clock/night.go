package clock

import (
	"fmt"
	"math"
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// darkBelow is the altitude of the Sun below which a sky full of stars is
// nothing remarkable: the end of civil twilight. Between it and the horizon the
// brightest stars show, and nothing is concluded.
const darkBelow = -6 * sky.Degree

// Brightness of the zenith in twilight, V magnitudes per square arcsecond, with
// the Sun d degrees lower than 5 below the horizon: Patat, Ugolnikov and
// Postylyakov 2006, A&A 455, 385, fit to Paranal (from memory). In B, R and I it
// is as bright or brighter, so that an unfiltered camera sees no less.
const (
	twilightAt5     = 11.84
	twilightLinear  = 1.518
	twilightSquared = -0.057
)

const (
	// twilightMargin is by how much, in magnitudes, the sky may be darker than that: away
	// from the zenith opposite the Sun, other nights, the zero point of a frame. Clouds and
	// air dim stars and sky alike; moon and lamps brighten it.
	twilightMargin = 1.5
	// lowestTold is below which nothing is concluded: frames of real cameras, their offset counted as
	// sky, have limits of about 18, and those deny no lower Sun.
	lowestTold = -8 * sky.Degree
)

// highestSun is the altitude above which the Sun would make the sky brighter than its
// limit, V magnitudes per square arcsecond; the horizon where none is known.
func highestSun(limit *float64) sky.Angle {
	if limit == nil || !(*limit > twilightAt5+twilightMargin) {
		return 0
	}
	for alt := -5 * sky.Degree; alt > lowestTold; alt -= 0.1 * sky.Degree {
		if d := -alt.Degrees() - 5; twilightAt5+d*(twilightLinear+d*twilightSquared)+twilightMargin > *limit {
			return alt
		}
	}
	return lowestTold
}

// Daylight says what is wrong when a frame full of stars was taken by day, by the place and
// time given: the Sun stood above the horizon, or so little below it that twilight would be
// brighter than the sky in the frame, which keeps below limit (V magnitudes per square
// arcsecond; nil where not known). It names those of the mistakes made most often that
// make night of it: the sign of the longitude, local time written as UTC, half a day. Empty
// when the Sun was down.
func Daylight(site sky.Site, air sky.Air, at time.Time, limit *float64) string {
	alt, ok := sunAltitude(site, air, at)
	highest := highestSun(limit)
	if !ok || alt < highest {
		return ""
	}
	head := fmt.Sprintf("By the place and the time given the Sun stood %.0f° above the horizon, and yet the frame shows stars: one of the two is wrong.", alt.Degrees())
	if alt < 0 {
		head = fmt.Sprintf("By the place and the time given the Sun stood only %.0f° below the horizon, and the sky in the frame is too dark for that: one of the two is wrong.", -alt.Degrees())
	}
	dark := func(site sky.Site, at time.Time) bool {
		alt, ok := sunAltitude(site, air, at)
		return ok && alt < min(darkBelow, highest)
	}
	other := site
	other.Longitude = -site.Longitude
	local := time.Duration(math.Round(site.Longitude.Signed().Hours())) * time.Hour
	if dark(other, at) {
		head += fmt.Sprintf(" Should the longitude be %.2f°? East is positive, west negative.", other.Longitude.Signed().Degrees())
	}
	if local != 0 && dark(site, at.Add(-local)) {
		head += fmt.Sprintf(" Is local time written where UTC belongs? Here that is off by about %.0f h.", math.Abs(local.Hours()))
	}
	if dark(site, at.Add(12*time.Hour)) {
		head += " Is the clock 12 hours wrong?"
	}
	return head + " The axis would be turned about the pole by as much as the clock or the place is wrong: set it right before you turn a bolt."
}

// sunAltitude is false where the time is beyond what can be worked out.
func sunAltitude(site sky.Site, air sky.Air, at time.Time) (sky.Angle, bool) {
	o, err := observed.NewObserver(site, air, at, 0)
	if err != nil {
		return 0, false
	}
	alt, _ := sky.AltAzFromLocal(o.Sun())
	return alt, true
}

// cutTimes is by how much two times cut to whole seconds may seem nearer to
// each other than they are.
const cutTimes = time.Second

// Overlap tells whether two exposures of one camera ran at the same time, which
// none does: the clock that wrote their times stood still or went wrong.
func Overlap(a, b Stamp) bool {
	if a.Start.IsZero() || b.Start.IsZero() {
		return false
	}
	if b.Start.Before(a.Start) {
		a, b = b, a
	}
	return b.Start.Sub(a.Start)+cutTimes < a.Exposure
}

// After tells whether s was written, or where that is not known heard of, so long after
// other that the two cannot be exposures of one moment whose times were cut.
func (s Stamp) After(other Stamp) bool {
	at, before := s.Written, other.Written
	if at.IsZero() || before.IsZero() {
		at, before = s.Heard, other.Heard
	}
	return !at.IsZero() && !before.IsZero() && at.Sub(before) > s.Exposure+earlyMost
}
