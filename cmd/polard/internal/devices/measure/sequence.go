package measure

import (
	"context"
	"errors"
	"time"

	"polard/cmd/polard/internal/devices"
	"polard/mountmodel/sky"
)

// Stage is what the measurement is at.
type Stage string

// The stages.
const (
	Exposing Stage = "exposing"
	Reading  Stage = "reading"
	Turning  Stage = "turning"
	Waiting  Stage = "waiting" // for the connection to come back
	Measured Stage = "measured"
	Looping  Stage = "looping"
)

// Progress is reported as the measurement goes on.
type Progress struct {
	Stage       Stage
	Number, All int       // of the picture
	Axis        Axis      // that moves
	Turned, Of  sky.Angle // of the movement, west or north positive
	Exposure    time.Duration
	Note        sky.Saying // a sentence, where there is something to say
}

// Seen is what a picture's stars show.
type Seen struct {
	Mid              time.Time
	Solved           bool
	Why              sky.Saying // why it was not solved
	Stars, Saturated int
	// Attitude takes camera directions to observed directions at the site; of solved pictures.
	Attitude sky.Matrix
}

// Options of a measurement.
type Options struct {
	Site   sky.Site
	Air    sky.Air
	Limits Limits
	Shot   devices.Shot // the first: the exposure follows what the pictures show
	// Settle is how long the mount has to stand before it counts as standing.
	Settle time.Duration
	// Patience is how long a lost connection is waited for.
	Patience time.Duration
	// Now is the time by which the sky is reckoned; nil: that of this machine.
	Now func() time.Time
	// Read takes the bytes of a FITS file through the pipeline. It fails only when nothing can go
	// on; a picture without a solution is no failure.
	Read func(ctx context.Context, picture []byte) (Seen, error)
	Tell func(Progress)
	// GoOn asks for the press anew before the mount moves again after a connection was lost while
	// it moved; an error ends the measurement.
	GoOn func(ctx context.Context, sentence string) error
}

// DefaultSettle is how long tubes shake after a turn (common practice: 1 to 3 s).
const DefaultSettle = 2 * time.Second

// DefaultPatience is how long a lost connection is waited for.
const DefaultPatience = 10 * time.Minute

// Measurer measures with one camera and one mount. One goroutine uses it at a time; only Stop may
// be called from others.
type Measurer struct {
	camera devices.Camera
	mount  devices.Mount
	opt    Options
	info   devices.CameraInfo

	origin   Position // where the axes stood when the plan was confirmed
	home     devices.PierSide
	over     bool      // the plan goes over the pole
	drive    bool      // the drive is to run
	stand    Position  // where the axes stand by the newest report
	reported sky.Angle // the hour angle of that, as it was reported
	turning  Axis      // that turns now
	frames   []taken
}

// taken is a solved picture and where the axes stood by the mount's report.
type taken struct {
	seen Seen
	at   Position
}

// New prepares a measurement; it starts nothing.
func New(camera devices.Camera, mount devices.Mount, opt Options) *Measurer {
	if opt.Tell == nil {
		opt.Tell = func(Progress) {}
	}
	if opt.Now == nil {
		opt.Now = time.Now
	}
	return &Measurer{camera: camera, mount: mount, opt: opt}
}

func (m *Measurer) tell(p Progress) { m.opt.Tell(p) }

// Shot is the exposure in use.
func (m *Measurer) Shot() devices.Shot { return m.opt.Shot }

// lookTimeout is how long a report may take to come; a mount that is silent for longer while it
// moves is stopped.
const lookTimeout = 2500 * time.Millisecond

// nearPole is how near the pole neither the side of the pier nor the hour angle that a mount reports
// is relied on, for one may come later than the other.
const nearPole = 10 * sky.Degree

