// Package alarm tells from the states of a service when somebody should look: the
// axis has moved, or frames are no longer solved.
package alarm

import (
	"fmt"
	"math"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/sky"
	"polard/web"
)

// Codes of alarms.
const (
	AxisMoved = "axis_moved"
	Unsolved  = "frames_unsolved"
)

// Codes lists them.
func Codes() []string { return []string{AxisMoved, Unsolved} }

// Options say when to raise an alarm.
type Options struct {
	// Moved is how far on the sky the axis may stand from where it was confirmed,
	// or from where it stood at the end of the night before; 0 raises none.
	Moved sky.Angle
	// Unsolved is how many frames in a row may fail; 0 raises none.
	Unsolved int
}

// Defaults: five minutes of arc let a typical guided exposure trail visibly
// (mountmodel.Plan tells for one's own); thirty frames are an hour of exposures of
// two minutes, longer than a cloud that is not worth a call. Common practice.
const (
	DefaultMoved    = 5 * sky.Arcminute
	DefaultUnsolved = 30
)

// sure is how many standard deviations a movement must exceed, besides the limit:
// at five, ten years of nights hold less than one false alarm (normal errors).
const sure = 5

// Judge follows the states of one service. It is for one goroutine.
type Judge struct {
	opt    Options
	frame  int64 // last one counted
	failed int
	since  map[string]time.Time
}

// NewJudge starts without alarms.
func NewJudge(opt Options) *Judge { return &Judge{opt: opt, since: make(map[string]time.Time)} }

// See takes in the newest state and gives the alarms that stand at the moment now.
func (j *Judge) See(s web.State, now time.Time) []web.Alarm {
	if l := s.Latest; l != nil && l.ID != j.frame {
		j.frame = l.ID
		j.failed++
		if l.Solved {
			j.failed = 0
		}
	}
	var out []web.Alarm
	raise := func(code string, on bool, message func() string) {
		if !on {
			delete(j.since, code)
			return
		}
		if _, standing := j.since[code]; !standing {
			j.since[code] = now
		}
		out = append(out, web.Alarm{Code: code, Message: message(), SinceUTC: j.since[code].UTC().Format(time.RFC3339)})
	}
	by, sigma, than, known := moved(s)
	raise(AxisMoved, j.opt.Moved > 0 && known && by > j.opt.Moved && by > sure*sigma, func() string {
		return fmt.Sprintf("The axis stands %s from where it stood %s, known to %s: look at the bolts, the pier and the ground.",
			sky.AngleWords(by), than, sky.KnownWords(sigma))
	})
	raise(Unsolved, j.opt.Unsolved > 0 && j.failed >= j.opt.Unsolved, func() string {
		why := ""
		if s.Latest != nil && s.Latest.Problem != nil {
			why = " The last: " + s.Latest.Problem.Message
		}
		return fmt.Sprintf("The last %d frames were not solved.%s", j.failed, why)
	})
	return out
}

// moved tells how far the axis stands from where it was known to stand: as ordinary exposures
// show it, from where it was confirmed tonight, or else from where it stood at the end of the night
// before; as a measurement through the devices shows it, from where it stood before that.
func moved(s web.State) (by, sigma sky.Angle, than string, known bool) {
	if s.Pole == nil {
		return 0, 0, "", false
	}
	across := cosDeg(s.Pole.AltDeg)
	arcsec := func(u web.Uncertainty) float64 {
		return math.Hypot(float64(u.AltArcsec), float64(u.AzArcsec)*across)
	}
	var now, before web.Offset
	var nowArcsec, beforeArcsec float64
	switch w := s.Watch; {
	case w != nil && w.Offset != nil && w.Uncertainty != nil:
		now, nowArcsec = *w.Offset, arcsec(*w.Uncertainty)
		switch {
		case s.Phase == string(mountmodel.Done) && s.Measured != nil:
			before, beforeArcsec, than = s.Measured.Offset, arcsec(s.Measured.Uncertainty), "when it was confirmed"
		case len(w.Nights) > 0:
			n := w.Nights[len(w.Nights)-1]
			before, beforeArcsec, than = n.Offset, float64(n.UncertaintyArcsec), "at the end of the night before"
		default:
			return 0, 0, "", false
		}
	case s.Measured != nil && s.Equipment != nil && s.Equipment.Before != nil:
		b := s.Equipment.Before
		now, nowArcsec = s.Measured.Offset, arcsec(s.Measured.Uncertainty)
		before, beforeArcsec, than = b.Offset, arcsec(b.Uncertainty), "before this measurement, at "+b.AtUTC
	default:
		return 0, 0, "", false
	}
	by = sky.Angle(math.Hypot(float64(now.AltArcmin-before.AltArcmin), float64(now.AzArcmin-before.AzArcmin)*across)) * sky.Arcminute
	sigma = sky.Angle(math.Hypot(nowArcsec, beforeArcsec)) * sky.Arcsecond
	return by, sigma, than, !math.IsNaN(float64(by)) && !math.IsNaN(float64(sigma))
}

func cosDeg(deg web.Number) float64 { return math.Cos(float64(deg) * math.Pi / 180) }
