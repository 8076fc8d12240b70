package service

import (
	"errors"
	"slices"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/logbook"
	"polard/mountmodel/sky"
	"polard/web"
)

// Alignment is what the entries of a journal make, one after the other: the configuration, the session once a place is
// known, the plan, and the newest frame. The zero value with a configuration is one without entries.
type Alignment struct {
	Config  mountmodel.Config
	Placed  bool                // the site is known
	Session *mountmodel.Session // nil until then

	view      *mountmodel.View // of the session as it is; nil when it is to be worked out
	frames    int64
	latest    *web.Latest           // the newest frame
	lenses    []logbook.Lens        // through which frames were taken, in the order in which they came into use
	lens      int                   // through which frames are taken now: its place among those from 1; 0 before the first
	watchOnly bool                  // the session, once it begins, only watches
	early     []mountmodel.Sighting // read before the site was known
	planner   Planner               // of the exposures planned
	dropped   bool                  // the session broke, and another was begun in its place
	noted     func(n *logbook.Note) // hears of notes; nil for nobody
	replaying bool                  // entries are of the past: see mountmodel.Session.Replay
	probe     func(part string)     // see mountmodel.Session.Probe
}

// mostEarly is how many sightings wait for the site.
const mostEarly = 50

var errNoPlace = errors.New("say first where the mount stands: latitude and longitude")

// Apply does what an entry says.
func (a *Alignment) Apply(e logbook.Entry) error {
	a.view = nil
	switch {
	case e.Config != nil && e.Unplaced:
		a.Config = *e.Config
		return nil
	case e.Config != nil:
		return a.configure(e.At, *e.Config)
	case e.Frame != nil && e.Frame.Code == CodePassedOver:
		return nil
	case e.Frame != nil:
		seen := e.Frame.Sighting
		seen.RefusedBy, seen.Detected = e.Frame.Code, e.Frame.Detected
		a.sight(e.At, seen)
		return nil
	case e.Lens != nil:
		a.through(*e.Lens)
		return nil
	case e.Note != nil:
		if a.noted != nil {
			a.noted(e.Note)
		}
		return nil
	case e.Plan != nil:
		a.planner.order = &web.PlanOrder{Plan: e.Plan.Plan, LimitPx: e.Plan.LimitPx}
		return nil
	case a.Session == nil && e.Event == mountmodel.WatchOnly:
		a.watchOnly = true
		return nil
	case a.Session == nil:
		return errNoPlace
	case e.Event != "":
		a.dropped = false // whoever goes on has read it
		return a.Session.Do(e.At, e.Event)
	case e.Stroke != nil:
		return a.Session.Turned(e.At, e.Stroke.Bolt, e.Stroke.Turns)
	case e.Choice != nil:
		return a.Session.Count(*e.Choice)
	}
	return errors.New("this entry says nothing")
}

// View is what the session shows, worked out once after each entry.
func (a *Alignment) View() mountmodel.View {
	if a.view == nil {
		a.view = new(a.Session.View())
	}
	return *a.view
}

// begin starts the session at a place. Frames read before take part in it.
func (a *Alignment) begin(at time.Time, config mountmodel.Config) error {
	session, err := mountmodel.NewSession(config)
	if err != nil {
		return err
	}
	session.Replay(a.replaying)
	session.Probe(a.probe)
	if a.watchOnly {
		if err := session.Do(at, mountmodel.WatchOnly); err != nil {
			return err
		}
	}
	a.Config, a.Placed, a.Session, a.view = config, true, session, nil
	for _, s := range a.early {
		a.Session.Take(at, s)
	}
	a.early = nil
	return nil
}

// configure begins the session, or works it out anew.
func (a *Alignment) configure(at time.Time, config mountmodel.Config) error {
	if a.Session == nil {
		return a.begin(at, config)
	}
	if err := a.Session.Reconfigure(config); err != nil {
		return err
	}
	a.Config = config
	return nil
}

// through takes a lens into use.
func (a *Alignment) through(l logbook.Lens) {
	at := slices.Index(a.lenses, l)
	if at < 0 {
		at = len(a.lenses)
		a.lenses = append(a.lenses, l)
	}
	a.lens = at + 1
}

// rests tells whether anything was worked out from frames that must stay comparable with those to come.
func (a *Alignment) rests() bool {
	return len(a.early) > 0 || a.Session != nil && a.Session.Phase() != mountmodel.Waiting
}

// sight gives a sighting to the session, or has it wait for one.
func (a *Alignment) sight(at time.Time, s mountmodel.Sighting) {
	s.Lens = a.lens // by the journal's count, which goes on over restarts
	if a.Session != nil {
		a.Session.Take(at, s)
	} else if a.early = append(a.early, s); len(a.early) > mostEarly {
		a.early = a.early[1:]
	}
}

// count notes a frame that the session was given as the newest.
func (a *Alignment) count(f *logbook.Frame) {
	a.frames++
	a.latest = latestFrom(f, a.frames)
	a.planner.See(f)
}

// watches tells whether every frame is taken as an ordinary exposure.
func (a *Alignment) watches() bool {
	if a.Session == nil {
		return a.watchOnly
	}
	return a.Session.Phase() == mountmodel.Watching
}

// axisOf is where the axis points; nil while that is not known, or in doubt.
func axisOf(v mountmodel.View) *sky.Local {
	if v.Now == nil || v.Doubt {
		return nil
	}
	return &v.Now.Axis.Dir
}
