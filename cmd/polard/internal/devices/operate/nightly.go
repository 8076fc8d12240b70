package operate

import (
	"context"
	"time"

	"polard/cmd/polard/internal/devices/measure"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
	"polard/web"
)

const (
	// darkAltitude of the Sun is the end of nautical twilight: the stars that the match needs show in
	// every telescope (common practice).
	darkAltitude = -12 * sky.Degree
	// lookEach is how often it is looked whether it is dark, and tryAgain how long after a measurement
	// that was refused or failed the next one is tried: clouds pass, limits move away with the sky.
	lookEach = 20 * time.Second
	tryAgain = 15 * time.Minute
)

// night tells whether it is dark at a place, and which night that is: the date of the evening there, by the
// mean Sun.
func night(site sky.Site, air sky.Air, now time.Time) (date string, dark bool, err error) {
	o, err := observed.NewObserver(site, air, now, 0)
	if err != nil {
		return "", false, err
	}
	alt, _ := sky.AltAzFromLocal(o.Refraction().True(o.Sun()))
	noon := now.UTC().Add(time.Duration(site.Longitude.Signed().Hours()*float64(time.Hour)) - 12*time.Hour)
	return noon.Format(time.DateOnly), alt < darkAltitude, nil
}

// NextDark is when it is dark at a place next, to the minute: from itself where it is dark then. ok is false
// when it does not get dark within a day, as in the summer of high latitudes.
func NextDark(site sky.Site, air sky.Air, from time.Time) (at time.Time, ok bool, err error) {
	for at = from; at.Before(from.Add(24 * time.Hour)); at = at.Add(time.Minute) {
		_, dark, err := night(site, air, at)
		if dark || err != nil {
			return at, dark, err
		}
	}
	return time.Time{}, false, nil
}

// Schedule says when the axis is measured with nobody there. It is switched on by hand.
type Schedule string

// The schedules.
const (
	NoSchedule Schedule = ""
	// Nightly measures at the first dark of each night, and once more after a change.
	Nightly Schedule = "nightly"
	// AfterChange measures at the first dark after somebody told that something was changed.
	AfterChange Schedule = "after_change"
)

// SomethingChanged has the schedule measure as soon as it is dark: somebody has changed something at the pier.
func (o *Operation) SomethingChanged(context.Context) error {
	if o.opt.Schedule == NoSchedule {
		return errNoTimes
	}
	o.goOn()
	err := o.remember(func(m *memory) { m.Due, o.changes = true, o.changes+1 })
	o.opt.Log.Info("something was changed: measuring as soon as it is dark")
	o.alignment.Changed()
	select {
	case o.woken <- struct{}{}:
	default: // it is awake
	}
	return err
}

// goOn takes the schedule's rest away.
func (o *Operation) goOn() {
	o.mu.Lock()
	rests := o.memory.Rests != ""
	o.mu.Unlock()
	if rests {
		o.keep(func(m *memory) { m.Rests, m.RestsSaid = "", nil })
	}
}

// due tells whether the schedule is to measure in a night, and of how many changes a measurement from now on knows.
func (o *Operation) due(date string) (changes int, due bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	m := o.memory
	return o.changes, m.Rests == "" && (m.Due || o.opt.Schedule == Nightly && m.Night != date)
}

// unattended keeps the schedule until ctx ends.
func (o *Operation) unattended(ctx context.Context) {
	var next time.Time
	for ctx.Err() == nil {
		site, air, placed, err := o.alignment.Place(ctx)
		if err == nil && placed && !time.Now().Before(next) {
			next = o.ifDark(ctx, site, air)
		}
		select {
		case <-ctx.Done():
		case <-o.woken:
			next = time.Time{}
		case <-time.After(lookEach):
		}
	}
}

// ifDark measures where that is due and it is dark. It gives when it may be tried again.
func (o *Operation) ifDark(ctx context.Context, site sky.Site, air sky.Air) (next time.Time) {
	date, dark, err := night(site, air, time.Now())
	if err != nil {
		o.opt.Log.Error("whether it is dark cannot be told", "error", err)
		return next
	}
	changes, due := o.due(date)
	if !dark || !due {
		return next
	}
	err = o.byItself(ctx)
	var trouble sky.Saying
	switch {
	case err == nil:
		o.keep(func(m *memory) { m.Night, m.Due = date, o.changes != changes })
		o.alignment.Changed()
		return next
	case ctx.Err() != nil:
		return next
	case measure.OfMovement(err):
		// A mount that did not move as it was told is not moved again before somebody has looked at it.
		trouble = sky.Say("night_rests", "tonight's measurement: %s. The schedule rests until somebody has looked at the mount and asks for a plan here", sky.SayingOf(err))
		o.keep(func(m *memory) { m.Rests, m.RestsSaid = err.Error(), web.SaidFrom(sky.SayingOf(err)) })
	default:
		next = time.Now().Add(tryAgain)
		trouble = sky.Say("night_again", "tonight's measurement: %s; it is tried again at %s UTC", sky.SayingOf(err), next.UTC().Format("15:04"))
	}
	o.change(func(s *web.EquipmentState) { s.Fail(trouble) })
	o.opt.Log.Warn(trouble.Text)
	return next
}

// byItself makes a plan and carries it out. A mount that somebody uses is left alone.
func (o *Operation) byItself(ctx context.Context) error {
	o.mu.Lock()
	busy := o.work != nil
	o.mu.Unlock()
	if busy {
		return errBusy
	}
	if err := o.proposed(ctx, web.MotionOrder{Thorough: true}); err != nil {
		return err
	}
	plan := o.State().Plan
	if plan == nil {
		return sky.Refuse(nil, "plan_none", "there is no plan any more")
	}
	return o.carryOut(ctx, plan.ID, false)
}