// positionOf is where the axes stand by a report. A direction can be pointed to from either side of
// the pier; a plan that never leaves the first does not ask. Near the pole the hour angle is followed
// only while right ascension turns: the tube of a mount that is not square swings round there.
func (m *Measurer) positionOf(w surroundings, s devices.MountState) Position {
	p := w.position(s)
	if !m.over {
		return p
	}
	other := p.otherwise()
	far := (other.Hour - m.stand.Hour).Signed().Abs() < (p.Hour - m.stand.Hour).Signed().Abs()
	near := s.Dec.Abs() > sky.Turn/4-nearPole
	if s.Side != devices.SideUnknown && !near {
		far = s.Side != m.home
	}
	if far {
		p = other
	}
	reported := p.Hour
	if near {
		p.Hour = m.stand.Hour
		if m.turning == RightAscension {
			p.Hour += (reported - m.reported).Signed()
		}
	}
	m.reported = reported
	return p
}

// look asks the mount where it is.
func (m *Measurer) look(ctx context.Context) (devices.MountState, surroundings, error) {
	w, err := surroundingsAt(m.opt.Site, m.opt.Air, m.opt.Now())
	if err != nil {
		return devices.MountState{}, w, err
	}
	short, cancel := context.WithTimeout(ctx, lookTimeout)
	defer cancel()
	s, err := m.mount.State(short)
	if err != nil && ctx.Err() == nil && errors.Is(err, context.DeadlineExceeded) {
		err = devices.ErrTimeout
	}
	if err == nil {
		m.stand = m.positionOf(w, s)
	}
	return s, w, err
}

// comesToRest is how long a plan waits for a mount to report that it stands: drivers report each
// second or oftener.
const comesToRest = 2 * time.Second

// Propose looks where the mount stands and says what would be moved. Nothing moves.
func (m *Measurer) Propose(ctx context.Context, q Request) (Plan, error) {
	s, err := m.mount.State(ctx) // the first one connects to the hardware, and may take its time
	// A mount that was just told to stop may report so a little later.
	for limit := time.Now().Add(comesToRest); err == nil && s.Moving && time.Now().Before(limit); {
		if err := devices.Pause(ctx, 2*tick); err != nil {
			return Plan{}, err
		}
		s, err = m.mount.State(ctx)
	}
	if err != nil {
		return Plan{}, err
	}
	now := m.opt.Now()
	w, err := surroundingsAt(m.opt.Site, m.opt.Air, now)
	if err != nil {
		return Plan{}, err
	}
	if !q.At.IsZero() {
		stands := w.position(s)
		if w, err = surroundingsAt(m.opt.Site, m.opt.Air, q.At); err != nil {
			return Plan{}, err
		}
		now, s.RA, s.Dec, s.J2000 = q.At, w.observer.LocalSidereal()-stands.Hour, stands.Dec, false
	}
	p, err := propose(w, m.opt.Limits, q, s, now)
	p.Mount = m.mount.Name()
	return p, err
}

// stopTimeout bounds how long is waited for the answer to a stop.
const stopTimeout = time.Second

// Stop stops the mount. It may be called at any time, from any goroutine.
func (m *Measurer) Stop() error {
	ctx, cancel := context.WithTimeout(context.Background(), stopTimeout)
	defer cancel()
	return m.mount.Stop(ctx)
}

// samePlace is how far the mount may have gone since the plan was shown.
const samePlace = 3 * sky.Degree

// Measure carries out a plan that the user has seen and confirmed. It gives what was read, also
// when it fails; the mount stands then, or the error says that it could not be stopped.
func (m *Measurer) Measure(ctx context.Context, plan Plan) (seen []Seen, err error) {
	defer func() {
		if err != nil {
			err = errors.Join(err, m.Stop())
		}
	}()
	if err := m.begin(ctx, plan); err != nil {
		return nil, err
	}
	for i, stop := range plan.Stops {
		if err := m.goTo(ctx, plan, i); err != nil {
			return seen, err
		}
		got, err := m.picture(ctx, i+1, len(plan.Stops))
		seen = append(seen, got...)
		if err != nil {
			return seen, err
		}
		switch {
		case i == 0:
			err = m.checkPointing(ctx, plan)
		case stop.alone():
			err = m.checkTurn()
		default:
			err = m.checkMove()
		}
		if err != nil {
			return seen, err
		}
	}
	m.tell(Progress{Stage: Measured, Number: len(plan.Stops), All: len(plan.Stops)})
	return seen, nil
}

