package mountmodel

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"polard/mountmodel/axis"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// NightWatch gathers ordinary exposures, frame by frame, and fits the axis to
// those of the present night: see [FitWatch]. When the Sun has been up between
// two frames, a new night begins with a new fit, and the result of the one
// before is kept. It needs no more memory for many frames than for
// mostWatched, and none of its answers depends on a clock.
type NightWatch struct {
	cfg    Config
	frames []WatchFrame // kept, of this night, in order of arrival
	taken  int          // of this night
	every  int          // one in so many is kept
	since  time.Time
	until  time.Time

	fitted  int // frames taken when the fit was made
	fit     *WatchFit
	problem error
	before  []WatchedNight // oldest first
}

const (
	// mostWatched bounds the frames kept of a night: when there are more, every
	// second one goes. A night of 8 hours then has a frame every minute or
	// two, in which the axis has turned by a quarter or half a degree.
	mostWatched = 512

	// refitPart is the part by which the frames must have grown before they are
	// fitted anew: a twentieth changes the uncertainty by a fortieth, and keeps
	// the time spent on fits in proportion to the frames.
	refitPart = 20

	// mostNights is how many earlier nights are kept.
	mostNights = 60

	// nightGap ends a night where the Sun does not rise: exposures that belong
	// together are not half a day apart.
	nightGap = 12 * time.Hour

	// sunStep is the step in which a gap is searched for the Sun. A day so short
	// that it fits in between is no day for a mount either.
	sunStep = 30 * time.Minute
)

// WatchedNight is what became of an earlier night.
type WatchedNight struct {
	Since, Until time.Time
	Frames       int
	Standing     axis.Status // as the axis stood at the end
}

// NewNightWatch starts with nothing. The configuration must pass its check.
func NewNightWatch(cfg Config) *NightWatch { return &NightWatch{cfg: cfg, every: 1} }

// errOldNight refuses a frame of a night that is over.
var errOldNight = errors.New("it is of an earlier night than the frames before it")

// Take takes in an exposure. A frame of an earlier night is refused.
func (w *NightWatch) Take(f WatchFrame) error {
	if w.taken > 0 {
		switch {
		case f.Mid.After(w.until) && nightBetween(w.cfg, w.until, f.Mid):
			w.endNight()
		case f.Mid.Before(w.since) && nightBetween(w.cfg, f.Mid, w.since):
			return errOldNight
		}
	}
	if len(w.frames) > 0 && w.frames[0].R.Det()*f.R.Det() < 0 {
		// Another camera, or another train of mirrors: what it shows cannot be
		// joined to what the one before showed.
		*w = NightWatch{cfg: w.cfg, every: 1, before: w.before}
	}
	if w.taken == 0 || f.Mid.Before(w.since) {
		w.since = f.Mid
	}
	if f.Mid.After(w.until) {
		w.until = f.Mid
	}
	w.taken++
	if (w.taken-1)%w.every != 0 {
		return nil
	}
	if w.frames = append(w.frames, f); len(w.frames) > mostWatched {
		kept := w.frames[:0]
		for i := 0; i < len(w.frames); i += 2 {
			kept = append(kept, w.frames[i])
		}
		w.frames, w.every = kept, 2*w.every
	}
	return nil
}

// nightBetween tells whether one night ended and another began between two
// moments.
func nightBetween(cfg Config, from, to time.Time) bool {
	if to.Sub(from) > nightGap {
		return true
	}
	for at := from.Add(sunStep); at.Before(to); at = at.Add(sunStep) {
		if o, err := observed.NewObserver(cfg.Site, cfg.Air, at, cfg.DUT1); err == nil && o.SunUp() {
			return true
		}
	}
	return false
}

