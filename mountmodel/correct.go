package mountmodel

import (
	"fmt"
	"slices"
	"time"

	"polard/mountmodel/clock"
	"polard/mountmodel/sky"
)

// Correction is what the person had put right of the place and of the times in the
// frames; the zero value is none. The frames already taken are worked out anew by it,
// and it can be taken back.
type Correction struct {
	Mistake clock.Mistake // the last that was put right; empty: none
	// Ahead is taken off the times in the frames: what the clock that wrote them shows
	// minus UTC.
	Ahead time.Duration
	// Typed is the place before it was corrected; it counts where Placed is set.
	Typed  sky.Site
	Placed bool
}

// middle is the middle of an exposure by a clock that is right.
func (c Config) middle(by time.Time) time.Time {
	if by.IsZero() {
		return by
	}
	return by.Add(-c.Correction.Ahead)
}

// with is the configuration after a suggestion.
func (c Config) with(s clock.Suggestion) Config {
	c.Correction.Mistake = s.Mistake
	c.Correction.Ahead += s.Ahead
	if s.Site != c.Site {
		if !c.Correction.Placed {
			c.Correction.Typed, c.Correction.Placed = c.Site, true
		}
		if c.Air == sky.StandardAir(c.Site.ElevationM) {
			c.Air = sky.StandardAir(s.Site.ElevationM)
		}
		c.Site = s.Site
	}
	return c
}

// Placing is the configuration with a place that the person gave anew: a place that was
// put right before is forgotten.
func (c Config) Placing(site sky.Site, air sky.Air) Config {
	if site != c.Site {
		c.Correction.Typed, c.Correction.Placed = sky.Site{}, false
		if c.Correction.Ahead == 0 {
			c.Correction = Correction{}
		}
	}
	c.Site, c.Air = site, air
	return c
}

// mostAhead is more than any clock is wrong by what the mistakes are that are suggested.
const mostAhead = 100 * 365 * 24 * time.Hour

func (c Correction) check() error {
	if c.Ahead.Abs() > mostAhead {
		return fmt.Errorf("a clock %v ahead is beyond what can be corrected: set it right", c.Ahead)
	}
	return nil
}

// Corrected is the configuration as it is suggested; hand it to [Session.Reconfigure].
func (s *Session) Corrected() (Config, error) {
	if suggested, ok := s.suggestion(); ok {
		return s.cfg.with(suggested), nil
	}
	return Config{}, fmt.Errorf("nothing about place or clock is suggested: %w", ErrNotNow)
}

// Uncorrected is the configuration as it was before anything was put right.
func (s *Session) Uncorrected() (Config, error) {
	c := s.cfg
	if c.Correction == (Correction{}) {
		return Config{}, fmt.Errorf("nothing about place or clock was put right: %w", ErrNotNow)
	}
	if c.Correction.Placed {
		if c.Air == sky.StandardAir(c.Site.ElevationM) {
			c.Air = sky.StandardAir(c.Correction.Typed.ElevationM)
		}
		c.Site = c.Correction.Typed
	}
	c.Correction = Correction{}
	return c, nil
}

// Suggested is the likeliest mistake about place or clock, in values and in words.
type Suggested struct {
	clock.Suggestion
	Said sky.Saying
}

// suggestion is the likeliest mistake by all frames so far.
func (s *Session) suggestion() (clock.Suggestion, bool) {
	if s.lastRead.mid.IsZero() {
		return clock.Suggestion{}, false
	}
	e := clock.Evidence{
		Site: s.cfg.Site, Air: s.cfg.Air, At: s.lastRead.mid, Sight: s.lastRead.sight, AnyHour: s.cfg.AnyHour,
		Header: s.lastRead.header, Stated: s.lastRead.stated, SkyLimit: s.lastRead.skyLimit, Against: s.clocks.Against,
	}
	if s.cfg.Correction.Placed { // whoever corrected the place knows better than headers
		e.Header, e.Stated = nil, nil
	}
	if a, ok := s.state.(adjusting); ok {
		e.Turned = a.directions.Turned(s.pole(), s.cfg.Site.South())
		if s.cfg.Site.South() && e.Turned != nil { // the sky turns the other way there
			slices.Reverse(e.Turned[1:])
		}
	}
	e.Turned = both(e.Turned, s.byAir())
	return clock.Suggest(e)
}