// begin makes sure that the plan is still true.
func (m *Measurer) begin(ctx context.Context, plan Plan) error {
	if len(plan.Stops) < 2 {
		return sky.Refuse(nil, "plan_none", "there is no plan: nothing is moved")
	}
	if age := m.opt.Now().Sub(plan.Made); age > PlanLife || age < 0 {
		return sky.Refuse(nil, "plan_old", "the plan was made %s minutes ago: look at a new one", sky.Decimal{Value: age.Minutes()})
	}
	var err error
	if m.info, err = m.camera.Info(ctx); err != nil {
		return err
	}
	s, w, err := m.look(ctx)
	if err != nil {
		return err
	}
	if v := standstill(s); v != nil {
		return v
	}
	m.over, m.home = false, plan.Home
	m.origin = w.position(s)
	m.stand, m.reported, m.over = m.origin, m.origin.Hour, plan.over()
	if m.over && s.Side != m.home {
		return sky.Refuse(nil, "plan_other_side", "the mount has changed its side of the pier since the plan was shown: look at a new one")
	}
	if sky.Separation(m.origin.Local(w.lat), plan.Stops[0].Local(w.lat)) > samePlace {
		return sky.Refuse(nil, "plan_moved_since", "the mount has moved since the plan was shown: look at a new one")
	}
	if v := m.opt.Limits.check(w, m.origin, plan.moves(), Position{}, m.home); v != nil {
		return v
	}
	m.frames, m.drive = nil, s.Tracking || plan.StartsTracking
	m.opt.Shot.Exposure = max(m.opt.Shot.Exposure, m.info.Shortest)
	if m.info.Longest > 0 {
		m.opt.Shot.Exposure = min(m.opt.Shot.Exposure, m.info.Longest)
	}
	if plan.StartsTracking {
		return m.mount.SetTracking(ctx, true)
	}
	return nil
}

// goTo makes the moves to a stop of the plan.
func (m *Measurer) goTo(ctx context.Context, plan Plan, stop int) error {
	if stop == 0 {
		return nil
	}
	// From where the plan begins; the drive carries the axis on meanwhile, and that does not count.
	target := plan.Stops[stop-1].since(plan.Stops[0].Position)
	for _, move := range plan.Stops[stop].Moves {
		target = target.add(move.along(move.By))
		if err := m.turnTo(ctx, plan, move, target); err != nil {
			return err
		}
	}
	return m.driven(ctx)
}

// driven has the drive run on where stopping a movement has ended it, as some mounts do.
func (m *Measurer) driven(ctx context.Context) error {
	s, _, err := m.look(ctx)
	if errors.Is(err, devices.ErrLost) {
		return nil // which the picture is the first to need
	}
	if err != nil || s.Tracking || !m.drive {
		return err
	}
	return m.mount.SetTracking(ctx, true)
}

// turnTo turns an axis until it is at a target, counted from where it began. When the connection is
// lost on the way, the rest is done once it is back and the user has said so again.
func (m *Measurer) turnTo(ctx context.Context, plan Plan, move Move, target Position) error {
	begun := time.Now()
	for {
		_, _, err := m.look(ctx)
		if err == nil {
			done := m.stand.since(m.origin)
			rest := move.of(target) - move.of(done)
			if move.Axis == RightAscension {
				rest = rest.Signed()
			}
			if rest.Abs() < turnedEnough || rest*move.By <= 0 {
				return nil
			}
			m.tell(Progress{Stage: Turning, Axis: move.Axis, Of: rest})
			err = m.turn(ctx, Move{move.Axis, rest})
		}
		if !errors.Is(err, devices.ErrLost) || ctx.Err() != nil {
			return err
		}
		if err := m.back(ctx, err); err != nil {
			return err
		}
		if m.opt.GoOn == nil {
			return sky.Refuse(devices.ErrLost, "lost_turning", "the mount was turning: begin anew")
		}
		if err := m.opt.GoOn(ctx, "The connection is back and the mount stands. "+plan.Saying().Text); err != nil {
			return err
		}
		if time.Since(begun) > m.opt.Patience {
			return err
		}
	}
}

