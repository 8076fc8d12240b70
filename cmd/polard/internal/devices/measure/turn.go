package measure

import (
	"context"
	"errors"
	"math"
	"time"

	"polard/cmd/polard/internal/devices"
	"polard/mountmodel/sky"
)

// Times and angles of one movement.
const (
	// tick is how often the mount is looked at while it moves: limits and stops are to act within 0.2 s,
	// of which this is the part that waits.
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

	// progressEach is how often the progress of a turn is shown.
	progressEach = 5 * sky.Degree
	// seenTurning is what counts as turning, against noise and tracking (0.03 degrees in startTime).
	seenTurning = 0.1 * sky.Degree
	// wrongWay is a turn against what was asked for that no backlash explains.
	wrongWay = 1 * sky.Degree
	// decMoved is a change of declination that no turn of one axis makes: refraction, cone error and
	// rounding stay below it.
	decMoved = 0.5 * sky.Degree
	// coneError is by how much right ascension may seem to move on the way over the pole: twice as much as
	// a tube is off square to its declination axis (common practice: up to a degree), and decMoved.
	coneError = 2*sky.Degree + decMoved
	// tooFar is what a turn may exceed what was asked for.
	tooFar = 4 * sky.Degree
	// rateOver is the time over which the rate is taken, latestOver that over which it is for what must not be passed: on a busy
	// machine or network reports come some tenths of a second late, and two at once.
	rateOver   = time.Second
	latestOver = 500 * time.Millisecond
	// turnedEnough is how near its end a turn has to bring an axis.
	turnedEnough = 0.3 * sky.Degree
)

// Kinds of failure of a movement.
var (
	ErrStalled     = sky.Refuse(nil, "mount_stalled", "the mount does not turn as asked")
	ErrDeclination = sky.Refuse(nil, "dec_moved", "the declination moved")
	ErrHour        = sky.Refuse(nil, "ra_moved", "right ascension moved")
	ErrWhere       = sky.Refuse(nil, "mount_elsewhere", "the mount is not where it reports to be")
)

// OfMovement tells whether a measurement ended because the mount did not move as it was told: then
// somebody should look at it before it moves again.
func OfMovement(err error) bool {
	for _, kind := range []error{ErrStalled, ErrDeclination, ErrHour, ErrWhere, devices.ErrRunsOn} {
		if errors.Is(err, kind) {
			return true
		}
	}
	return false
}

// progress follows a movement by what the mount reports.
type progress struct {
	move     Move
	over     bool // it goes over the pole, to the other side of the pier
	began    time.Time
	start    Position
	side     devices.PierSide
	last     devices.MountState
	turned   sky.Angle // since start, not wrapped
	onTrial  sky.Angle // of that, until it was seen which way the axis goes
	reports  []report  // the newest, over rateOver; where it began is the first
	rate     float64   // over them, in radians a second
	latest   float64   // the same over latestOver
	best     sky.Angle // farthest towards move.By
	bestAt   time.Time
	selfEnds bool
}

// report is how far the axis had turned at a time.
type report struct {
	at     time.Time
	turned sky.Angle
}

// ahead is how far it will have turned, at a rate, by the time that a stop can act.
func (o *progress) ahead(now time.Time, rate float64) sky.Angle {
	if rate == 0 { // nothing was heard of it yet
		return o.turned
	}
	return o.turned + sky.Angle(rate*(now.Sub(o.last.At)+reaction).Seconds())
}

// atMost is how far it can have turned then: a limit must not be passed, whichever rate is the true one.
func (o *progress) atMost(now time.Time) sky.Angle {
	a, b := o.ahead(now, o.rate), o.ahead(now, o.latest)
	if o.forward(a) > o.forward(b) {
		return a
	}
	return b
}

// heard takes the rate from a new report.
func (o *progress) heard(r report) {
	if r.at.Before(o.began) {
		return
	}
	if len(o.reports) == 0 {
		o.reports = []report{{o.began, o.onTrial}}
	}
	o.reports = append(o.reports, r)
	o.rate, o.reports = rateSince(o.reports, rateOver)
	o.latest, _ = rateSince(o.reports, latestOver)
}

// rateSince is the rate over at least a time, if reports go so far back, and the reports that it takes.
func rateSince(reports []report, over time.Duration) (float64, []report) {
	last := reports[len(reports)-1]
	for len(reports) > 2 && last.at.Sub(reports[1].at) >= over {
		reports = reports[1:]
	}
	dt := last.at.Sub(reports[0].at).Seconds()
	if dt <= 0 {
		return 0, reports
	}
	return float64(last.turned-reports[0].turned) / dt, reports
}

