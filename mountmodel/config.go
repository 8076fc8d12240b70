package mountmodel

import (
	"errors"
	"fmt"

	"polard/mountmodel/nights"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
	"polard/mountmodel/tracking"
)

// Config is what a session has to know beforehand.
type Config struct {
	Site      sky.Site
	Air       sky.Air
	Pole      observed.PoleKind
	Planned   sky.Local // the axis aimed at where Pole is [observed.Planned]; else nothing
	Tolerance sky.Angle // how far from the pole is near enough; see DefaultTolerance
	// MeasureFrames is how many usable frames make the measurement; 0 leaves
	// it to the session.
	MeasureFrames int
	DUT1          float64        // UT1-UTC in seconds
	Guiding       nights.Guiding // of ordinary exposures, while watching
	// Correction is what was put right of the place and of the frames' times.
	Correction Correction
	// Free: the rig has no two bolts, and is moved by a ball head, a wedge with play, or its
	// feet. Then it is told which star to put on which place of the frame.
	Free bool
	// AnyHour is for frames of a simulated sky, which shows stars by day too.
	AnyHour bool
}

// DefaultTolerance is the distance from the pole at which an alignment counts
// as done, unless the user says otherwise: over a minute of exposure it
// drifts a star by less than 0.3 arcsec (15 arcsec per second of time times
// 60 s times 1 arcminute).
const DefaultTolerance = 1 * sky.Arcminute

// Limits of a believable tolerance: the first is below what any real mount
// holds, the second above what any user would call aligned.
const (
	leastTolerance    = 1 * sky.Arcsecond
	greatestTolerance = 5 * sky.Degree
)

// BelievableTolerance brings a tolerance into the limits that a session takes.
func BelievableTolerance(t sky.Angle) sky.Angle {
	return min(max(t, leastTolerance), greatestTolerance)
}

// maxMeasureFrames bounds the frames of one measurement, and with it the time
// that one fit takes.
const maxMeasureFrames = 500

// Check says what is wrong with the configuration, or nil.
func (c Config) Check() error {
	if err := c.Site.Check(); err != nil {
		return err
	}
	if err := c.Air.Check(); err != nil {
		return err
	}
	switch {
	case c.Pole != observed.Refracted && c.Pole != observed.True && c.Pole != observed.Planned:
		return fmt.Errorf("pole kind %v is unknown", c.Pole)
	case c.Pole == observed.Planned && !(sky.Separation(c.Planned, observed.Pole(c.Site, c.Air, observed.Refracted)) < mostPlanned):
		return errors.New("the axis that is best for the plan is not known: say first which exposures are planned")
	case !(c.Tolerance >= leastTolerance && c.Tolerance <= greatestTolerance):
		sign := ""
		if c.Tolerance < 0 {
			sign = "-" // AngleWords leaves it out
		}
		return fmt.Errorf("tolerance %s%s is outside %s to %s", sign, sky.AngleWords(c.Tolerance), sky.AngleWords(leastTolerance), sky.AngleWords(greatestTolerance))
	case c.Guiding != nights.GuidingUnknown && c.Guiding != nights.Unguided && c.Guiding != nights.Guided:
		return fmt.Errorf("guiding kind %d is unknown", c.Guiding)
	case c.MeasureFrames != 0 && (c.MeasureFrames < 2 || c.MeasureFrames > maxMeasureFrames):
		return fmt.Errorf("%d frames cannot make a measurement: give 2 to %d, or 0 to leave it to the session", c.MeasureFrames, maxMeasureFrames)
	}
	return c.Correction.check()
}

// tracking is the part of the configuration that a tracking mount is judged by.
func (c Config) tracking() tracking.Setting {
	return tracking.Setting{Site: c.Site, Air: c.Air, DUT1: c.DUT1}
}

// mostPlanned is how far the best axis for a plan can be from the refracted pole.
const mostPlanned = 10 * sky.Degree

// aim is where the axis is to point.
func (c Config) aim() sky.Local {
	if c.Pole == observed.Planned {
		return c.Planned
	}
	return observed.Pole(c.Site, c.Air, c.Pole)
}

// nights is the part of the configuration that watching needs.
func (c Config) nights() nights.Config {
	return nights.Config{Site: c.Site, Air: c.Air, Pole: c.aim(), DUT1: c.DUT1, Guiding: c.Guiding}
}