// back waits until the devices answer again, and has the mount told to stop before all else.
func (m *Measurer) back(ctx context.Context, lost error) error {
	_ = m.Stop() // there may be a connection again already; otherwise the adapter stops it first thing
	m.tell(Progress{Stage: Waiting, Note: sky.Say("note_waiting", "%s: waiting for it to come back", sky.SayingOf(lost))})
	limit := time.Now().Add(m.opt.Patience)
	for {
		_, _, err := m.look(ctx)
		if err == nil {
			return m.Stop()
		}
		if time.Now().After(limit) {
			return lost
		}
		if err := devices.Pause(ctx, 250*time.Millisecond); err != nil {
			return err
		}
	}
}

// attempts is how often a picture is taken until its stars can be read: three steps of the
// exposure, and one for a picture that was lost.
const attempts = 4

// picture takes pictures until one is solved. All that were read are given.
func (m *Measurer) picture(ctx context.Context, number, all int) (seen []Seen, err error) {
	why := sky.Refuse(nil, "no_picture_yet", "no picture")
	for range attempts {
		_, _, err := m.look(ctx)
		at := m.stand
		if err == nil {
			var one Seen
			if one, err = m.expose(ctx, number, all); err == nil {
				seen = append(seen, one)
				if one.Solved {
					m.frames = append(m.frames, taken{one, at})
					return seen, nil
				}
				why = sky.Refuse(nil, "picture_unread", "the stars of picture %d could not be read: %s", number, one.Why)
				continue
			}
		}
		if ctx.Err() != nil {
			return seen, ctx.Err()
		}
		why = err
		if errors.Is(err, devices.ErrLost) {
			if err := m.back(ctx, err); err != nil {
				return seen, err
			}
		} else if errors.Is(err, devices.ErrMissing) {
			return seen, err
		}
		m.tell(Progress{Stage: Waiting, Number: number, All: all, Note: sky.Say("note_again", "%s: taking the picture again", sky.SayingOf(err))})
	}
	return seen, why
}

// expose takes one picture and reads it.
func (m *Measurer) expose(ctx context.Context, number, all int) (Seen, error) {
	m.tell(Progress{Stage: Exposing, Number: number, All: all, Exposure: m.opt.Shot.Exposure})
	data, err := m.camera.Expose(ctx, m.opt.Shot)
	if err != nil {
		return Seen{}, err
	}
	m.tell(Progress{Stage: Reading, Number: number, All: all})
	seen, err := m.opt.Read(ctx, data)
	if err != nil {
		return Seen{}, err
	}
	// A frame that measures is not followed by another kind of frame without need.
	if next, note := nextShot(m.opt.Shot, seen, m.info); note.Text != "" && (!seen.Solved || all == 0) {
		m.opt.Shot = next
		m.tell(Progress{Stage: Reading, Number: number, All: all, Note: note})
	}
	return seen, nil
}

// Loop exposes again and again, while the bolts are turned, until ctx ends; each picture goes
// through Read. It moves nothing. The drive is switched off where following the stars would carry
// the tube beyond a limit.
func (m *Measurer) Loop(ctx context.Context) error {
	for number := 1; ctx.Err() == nil; number++ {
		s, w, err := m.look(ctx)
		if err == nil && s.Tracking {
			if v := m.opt.Limits.check(w, m.stand, nil, m.stand.since(m.origin), m.home); v != nil {
				if err := m.mount.SetTracking(ctx, false); err != nil {
					return errors.Join(v, err, m.Stop())
				}
				m.tell(Progress{Stage: Looping, Note: sky.Say("note_drive_off", "the drive was switched off: %s", v.Why)})
			}
		}
		if err == nil {
			_, err = m.expose(ctx, number, 0)
		}
		switch {
		case ctx.Err() != nil:
		case errors.Is(err, devices.ErrLost):
			if err := m.back(ctx, err); err != nil && ctx.Err() == nil {
				return err
			}
		case errors.Is(err, devices.ErrMissing):
			return err
		case err != nil:
			m.tell(Progress{Stage: Looping, Note: sky.Say("note_next", "%s: taking the next", sky.SayingOf(err))})
			select {
			case <-ctx.Done():
			case <-time.After(time.Second):
			}
		}
	}
	return nil
}
