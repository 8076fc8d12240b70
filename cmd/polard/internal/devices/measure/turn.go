package measure

import (
	"context"
	"errors"
	"fmt"
	"time"

	"polard/cmd/polard/internal/devices"
	"polard/mountmodel/sky"
)

// Times and angles of one movement.
const (
	// tick is how often the mount is looked at while it moves: limits and stops act within 0.2 s
	// (issue: requirement), of which this is the part that waits.
	tick = 50 * time.Millisecond
	// reaction is how much longer it goes on after a stop was decided: a tick and the way there.
	reaction = 150 * time.Millisecond
	// silence is how long a moving mount may report nothing: drivers report each second or oftener.
	silence = 2500 * time.Millisecond
	// startTime is how long a mount may take until its axis is seen to turn, and stallTime how long
	// it may then stand short of its end: gears, backlash and ramps take seconds.
	startTime = 6 * time.Second
	stallTime = 5 * time.Second
	// longestTurn bounds a movement: 75 degrees at a quarter of a degree a second.
	longestTurn = 5 * time.Minute
	// haltTime is how long a mount may take to stand still after it was told to.
	haltTime = 8 * time.Second

	// toldEach is how often the progress of a turn is told.
	toldEach = 5 * sky.Degree
	// seenTurning is what counts as turning, against noise and tracking (0.03 degrees in startTime).
	seenTurning = 0.1 * sky.Degree
	// wrongWay is a turn against what was asked for that no backlash explains.
	wrongWay = 1 * sky.Degree
	// decMoved is a change of declination that no turn of one axis makes: refraction, cone error and
	// rounding stay below it.
	decMoved = 0.5 * sky.Degree
	// tooFar is what a turn may exceed what was asked for.
	tooFar = 4 * sky.Degree
	// stands is the change between two reports below which the mount stands or tracks.
	stands = 0.03 * sky.Degree
)

// Kinds of failure of a movement.
var (
	ErrStalled     = errors.New("the mount does not turn as asked")
	ErrDeclination = errors.New("the declination moved")
	ErrWhere       = errors.New("the mount is not where it reports to be")
	ErrRunsOn      = errors.New("the mount goes on moving after it was told to stop: switch it off")
)

// watchOver follows a movement by what the mount reports.
type watchOver struct {
	by       sky.Angle // asked for
	began    time.Time
	start    Position
	side     devices.PierSide
	last     devices.MountState
	turned   sky.Angle // since start, not wrapped
	rate     float64   // radians a second
	best     sky.Angle // farthest towards by
	bestAt   time.Time
	selfEnds bool
}

// ahead is how far it will have turned by the time that a stop can act.
func (o *watchOver) ahead(now time.Time) sky.Angle {
	if o.rate == 0 { // nothing was heard of it yet
		return o.turned
	}
	return o.turned + sky.Angle(o.rate*(now.Sub(o.last.At)+reaction).Seconds())
}

