package mountmodel

import (
	"fmt"

	"polard/mountmodel/sky"
)

// Config is what a session has to know beforehand.
type Config struct {
	Site      sky.Site
	Air       sky.Air
	Pole      PoleKind
	Tolerance sky.Angle // how far from the pole is near enough; see DefaultTolerance
	// MeasureFrames is how many usable frames make the measurement; 0 leaves
	// it to the session.
	MeasureFrames int
	DUT1          float64 // UT1-UTC in seconds
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
	case c.Pole != Refracted && c.Pole != True:
		return fmt.Errorf("pole kind %v is unknown", c.Pole)
	case !(c.Tolerance >= leastTolerance && c.Tolerance <= greatestTolerance):
		return fmt.Errorf("tolerance %s is outside %s to %s", AngleWords(c.Tolerance), AngleWords(leastTolerance), AngleWords(greatestTolerance))
	case c.MeasureFrames != 0 && (c.MeasureFrames < 2 || c.MeasureFrames > maxMeasureFrames):
		return fmt.Errorf("%d frames cannot make a measurement: give 2 to %d, or 0 to leave it to the session", c.MeasureFrames, maxMeasureFrames)
	}
	return nil
}

// Event is what the user tells the session.
type Event string

// The events, as words so that a page can send them.
const (
	StartOver Event = "start_over" // forget all frames and measure anew
	Measured  Event = "measured"   // the measurement is done: the bolts are turned from now on
	Locked    Event = "locked"     // the bolts are locked: confirm
	Unlocked  Event = "unlocked"   // back to adjusting
)