// byAir is by how much the sky is taken to stand too far west, as the air in the frames of the
// measurement tells.
func (s *Session) byAir() []float64 {
	return clock.TurnedByAir(s.cfg.Site, s.cfg.Air, s.compressions())
}

// compressions are the frames of the measurement, and how the air squeezes them.
func (s *Session) compressions() []clock.FrameCompression {
	var frames []clock.FrameCompression
	for _, f := range s.state.running().Frames {
		if q := f.Observed.Compression; q != nil {
			frames = append(frames, clock.FrameCompression{R: f.Observed.R, Compression: *q})
		}
	}
	return frames[max(0, len(frames)-mostExposed):]
}

// both is what two witnesses tell that know nothing of each other; nil says nothing.
func both(a, b []float64) []float64 {
	if a == nil || b == nil {
		return append(a, b...)
	}
	out, sum := make([]float64, len(a)), 0.0
	for i := range a {
		out[i] = a[i] * b[i]
		sum += out[i]
	}
	for i := range out {
		out[i] /= max(sum, 1e-300)
	}
	return out
}

// suggested is the suggestion in words, for the view.
func (s *Session) suggested() *Suggested {
	suggestion, ok := s.suggestion()
	if !ok {
		return nil
	}
	return &Suggested{suggestion, sayMistake(suggestion)}
}

// sayMistake says what the likeliest mistake is.
func sayMistake(s clock.Suggestion) sky.Saying {
	switch s.Mistake {
	case clock.LongitudeSign:
		return sky.Say("longitude_sign", "East and west of the longitude are probably confused: here east is positive, west negative. It should be %s°.", degrees(s.Site.Longitude))
	case clock.HeaderPlace:
		return sky.Say("header_place", "The frames' headers name another place than the one in use: latitude %s°, longitude %s°.", degrees(s.Site.Latitude), degrees(s.Site.Longitude))
	case clock.LocalTime:
		return sky.Say("local_time", "Local time is probably written into the frames where UTC belongs, or the time zone is taken off twice: their times are %s.", span(s.Ahead))
	case clock.HourOff:
		return sky.Say("hour_off", "Summer time is probably set wrong on the camera's computer: the frames' times are %s.", span(s.Ahead))
	case clock.HalfDay:
		return sky.Say("half_day", "The camera's clock is probably wrong by half a day: the frames' times are %s.", span(s.Ahead))
	}
	return sky.Say("clock_off", "The camera's clock and this computer's disagree: the frames' times are %s.", span(s.Ahead))
}

func degrees(a sky.Angle) sky.Decimal { return sky.Decimal{Value: a.Signed().Degrees(), Digits: 2} }

// span says by how much a clock is off: hours and minutes carry their sign, so that
// every language can show them as they are.
func span(d time.Duration) sky.Saying {
	if d < 0 {
		return sky.Say("behind", "%s behind", spanWords(d))
	}
	return sky.Say("ahead", "%s ahead", spanWords(d))
}

func spanWords(d time.Duration) string {
	d = d.Abs().Round(time.Second)
	switch h, m := int(d/time.Hour), int(d%time.Hour/time.Minute); {
	case d < 2*time.Minute:
		return fmt.Sprintf("%d s", int(d/time.Second))
	case h == 0:
		return fmt.Sprintf("%d min", m)
	case m == 0:
		return fmt.Sprintf("%d h", h)
	default:
		return fmt.Sprintf("%d h %d min", h, m)
	}
}
