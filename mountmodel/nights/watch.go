package nights

import (
	"errors"
	"slices"
	"time"

	"polard/mountmodel/axis"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// Watch gathers ordinary exposures, frame by frame, and fits the axis to
// those of the present night: see find. When the Sun has been up between
// two frames, a new night begins with a new fit, and the result of the one
// before is kept. It needs no more memory for many frames than for
// mostWatched, and none of its answers depends on a clock.
type Watch struct {
	cfg    Config
	frames []Exposure // kept, of this night, in order of arrival
	taken  int        // of this night
	every  int        // one in so many is kept
	since  time.Time
	until  time.Time

	fitted  int // frames taken when the fit was made
	fit     *Fit
	problem error
	before  []Night // oldest first
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

// Night is what became of an earlier night.
type Night struct {
	Since, Until time.Time
	Frames       int
	Status       axis.Status // as the axis stood at the end
}

// Config is what a watch has to know beforehand.
type Config struct {
	Site    sky.Site
	Air     sky.Air
	Pole    sky.Local // aimed at
	DUT1    float64   // UT1-UTC in seconds
	Guiding Guiding
}

// New starts with nothing. The configuration must pass its check.
func New(cfg Config) *Watch { return &Watch{cfg: cfg, every: 1} }

// errOldNight refuses a frame of a night that is over.
var errOldNight = sky.Refuse(nil, "earlier_night", "it is of an earlier night than the frames before it")

// With is the watch with one more exposure; w stays as it is. A frame of an earlier
// night is refused. The axis is not fitted anew: see [Watch.Fitted].
func (w *Watch) With(f Exposure) (*Watch, error) {
	next := *w
	if err := next.take(f); err != nil {
		return w, err
	}
	return &next, nil
}

func (w *Watch) take(f Exposure) error {
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
		*w = Watch{cfg: w.cfg, every: 1, before: w.before}
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
		kept := make([]Exposure, 0, mostWatched)
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

// Expired tells how many of the first frames a watch that remembers so many of
// the newest no longer rests on, given the middles of their exposures in the order
// in which it took them: those of nights before the one in which the oldest frame
// remembered was taken.
func Expired(cfg Config, mids []time.Time, remembered int) int {
	oldest := max(0, len(mids)-remembered)
	begins := 0 // the night of the frame at hand
	var until time.Time
	for i, mid := range mids {
		if i > 0 && mid.After(until) && nightBetween(cfg, until, mid) {
			if i > oldest {
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

func (w *Watch) endNight() {
	w.refit()
	if w.fit != nil {
		w.before = append(slices.Clip(w.before), Night{Since: w.since, Until: w.until, Frames: w.taken, Status: w.status()})
		w.before = w.before[max(0, len(w.before)-mostNights):]
	}
	*w = Watch{cfg: w.cfg, every: 1, before: w.before}
}

func (w *Watch) status() axis.Status {
	return axis.StatusOf(w.fit.Axis, axis.Allowance{}, w.cfg.Pole)
}

// refit fits the frames when they have grown by enough.
func (w *Watch) refit() {
	if w.taken == 0 || w.taken-w.fitted < max(1, w.fitted/refitPart) {
		return
	}
	w.fitted = w.taken
	w.fit, w.problem = find(w.frames, w.cfg.Pole, w.cfg.Guiding)
}

// Fitted is the watch with the axis fitted to the frames of this night, when they
// have grown by enough; w stays as it is.
func (w *Watch) Fitted() *Watch {
	next := *w
	next.refit()
	return &next
}

// Retuned is the watch under another configuration for the same place and air: the
// frames stay, the fit is to be made anew.
func (w *Watch) Retuned(cfg Config) *Watch {
	next := *w
	next.cfg, next.fitted, next.fit, next.problem = cfg, 0, nil, nil
	next.before = slices.Clone(w.before)
	for i := range next.before {
		next.before[i].Status = axis.StatusOf(next.before[i].Status.Axis, axis.Allowance{}, cfg.Pole)
	}
	return &next
}

// Fit is the axis by the last fit; nil while the frames do not tell.
func (w *Watch) Fit() *Fit { return w.fit }

// Targets are the frames of this night in order of time, by the stretches of the last fit;
// unguided are those of them that were not taken as guided. Both are empty where frames
// have come since that fit.
func (w *Watch) Targets() (all, unguided [][]Exposure) {
	if w.fit == nil || w.fitted != w.taken {
		return nil, nil
	}
	frames := slices.Clone(w.frames)
	slices.SortStableFunc(frames, func(a, b Exposure) int { return a.Mid.Compare(b.Mid) })
	for _, s := range w.fit.Stretches {
		if s.Last >= len(frames) {
			return nil, nil
		}
		of := frames[s.First : s.Last+1]
		all = append(all, of)
		if !s.Guided {
			unguided = append(unguided, of)
		}
	}
	return all, unguided
}

// Problem is why the frames of this night do not tell the axis; nil when they do, or
// were not fitted yet.
func (w *Watch) Problem() error { return w.problem }

// View is what a watched night has told so far.
type View struct {
	Since, Until time.Time    // mid-exposure of the first and the newest frame
	Frames       int          // taken in
	Fit          *Fit         // nil while the frames do not tell; never changed afterwards
	Status       *axis.Status // of Fit
	Sentences    []sky.Saying // the result in plain words, or why there is none yet
	Before       []Night
}

// View is what the night has told by the last fit; nil when there was no frame yet.
func (w *Watch) View() *View {
	if w.taken == 0 && len(w.before) == 0 {
		return nil
	}
	v := &View{Since: w.since, Until: w.until, Frames: w.taken, Fit: w.fit, Before: slices.Clone(w.before)}
	var short *axis.TooLittleTurnError
	switch {
	case w.fit != nil:
		s := w.status()
		v.Status, v.Sentences = &s, w.fit.Sentences(w.cfg.Pole)
	case w.taken < 2:
		v.Sentences = []sky.Saying{sky.Say("watch_first", "Watching: the first frame is in. Each further exposure adds to what is known of the axis.")}
	case errors.As(w.problem, &short):
		v.Sentences = []sky.Saying{sky.Say("watch_more", "Watching: %d frames, over which the axis has turned by %s. Some %d min more of tracking are wanted before they tell where it points.",
			w.taken, sky.Amount(short.Turn), trackingMinutes(max(short.Need-short.Turn, 0)))}
	case w.problem != nil:
		v.Sentences = []sky.Saying{sky.Say("watch_no_axis", "Watching, but %d frames do not give an axis: %s.", w.taken, w.problem.Error())}
	}
	return v
}