// forward is an angle as seen along the way that was asked for.
func (o *progress) forward(angle sky.Angle) sky.Angle {
	if o.move.By < 0 {
		return -angle
	}
	return angle
}

// upToEnd is an angle turned, or the whole turn where it is more.
func (o *progress) upToEnd(turned sky.Angle) sky.Angle {
	if o.forward(turned) > o.move.By.Abs() {
		return o.move.By
	}
	return turned
}

// turnedAt is how far the axis has turned where it stands by a report.
func (o *progress) turnedAt(p Position) sky.Angle {
	if o.move.Axis == RightAscension {
		return o.turned + (p.Hour - o.start.Hour - o.turned).Signed()
	}
	return p.Dec - o.start.Dec
}

// underWay takes where the axis stands once it was told to turn the way that it is to go.
func (o *progress) underWay(p Position, s devices.MountState, now time.Time) {
	o.began, o.bestAt, o.last = now, now, s
	o.turned = o.turnedAt(p)
	o.onTrial = o.turned
}

// take brings a report in: where the axes stand by it. It fails when the movement has to end at
// once; done tells that it ends as it should.
func (o *progress) take(p Position, s devices.MountState, now time.Time) (done bool, err error) {
	if s.At.After(o.last.At) {
		o.turned, o.last = o.turnedAt(p), s
		o.heard(report{s.At, o.turned})
	}
	forward, all := o.forward(o.turned), o.move.By.Abs()
	if forward > o.best+seenTurning {
		o.best, o.bestAt = forward, now
	}
	if err := o.reported(s, now); err != nil {
		return false, err
	}
	if err := o.otherAxis(p, now); err != nil {
		return false, err
	}
	switch {
	case forward < min(0, o.forward(o.onTrial))-wrongWay:
		return false, sky.Refuse(ErrStalled, "stalled_wrong_way", "it turned the wrong way; look at its setting of reversed motion")
	case forward > all+tooFar:
		return false, sky.Refuse(ErrStalled, "stalled_too_far", "it went %s degrees too far", whole(forward-all))
	case o.selfEnds && !s.Moving && forward > all-min(tooFar, all/2), !o.selfEnds && o.forward(o.ahead(now, o.rate)) >= all:
		return true, nil
	case o.best == 0 && now.Sub(o.began) > startTime:
		return false, sky.Refuse(ErrStalled, "stalled_still", "it was told to turn %s s ago, and stands still", sky.Decimal{Value: now.Sub(o.began).Seconds()})
	case o.best > 0 && now.Sub(o.bestAt) > stallTime:
		return false, sky.Refuse(ErrStalled, "stalled_after", "it came to a stand after %s of %s degrees", whole(o.best), whole(all))
	case now.Sub(o.began) > longestTurn:
		return false, sky.Refuse(devices.ErrTimeout, "turns_on", "after %s minutes it is still turning", sky.Decimal{Value: longestTurn.Minutes()})
	}
	return false, nil
}

// reported looks at what the mount says besides where it is.
func (o *progress) reported(s devices.MountState, now time.Time) error {
	// A mount that stands may have reported last long ago.
	heard := s.At
	if heard.Before(o.began) {
		heard = o.began
	}
	switch {
	case s.Parked:
		return sky.Refuse(ErrStalled, "stalled_parked", "it reports to be parked")
	case s.Trouble.Text != "":
		return sky.Refuse(devices.ErrDevice, "device_problem", "%s", s.Trouble)
	case s.Side != o.side && !o.over:
		return sky.Refuse(ErrStalled, "stalled_side", "it began to change its side of the pier")
	case now.Sub(heard) > silence:
		return sky.Refuse(devices.ErrTimeout, "mount_silent", "the mount has not reported where it is for %s s", sky.Decimal{Value: now.Sub(heard).Seconds()})
	}
	return nil
}

// siderealRate is the turn of the sky in a second of time.
const siderealRate = 15.041 * sky.Arcsecond

