package devicestest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"sync"
	"time"

	"polard/catalogs"
	"polard/fits"
	"polard/mountmodel/observed"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"
)

// Faults that a rig can be given.
const (
	NoFault         = ""
	FaultStall      = "stall"       // the axis stands still although it is told to turn
	FaultDec        = "declination" // declination creeps while right ascension turns
	FaultWhere      = "where"       // it reports to be 30 degrees from where it is
	FaultMute       = "mute"        // an exposure never ends
	FaultCut        = "cut"         // pictures arrive incomplete
	FaultKeepsGoing = "keeps_going" // it does not stop
	FaultHour       = "hour_angle"  // right ascension creeps while declination turns
	FaultPole       = "pole"        // declination stands still a little before the pole
)

// Speed is how fast the rig turns when told to, in a second.
const Speed = 5 * sky.Degree

// Rig is a rehearsed mount and camera in real time, for whatever protocol stands before it.
type Rig struct {
	mu       sync.Mutex
	rig      *rehearsal.Rig
	config   rehearsal.Config
	shift    time.Duration // rig's time minus the clock's
	moved    time.Time     // up to when motion is in the rig
	moving   float64       // radians a second, west positive
	lifting  float64       // radians a second of the declination axis, away from the pole on the first side
	target   *sky.Angle    // of a motion to coordinates: what is left of it
	tracking bool
	fault    string
	polar    sky.Angle // from the pole to the tube, negative on the other side of the pier
}

// NewRig sets a rig up. At the clock's present, the rig stands as config.Start has it.
func NewRig(config rehearsal.Config) (*Rig, error) {
	cat, err := catalogs.Open()
	if err != nil {
		return nil, err
	}
	r, err := rehearsal.NewRig(cat, config)
	if err != nil {
		return nil, err
	}
	now := time.Now()
	return &Rig{rig: r, config: config, shift: config.Start.Sub(now), moved: now, tracking: config.Mount.Tracking, polar: config.Mount.PolarDistance}, nil
}

// Now is the rig's time.
func (r *Rig) Now() time.Time { return time.Now().Add(r.shift) }

// advance brings the motion of the axis into the rig; r.mu is held.
func (r *Rig) advance() error {
	now := time.Now()
	dt := now.Sub(r.moved).Seconds()
	r.moved = now
	if r.fault == FaultStall {
		return nil
	}
	err := r.lift(sky.Angle(r.lifting * dt))
	if r.moving == 0 {
		return err
	}
	by := sky.Angle(r.moving * dt)
	if r.target != nil {
		if by.Abs() >= r.target.Abs() {
			by, r.moving = *r.target, 0
		}
		*r.target -= by
	}
	err = errors.Join(err, r.rig.TurnRA(by))
	if r.fault == FaultDec {
		away := by.Abs() / 5
		r.polar += away
		err = errors.Join(err, r.rig.TurnDeclination(away))
	}
	return err
}

// lift turns the declination axis; r.mu is held.
func (r *Rig) lift(away sky.Angle) error {
	if away == 0 || r.fault == FaultPole && (r.polar+away).Abs() < 10*sky.Degree {
		return nil
	}
	r.polar += away
	err := r.rig.TurnDeclination(away)
	if r.fault == FaultHour {
		err = errors.Join(err, r.rig.TurnRA(away.Abs()/5))
	}
	return err
}

// Report is what the rig says of itself.
type Report struct {
	RA, Dec, Sidereal          sky.Angle
	Moving, Tracking, EastSide bool
}

// Report reads circles and switches.
func (r *Rig) Report() (Report, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if err := r.advance(); err != nil {
		return Report{}, err
	}
	o, err := observed.NewObserver(r.config.Site, r.config.Air, r.Now(), 0)
	if err != nil {
		return Report{}, err
	}
	hour := r.rig.Reading(r.Now()).HourAngle
	if r.polar < 0 { // beyond the pole the tube points to the other half of the sky
		hour += sky.Turn / 2
	}
	dec := 90*sky.Degree - r.polar.Abs()
	if r.config.Site.South() {
		dec = -dec
	}
	out := Report{
		RA: (o.LocalSidereal() - hour).Positive(), Dec: dec, Sidereal: o.LocalSidereal(),
		Moving: r.moving != 0 || r.lifting != 0, Tracking: r.tracking, EastSide: hour.Signed() > 0,
	}
	if r.fault == FaultWhere {
		out.RA = (out.RA - 30*sky.Degree).Positive()
	}
	return out, nil
}

// Lift turns the declination axis at a rate, radians a second, north positive on the side of the
// pier that the tube is on, until that is 0.
func (r *Rig) Lift(rate float64) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	err := r.advance()
	if rate == 0 && r.fault == FaultKeepsGoing {
		return err
	}
	if r.config.Site.South() != (r.polar < 0) {
		rate = -rate
	}
	r.lifting = -rate
	return err
}

// Halt ends all motion.
func (r *Rig) Halt() error { return errors.Join(r.Move(0), r.Lift(0)) }

// Move turns the axis at a rate, radians a second, west positive, until that is 0.
func (r *Rig) Move(rate float64) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	err := r.advance()
	if rate != 0 || r.fault != FaultKeepsGoing {
		r.moving, r.target = rate, nil
	}
	return err
}

// Goto turns the axis to a right ascension, the short way.
func (r *Rig) Goto(ra sky.Angle) error {
	at, err := r.Report()
	if err != nil {
		return err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	by := (at.RA - ra).Signed()
	r.target, r.moving = &by, float64(Speed)
	if by < 0 {
		r.moving = -r.moving
	}
	return nil
}

// SetTracking switches the drive.
func (r *Rig) SetTracking(on bool) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	err := r.advance()
	r.tracking = on
	r.rig.SetTracking(on, r.Now())
	return err
}

// Bolts turns the two bolts clockwise.
func (r *Rig) Bolts(altitude, azimuth float64) error {
	return errors.Join(r.rig.TurnAltitudeBolt(altitude), r.rig.TurnAzimuthBolt(azimuth))
}

// SetFault gives the rig a fault, or takes it.
func (r *Rig) SetFault(name string) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	err := r.advance()
	r.fault = name
	return err
}

// Config is what the rig was made from.
func (r *Rig) Config() rehearsal.Config { return r.config }

// Expose waits for an exposure and gives its frame. The exposure is that of the rig; wait is how
// long the caller is made to wait for it.
func (r *Rig) Expose(ctx context.Context, wait time.Duration) (*fits.Frame, error) {
	r.mu.Lock()
	err := r.advance()
	frame, drawErr := r.rig.Expose(r.Now().Round(time.Millisecond))
	mute := r.fault == FaultMute
	r.mu.Unlock()
	if err := errors.Join(err, drawErr); err != nil {
		return nil, err
	}
	if mute {
		<-ctx.Done()
		return nil, ctx.Err()
	}
	select {
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-time.After(wait):
		return frame, nil
	}
}

// FITS is a frame as the bytes of a file.
func FITS(f *fits.Frame) ([]byte, error) {
	var b bytes.Buffer
	err := fits.Write(&b, f)
	return b.Bytes(), err
}

// Cutting tells whether pictures are to arrive incomplete.
func (r *Rig) Cutting() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.fault == FaultCut
}

// tell writes to standard error, which the server keeps in its log.
func tell(format string, args ...any) {
	fmt.Fprintln(os.Stderr, strings.TrimSpace(fmt.Sprintf(format, args...)))
}
