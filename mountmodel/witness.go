package mountmodel

import (
	"time"

	"polard/mountmodel/adjust"
	"polard/mountmodel/axis"
	"polard/mountmodel/clock"
	"polard/mountmodel/sky"
)

// Witness is what in the frames speaks for place and time. Wrong ones turn the offset about the
// pole and leave its size, which the fit cannot show.
type Witness string

// The witnesses.
const (
	ByHeaders Witness = "headers" // they name the place
	ByAir     Witness = "air"     // it shows the zenith there, to an hour of time or 15 degrees of longitude
	ByBolts   Witness = "bolts"   // they move the axis the ways that place and time imply, to two hours or 30 degrees
	ByNothing Witness = "nothing"
)

// bolted is a state in which the bolts were turned: adjusting, and what comes after it.
type bolted interface{ swung() adjust.Directions }

func (s adjusting) swung() adjust.Directions { return s.directions }

func (s *Session) witness() Witness {
	if h := s.lastRead.header; h != nil && clock.CompareSites(s.cfg.Site, *h, "") == "" {
		return ByHeaders
	}
	if clock.NamesPlace(s.moment(), s.lastRead.stated) {
		return ByHeaders
	}
	if clock.AgreesByAir(s.cfg.Site, s.cfg.Air, s.compressions()) {
		return ByAir
	}
	if b, ok := s.state.(bolted); ok && b.swung().Agrees(s.pole(), s.cfg.Site.South()) {
		return ByBolts
	}
	return ByNothing
}

// moment is that of the newest frame with stars.
func (s *Session) moment() clock.Moment {
	return clock.Moment{Site: s.cfg.Site, Air: s.cfg.Air, At: s.lastRead.mid, Sight: s.lastRead.sight}
}

// statedWarning tells that the newest frame's header denies place or time; nil where it does not,
// and where another clock or the person said better.
func (s *Session) statedWarning() *axis.Warning {
	if s.lastRead.mid.IsZero() || s.clocks.Host != "" || s.cfg.Correction != (Correction{}) {
		return nil
	}
	message := clock.Disagreement(s.moment(), s.lastRead.stated)
	if message == "" {
		return nil
	}
	return &axis.Warning{Code: WarnStated, Message: message}
}

// Saying is the witness in one sentence.
func (w Witness) Saying() sky.Saying {
	switch w {
	case ByHeaders:
		return sky.Say("confirmed_headers", "Your place is confirmed by the headers of your frames.")
	case ByAir:
		return sky.Say("confirmed_air", "Your place and time are confirmed, to an hour, by the bend of the air in your frames.")
	case ByBolts:
		return sky.Say("confirmed_bolts", "Your place and time are confirmed, to two hours, by the ways in which your bolts move the axis.")
	}
	return sky.Say("confirmed_nothing", "Nothing in the frames confirms your place and time yet: turn the azimuth bolt a little and it will. Until then make sure of longitude and clock.")
}

// ClockMinute is by how much the axis that a list of frames measured lies elsewhere on the sky when
// the clock that wrote their times is a minute off, or the longitude a quarter of a degree: the
// same computation with a minute taken off. It is the turn of the offset about the pole, 15.7
// arcsec for each degree of it, and what refraction adds. It is false where the frames give no axis.
func ClockMinute(cfg Config, sightings []Sighting, measure int, measured axis.Axis) (sky.Angle, bool) {
	cfg.Correction.Ahead += time.Minute
	v, err := Measure(cfg, sightings, measure)
	if err != nil || v.Measured == nil {
		return 0, false
	}
	return sky.Separation(measured.Dir, v.Measured.Axis.Dir), true
}