// otherAxis fails where the axis that was not to turn has done so.
func (o *progress) otherAxis(p Position, now time.Time) error {
	if o.move.Axis == RightAscension {
		if moved := (p.Dec - o.start.Dec).Abs(); moved > decMoved {
			return &sky.Refusal{Kind: ErrDeclination, Why: sky.Say("dec_moved_by", "the declination moved by %s degrees while only right ascension was to turn", tenths(moved))}
		}
		return nil
	}
	// The drive may run or stand. Near the pole hour angles mean little, and count by what they are on the sky.
	hour := (p.Hour - o.start.Hour).Signed()
	most := decMoved
	if o.over {
		most = coneError
	}
	driven := hour - siderealRate*sky.Angle(now.Sub(o.began).Seconds())
	if moved := min(hour.Abs(), driven.Abs()) * sky.Angle(math.Abs(p.Dec.Cos())); moved > most {
		return &sky.Refusal{Kind: ErrHour, Why: sky.Say("ra_moved_by", "right ascension moved by %s degrees while only declination was to turn", tenths(moved))}
	}
	return nil
}

// turn turns one axis, watched, and waits until it stands. However it ends, the mount has been
// told to stop; an error of that comes joined.
func (m *Measurer) turn(ctx context.Context, move Move) (err error) {
	m.turning = move.Axis
	defer func() { m.turning = "" }()
	s, w, err := m.look(ctx)
	if err != nil {
		return err
	}
	if v := standstill(s); v != nil {
		return v
	}
	from := m.stand
	if v := m.opt.Limits.check(w, from, []Move{move}, from.since(m.origin), m.home); v != nil {
		return v
	}
	now := time.Now()
	o := &progress{move: move, over: from.add(move.along(move.By)).Beyond() != from.Beyond(), began: now, bestAt: now, start: from, side: s.Side, last: s}
	if err := ctx.Err(); err != nil {
		return err
	}
	// From here on the mount may move.
	if o.selfEnds, err = m.begun(ctx, move, from); err == nil {
		s, _, err = m.look(ctx)
	}
	if err == nil {
		o.underWay(m.stand, s, time.Now())
		err = m.follow(ctx, o)
	}
	if stopErr := m.Stop(); stopErr != nil {
		if errors.Is(err, devices.ErrLost) && errors.Is(stopErr, devices.ErrLost) {
			return stopErr // which says that, and more
		}
		return errors.Join(err, stopErr)
	}
	if err != nil {
		return err
	}
	if err := m.halted(ctx); err != nil || !o.over {
		return err
	}
	return m.changedSides(ctx, o.side)
}

// begun has the mount begin a movement.
func (m *Measurer) begun(ctx context.Context, move Move, from Position) (selfEnds bool, err error) {
	if move.Axis == RightAscension {
		return m.mount.Turn(ctx, move.By)
	}
	by := move.By
	if from.Beyond() { // there the declination that is reported falls
		by = -by
	}
	return false, m.mount.TurnDeclination(ctx, by)
}

// changedSides fails where the mount does not report the other side of the pier after it went over
// the pole.
func (m *Measurer) changedSides(ctx context.Context, before devices.PierSide) error {
	s, _, err := m.look(ctx)
	if err == nil && (s.Side == before || s.Side == devices.SideUnknown) {
		err = sky.Refuse(ErrWhere, "side_unreported", "it went over the pole and does not report the other side of the pier")
	}
	return err
}

// follow looks after a movement until it is to end.
func (m *Measurer) follow(ctx context.Context, o *progress) error {
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
		now := time.Now()
		if done, err := o.take(m.stand, s, now); err != nil || done {
			return err
		}
		// Not beyond the end, which was planned within the limits and may lie at one: how far a turn may go past it, take says.
		here, ahead := o.upToEnd(o.turned), o.upToEnd(o.atMost(now))
		at := o.start.add(o.move.along(here))
		rest := Move{o.move.Axis, ahead - here}
		if v := m.opt.Limits.leg(w, at, rest, 0, at.since(m.origin), m.home); v != nil {
			return v
		}
		if (o.turned - told).Abs() >= progressEach {
			told = o.turned
			m.tell(Progress{Stage: Turning, Axis: o.move.Axis, Turned: o.turned, Of: o.move.By})
		}
	}
}

// halted waits until the mount stands.
func (m *Measurer) halted(ctx context.Context) error {
	err := devices.AwaitRest(ctx, m.opt.Settle, func() (Position, bool, error) {
		s, _, err := m.look(ctx)
		return m.stand, s.Moving, err
	}, func(from, to Position) sky.Angle {
		turned := to.since(from)
		return max(turned.Hour.Abs()*sky.Angle(math.Abs(to.Dec.Cos())), turned.Dec.Abs())
	})
	if errors.Is(err, devices.ErrRunsOn) {
		return errors.Join(err, m.Stop())
	}
	return err
}