// Outlived tells how many of the first frames a session that watches no longer
// rests on, given the middles of their exposures in the order in which it took
// them: those of nights before the one in which the oldest frame was taken that it
// still remembers. A session that is given the others alone stands where one stands
// that was given all, but for the results of the nights left out.
func Outlived(cfg Config, mids []time.Time) int {
	remembered := max(0, len(mids)-mostAdjusts)
	begins := 0 // the night of the frame at hand
	var until time.Time
	for i, mid := range mids {
		if i > 0 && mid.After(until) && nightBetween(cfg, until, mid) {
			if i > remembered {
				break
			}
			begins = i
		}
		if mid.After(until) {
			until = mid
		}
	}
	return begins
}

func (w *NightWatch) endNight() {
	w.refit()
	if w.fit != nil {
		w.before = append(w.before, WatchedNight{Since: w.since, Until: w.until, Frames: w.taken, Standing: w.standing()})
		w.before = w.before[max(0, len(w.before)-mostNights):]
	}
	*w = NightWatch{cfg: w.cfg, every: 1, before: w.before}
}

func (w *NightWatch) pole() sky.Local { return observed.Pole(w.cfg.Site, w.cfg.Air, w.cfg.Pole) }

func (w *NightWatch) standing() axis.Status {
	return axis.Status{Axis: w.fit.Axis, Offset: axis.OffsetBetween(w.fit.Axis.Dir, w.pole()), Move: axis.Correction(w.fit.Axis.Dir, w.pole())}
}

// refit fits the frames when they have grown by enough.
func (w *NightWatch) refit() {
	if w.taken == 0 || w.taken-w.fitted < max(1, w.fitted/refitPart) {
		return
	}
	w.fitted = w.taken
	w.fit, w.problem = FitWatch(w.frames, w.pole(), w.cfg.Guiding)
}

// retune takes another configuration for the same place and air: the frames
// stay, the fit is made anew.
func (w *NightWatch) retune(cfg Config) {
	w.cfg, w.fitted, w.fit, w.problem = cfg, 0, nil, nil
	for i, n := range w.before {
		a := n.Standing.Axis
		w.before[i].Standing = axis.Status{Axis: a, Offset: axis.OffsetBetween(a.Dir, w.pole()), Move: axis.Correction(a.Dir, w.pole())}
	}
}

// WatchView is what a watched night has told so far.
type WatchView struct {
	Since, Until time.Time    // mid-exposure of the first and the newest frame
	Frames       int          // taken in
	Fit          *WatchFit    // nil while the frames do not tell; never changed afterwards
	Standing     *axis.Status // of Fit
	Sentences    []string     // the result in plain words, or why there is none yet
	Before       []WatchedNight
}

// View is what the night has told so far; nil when there was no frame yet.
func (w *NightWatch) View() *WatchView {
	if w.taken == 0 && len(w.before) == 0 {
		return nil
	}
	w.refit()
	v := &WatchView{Since: w.since, Until: w.until, Frames: w.taken, Fit: w.fit, Before: slices.Clone(w.before)}
	var short *axis.TooLittleTurnError
	switch {
	case w.fit != nil:
		s := w.standing()
		v.Standing, v.Sentences = &s, w.fit.Sentences(w.pole())
	case w.taken < 2:
		v.Sentences = []string{"Watching: the first frame is in. Each further exposure adds to what is known of the axis."}
	case errors.As(w.problem, &short):
		v.Sentences = []string{fmt.Sprintf("Watching: %d frames, over which the axis has turned by %s. %s more of tracking is wanted before they tell where it points.",
			w.taken, sky.AngleWords(short.Turn), trackingWords(max(short.Need-short.Turn, 0)))}
	case w.problem != nil:
		v.Sentences = []string{fmt.Sprintf("Watching, but %d frames do not give an axis: %v.", w.taken, w.problem)}
	}
	return v
}

// trackingWords is the time that a drive takes for a turn.
func trackingWords(turn sky.Angle) string {
	minutes := math.Ceil(float64(turn) / observed.SiderealRate / 60)
	if minutes < 2 {
		return "A minute"
	}
	return fmt.Sprintf("Some %.0f minutes", minutes)
}
