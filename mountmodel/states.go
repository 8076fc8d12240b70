package mountmodel

import (
	"fmt"
	"time"

	"polard/mountmodel/adjust"
	"polard/mountmodel/axis"
	"polard/mountmodel/clock"
	"polard/mountmodel/nights"
	"polard/mountmodel/sky"
	"polard/mountmodel/tracking"
)

// Phase is where the session stands.
type Phase string

// The phases, in the order in which a night goes through them.
const (
	Waiting    Phase = "waiting"    // no frame that can be used yet
	Measuring  Phase = "measuring"  // frames come in while the user turns the RA axis
	Adjusting  Phase = "adjusting"  // the axis is known and the bolts are being turned
	Confirming Phase = "confirming" // the bolts are locked; a second measurement runs
	Done       Phase = "done"       // confirmed; further frames keep watch
	Watching   Phase = "watching"   // no procedure: every frame is an ordinary exposure
)

// state is what a phase holds. States never change: a step makes another.
type state interface {
	phase() Phase
	// running is the measurement that frames now go to, among which frames are
	// listed that could not be used.
	running() axis.Measurement
	refusing(axis.FrameReport) state

	measured() *axis.Fit     // what bolts are turned by; nil while there is none
	following() *adjust.Live // nil while the axis is not followed
	watch() *nights.Watch    // nil unless ordinary exposures are watched
}

// watcher is a state that watches ordinary exposures: each that has a watch.
type watcher interface {
	watching(*nights.Watch) state // the same with another watch
}

// blank is what a state tells that knows nothing more.
type blank struct{}

func (blank) measured() *axis.Fit     { return nil }
func (blank) following() *adjust.Live { return nil }
func (blank) watch() *nights.Watch    { return nil }

// What each phase holds.
type (
	// waiting has seen only frames that could not be used.
	waiting struct {
		blank
		first axis.Measurement
	}

	measuring struct {
		blank
		first axis.Measurement
	}

	adjusting struct {
		blank
		first   axis.Measurement // by which bolts are turned
		live    *adjust.Live
		turning turning // the bolt to turn now
		// directions are those in which the bolts moved the axis so far.
		directions adjust.Directions
	}

	confirming struct {
		adjusting
		second   axis.Measurement
		unlocked axis.Axis // as it stood when the bolts were locked
	}

	done struct {
		adjusting
		lock  LockShift
		night *nights.Watch
		proof *tracking.DriftTest // nil before one was begun
	}

	watchingState struct {
		blank
		refused axis.Measurement // holds nothing but frames that could not be used
		night   *nights.Watch
		frames  []axis.FrameReport // the newest ordinary exposures
	}
)

func (waiting) phase() Phase       { return Waiting }
func (measuring) phase() Phase     { return Measuring }
func (adjusting) phase() Phase     { return Adjusting }
func (confirming) phase() Phase    { return Confirming }
func (done) phase() Phase          { return Done }
func (watchingState) phase() Phase { return Watching }

func (s waiting) running() axis.Measurement       { return s.first }
func (s measuring) running() axis.Measurement     { return s.first }
func (s adjusting) running() axis.Measurement     { return s.first }
func (s confirming) running() axis.Measurement    { return s.second }
func (s watchingState) running() axis.Measurement { return s.refused }

func (s waiting) refusing(f axis.FrameReport) state {
	s.first = s.first.Refusing(f)
	return s
}

func (s measuring) refusing(f axis.FrameReport) state {
	s.first = s.first.Refusing(f)
	return s
}

func (s adjusting) refusing(f axis.FrameReport) state {
	s.first = s.first.Refusing(f)
	return s
}

func (s confirming) refusing(f axis.FrameReport) state {
	s.second = s.second.Refusing(f)
	return s
}

func (s done) refusing(f axis.FrameReport) state {
	s.first = s.first.Refusing(f)
	return s
}

func (s watchingState) refusing(f axis.FrameReport) state {
	s.refused = s.refused.Refusing(f)
	return s
}

func (s measuring) measured() *axis.Fit { return s.first.Fit }
func (s adjusting) measured() *axis.Fit { return s.first.Fit }

func (s adjusting) following() *adjust.Live { return s.live }

func (s done) watch() *nights.Watch          { return s.night }
func (s watchingState) watch() *nights.Watch { return s.night }

func (s done) watching(n *nights.Watch) state {
	s.night = n
	return s
}

func (s watchingState) watching(n *nights.Watch) state {
	s.night = n
	return s
}

// LockShift is what locking the bolts did to the axis: confirmed minus last
// reading before the lock.
type LockShift struct {
	Alt, Az     sky.Angle // Az is a difference of azimuths
	Total       sky.Angle // on the sky
	Uncertainty sky.Angle // 1-sigma, semi-major, on the sky
}

// lockMost is how far locking the bolts moves an axis at most. Common practice:
// it is arcseconds on a good mount, an arcminute or two on a poor one.
const lockMost = 5 * sky.Arcminute

// doubt speaks up when the lock seems to have moved the axis farther than locks
// do. A turn in declination near the meridian looks like the altitude bolt's; this
// is where it comes out.
func (l *LockShift) doubt() *axis.Warning {
	if l.Total < lockMost {
		return nil
	}
	return &axis.Warning{Code: axis.WarnTubeMoved, Message: fmt.Sprintf(
		"The confirmed axis lies %s from where it was read before the bolts were locked, farther than a lock moves it: the declination was turned, or the tube shifted, while the bolts were being turned. The confirmed axis holds; unlock and adjust from it.", sky.AngleWords(l.Total))}
}

// facts hold in every phase: of the newest frame, and of the clocks.
type facts struct {
	lastRead  lastRead
	lastMid   time.Time
	lastHeard time.Time
	clocks    clock.Monitor
	times     times
	unsolved  *axis.Warning // about the newest frame
	blind     bool          // the newest frame tells nothing of how things now stand
}

// lastRead is what the newest frame with stars tells of place and time, whether it could
// be used or not.
type lastRead struct {
	mid      time.Time
	sight    sky.ICRS
	header   *sky.Site
	stated   *sky.Stated
	skyLimit *float64
}

// clockWarning tells that the camera's clock and this computer's disagree.
func (f *facts) clockWarning() axis.Warning {
	return axis.Warning{Code: WarnClock, Message: f.clocks.Host}
}

func (f *facts) clockSaying() sky.Saying {
	w := f.clockWarning()
	return w.Saying()
}