// take brings a report in. It fails when the movement has to end at once; done tells that it
// ends as it should.
func (o *watchOver) take(w surroundings, s devices.MountState, now time.Time) (done bool, err error) {
	p := w.position(s)
	if s.At.After(o.last.At) {
		turned := o.turned + (p.Hour - o.start.Hour - o.turned).Signed()
		if dt := s.At.Sub(o.last.At).Seconds(); dt > 0.02 && !o.last.At.Before(o.began) {
			o.rate = float64(turned-o.turned) / dt
		}
		o.turned, o.last = turned, s
	}
	forward := o.turned
	if o.by < 0 {
		forward = -forward
	}
	if forward > o.best+seenTurning {
		o.best, o.bestAt = forward, now
	}
	ahead, whole := o.ahead(now), o.by.Abs()
	// A mount that stands may have reported last long ago.
	heard := s.At
	if heard.Before(o.began) {
		heard = o.began
	}
	if o.by < 0 {
		ahead = -ahead
	}
	switch {
	case s.Parked:
		return false, fmt.Errorf("%w: it reports to be parked", ErrStalled)
	case s.Trouble != "":
		return false, fmt.Errorf("%w: %s", devices.ErrDevice, s.Trouble)
	case (p.Dec - o.start.Dec).Abs() > decMoved:
		return false, fmt.Errorf("%w by %.1f degrees while only right ascension was to turn", ErrDeclination, (p.Dec - o.start.Dec).Abs().Degrees())
	case s.Side != o.side:
		return false, fmt.Errorf("%w: it began to change its side of the pier", ErrStalled)
	case now.Sub(heard) > silence:
		return false, fmt.Errorf("%w: the mount has not reported where it is for %.0f s", devices.ErrTimeout, now.Sub(heard).Seconds())
	case forward < -wrongWay:
		return false, fmt.Errorf("%w: it turned the wrong way; look at its setting of reversed motion", ErrStalled)
	case forward > whole+tooFar:
		return false, fmt.Errorf("%w: it went %.0f degrees too far", ErrStalled, (forward - whole).Degrees())
	case o.selfEnds && !s.Moving && forward > whole-min(tooFar, whole/2), !o.selfEnds && ahead >= whole:
		return true, nil
	case o.best == 0 && now.Sub(o.began) > startTime:
		return false, fmt.Errorf("%w: it was told to turn %.0f s ago, and stands still", ErrStalled, now.Sub(o.began).Seconds())
	case o.best > 0 && now.Sub(o.bestAt) > stallTime:
		return false, fmt.Errorf("%w: it came to a stand after %.0f of %.0f degrees", ErrStalled, o.best.Degrees(), whole.Degrees())
	case now.Sub(o.began) > longestTurn:
		return false, fmt.Errorf("%w: after %.0f minutes it is still turning", devices.ErrTimeout, longestTurn.Minutes())
	}
	return false, nil
}

// turn turns the axis, watched, and waits until it stands. However it ends, the mount has been
// told to stop; an error of that comes joined.
func (m *Measurer) turn(ctx context.Context, by sky.Angle) (err error) {
	s, w, err := m.look(ctx)
	if err != nil {
		return err
	}
	if v := standstill(s); v != nil {
		return v
	}
	from := w.position(s)
	already := from.Hour - m.origin.Hour
	already = already.Signed()
	if v := m.opt.Limits.check(w, from, by, already, m.home); v != nil {
		return v
	}
	now := time.Now()
	o := &watchOver{by: by, began: now, bestAt: now, start: from, side: s.Side, last: s}
	if err := ctx.Err(); err != nil {
		return err
	}
	// From here on the mount may move.
	if o.selfEnds, err = m.mount.Turn(ctx, by); err == nil {
		err = m.follow(ctx, o, already)
	}
	if stopErr := m.Stop(); stopErr != nil {
		return errors.Join(err, stopErr)
	}
	if err != nil {
		return err
	}
	return m.halted(ctx)
}

// follow looks after a movement until it is to end.
func (m *Measurer) follow(ctx context.Context, o *watchOver, already sky.Angle) error {
	ticker := time.NewTicker(tick)
	defer ticker.Stop()
	told := sky.Angle(0)
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-ticker.C:
		}
		s, w, err := m.look(ctx)
		if err != nil {
			return err
		}
		done, err := o.take(w, s, time.Now())
		if err != nil || done {
			return err
		}
		ahead := o.ahead(time.Now())
		if v := m.opt.Limits.check(w, Position{o.start.Hour + o.turned, w.position(s).Dec}, ahead-o.turned, already+o.turned, m.home); v != nil {
			return v
		}
		if (o.turned - told).Abs() >= toldEach {
			told = o.turned
			m.tell(Progress{Stage: Turning, Turned: o.turned, Of: o.by})
		}
	}
}

// halted waits until the mount stands.
func (m *Measurer) halted(ctx context.Context) error {
	limit := time.Now().Add(haltTime)
	var last devices.MountState
	since := time.Time{}
	for {
		s, w, err := m.look(ctx)
		if err != nil {
			return err
		}
		now := time.Now()
		still := !s.Moving && !last.At.IsZero() && (w.position(s).Hour-w.position(last).Hour).Signed().Abs() < stands
		last = s
		switch {
		case !still:
			since = time.Time{}
		case since.IsZero():
			since = now
		case now.Sub(since) >= m.opt.Settle:
			return nil
		}
		if now.After(limit.Add(m.opt.Settle)) {
			return errors.Join(ErrRunsOn, m.Stop())
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(100 * time.Millisecond):
		}
	}
}
