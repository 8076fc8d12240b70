package rehearsal

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"polard/fits"
	"polard/mountmodel/sky"
)

// StationOptions say how a [Station] works. Folder and Now are required.
type StationOptions struct {
	// Folder takes the frames; it must exist.
	Folder string
	// Now tells the time of the rehearsal.
	Now func() time.Time
	// Rest is the time between the end of an exposure and the start of the
	// next; 0 means DefaultRest.
	Rest time.Duration
	// Settle is how long the rig must have been left alone before the shutter
	// opens; 0 means DefaultSettle.
	Settle time.Duration
	// Faults are names of faults to be practised: those that last from the
	// start, the others once, when the bolts, or for those that happen while measuring
	// the RA axis, are turned for the second time.
	Faults []string
	// Changed is called, from any goroutine, after every change of State; nil
	// when nobody listens.
	Changed func()
}

// Defaults of [StationOptions].
const (
	DefaultRest   = time.Second
	DefaultSettle = 700 * time.Millisecond
)

// Station is a rig with a camera program: it exposes by itself into a folder
// while nobody turns anything. An exposure during which the rig was touched is
// thrown away and begun again once it has come to rest.
type Station struct {
	rig *Rig
	opt StationOptions

	touched chan struct{} // holds one token after the rig was touched
	wake    chan struct{} // holds one token after a frame was asked for

	mu                sync.Mutex
	repeating, single bool
	exposing          bool
	written           int
	trouble           error
	turnedAlt         sky.Angle
	turnedAz          sky.Angle
	turns             [2]int   // of the bolts; of the RA axis
	going             []string // faults that last and are going on
	armed             []string // faults still to happen
}

// NewStation prepares a station; [Station.Run] makes it work. It repeats
// exposures from the start.
func NewStation(rig *Rig, opt StationOptions) (*Station, error) {
	if rig == nil || opt.Now == nil {
		return nil, errors.New("a station needs a rig and a clock")
	}
	if info, err := os.Stat(opt.Folder); err != nil {
		return nil, fmt.Errorf("folder for rehearsed frames: %w", err)
	} else if !info.IsDir() {
		return nil, fmt.Errorf("folder for rehearsed frames: %s is a file; give a folder", opt.Folder)
	}
	if opt.Rest <= 0 {
		opt.Rest = DefaultRest
	}
	if opt.Settle <= 0 {
		opt.Settle = DefaultSettle
	}
	if opt.Changed == nil {
		opt.Changed = func() {}
	}
	s := &Station{
		rig: rig, opt: opt, repeating: true,
		touched: make(chan struct{}, 1), wake: make(chan struct{}, 1),
	}
	for _, name := range opt.Faults {
		fault, err := faultNamed(name)
		switch {
		case err != nil:
			return nil, err
		case fault.Lasts:
			if err := s.setFault(fault, true); err != nil {
				return nil, err
			}
		default:
			s.armed = append(s.armed, name)
		}
	}
	return s, nil
}

// StationState is what the rig's owner sees at the mount and on the camera
// program.
type StationState struct {
	Name string
	Reading
	// TurnedAlt and TurnedAz are the turns of the bolts since the start, given
	// as the angles they would make without backlash: up and growing azimuth.
	TurnedAlt, TurnedAz sky.Angle
	// AltPerTurn and AzPerTurn are what one turn clockwise of a bolt does, given the same way.
	AltPerTurn, AzPerTurn sky.Angle
	Repeating, Exposing   bool
	Exposure              time.Duration
	Faults                []FaultState
	Written               int   // frames in the folder
	Trouble               error // why the last frame could not be written
}

// State tells how the station stands.
func (s *Station) State() StationState {
	r := s.rig.Reading(s.opt.Now())
	s.mu.Lock()
	defer s.mu.Unlock()
	return StationState{
		Name: s.rig.config.Name, Reading: r,
		TurnedAlt: s.turnedAlt, TurnedAz: s.turnedAz,
		AltPerTurn: s.rig.config.Mount.AltitudeBolt.PerTurn, AzPerTurn: s.rig.config.Mount.AzimuthBolt.PerTurn,
		Repeating: s.repeating, Exposing: s.exposing, Faults: s.faults(),
		Exposure: s.rig.config.Exposure, Written: s.written, Trouble: s.trouble,
	}
}

// TurnRA turns the RA axis by hand: positive the way the sky turns.
func (s *Station) TurnRA(_ context.Context, by sky.Angle) error {
	err := s.rig.TurnRA(by)
	if err == nil {
		err = s.turned(true)
	}
	return s.touch(err)
}

// TurnAltitudeBolt turns the altitude bolt by as much as raises the axis by an
// angle, if the bolt had no backlash.
func (s *Station) TurnAltitudeBolt(_ context.Context, by sky.Angle) error {
	return s.turnBolt(s.rig.TurnAltitudeBolt, s.rig.config.Mount.AltitudeBolt, by, &s.turnedAlt)
}

// TurnAzimuthBolt turns the azimuth bolt by as much as moves the axis's
// azimuth by an angle, if the bolt had no backlash.
func (s *Station) TurnAzimuthBolt(_ context.Context, by sky.Angle) error {
	return s.turnBolt(s.rig.TurnAzimuthBolt, s.rig.config.Mount.AzimuthBolt, by, &s.turnedAz)
}

func (s *Station) turnBolt(turn func(turns float64) error, b Bolt, by sky.Angle, total *sky.Angle) error {
	err := turn(float64(by / b.PerTurn))
	if err == nil {
		s.mu.Lock()
		*total += by
		s.mu.Unlock()
		err = s.turned(false)
	}
	return s.touch(err)
}

// TurnDeclination swings the tube away from the axis's pole-seeking end.
func (s *Station) TurnDeclination(_ context.Context, by sky.Angle) error {
	return s.touch(s.rig.TurnDeclination(by))
}

// FaultState is a fault that can be practised.
type FaultState struct {
	Fault
	On bool // it is going on, or about to happen
}

// faults tells of all faults; s.mu is held.
func (s *Station) faults() []FaultState {
	var out []FaultState
	for _, f := range Faults() {
		out = append(out, FaultState{f, slices.Contains(s.going, f.Name) || slices.Contains(s.armed, f.Name)})
	}
	return out
}

// SetFault makes a fault happen, or start; or sets one right that lasts.
func (s *Station) SetFault(_ context.Context, name string, on bool) error {
	fault, err := faultNamed(name)
	if err != nil {
		return err
	}
	if !fault.Lasts && !on {
		return fmt.Errorf("%q happens once: there is nothing to set right", name)
	}
	return s.touch(s.setFault(fault, on))
}

func (s *Station) setFault(fault Fault, on bool) error {
	if err := fault.set(s.rig, on, s.opt.Now()); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	same := func(name string) bool { return name == fault.Name }
	s.going, s.armed = slices.DeleteFunc(s.going, same), slices.DeleteFunc(s.armed, same)
	if fault.Lasts && on {
		s.going = append(s.going, fault.Name)
	}
	return nil
}

// faultTurn is the turn with which faults happen that were ordered beforehand: the
// user has begun to measure or to adjust, and is not done.
const faultTurn = 2

// turned counts the turns of the bolts or of the RA axis, and makes happen what was
// ordered for them.
func (s *Station) turned(measuring bool) error {
	of := &s.turns[0]
	if measuring {
		of = &s.turns[1]
	}
	s.mu.Lock()
	*of++
	var due []string
	for _, name := range s.armed {
		if fault, err := faultNamed(name); *of == faultTurn && err == nil && fault.Measuring == measuring {
			due = append(due, name)
		}
	}
	s.mu.Unlock()
	var problem error
	for _, name := range due {
		fault, err := faultNamed(name)
		if err == nil {
			err = s.setFault(fault, true)
		}
		problem = errors.Join(problem, err)
	}
	return problem
}

// Lock locks the bolts of the rig, which moves the axis if that fault is on.
func (s *Station) Lock() error {
	s.rig.Lock()
	return s.touch(nil)
}

// SetDrive switches tracking.
func (s *Station) SetDrive(_ context.Context, on bool) error {
	s.rig.SetTracking(on, s.opt.Now())
	return s.touch(nil)
}

// touch tells Run that the rig was touched, unless that failed.
func (s *Station) touch(err error) error {
	if err != nil {
		return err
	}
	signal(s.touched)
	s.opt.Changed()
	return nil
}

// Expose asks for one frame; it comes as soon as the rig is at rest.
func (s *Station) Expose(context.Context) error {
	s.mu.Lock()
	s.single = true
	s.mu.Unlock()
	signal(s.wake)
	return nil
}

// SetRepeating takes frames again and again, or stops after the one that is
// being exposed.
func (s *Station) SetRepeating(_ context.Context, on bool) error {
	s.mu.Lock()
	s.repeating = on
	s.mu.Unlock()
	signal(s.wake)
	s.opt.Changed()
	return nil
}

func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default: // one is waiting already
	}
}

// Run exposes until ctx ends; it returns nil then. A frame that cannot be
// written is shown in State, and the next one is tried.
func (s *Station) Run(ctx context.Context) error {
	for {
		if !s.waitWanted(ctx) || !s.waitRest(ctx) {
			return nil
		}
		s.expose(ctx)
		if ctx.Err() != nil {
			return nil
		}
	}
}

// expose takes a frame and rests, or throws it away when the rig is touched.
func (s *Station) expose(ctx context.Context) {
	opened := s.opt.Now()
	exposure := s.rig.open(opened.Round(time.Millisecond)) // what a header usually tells
	s.mu.Lock()
	asked := s.single
	s.single, s.exposing = false, true
	s.mu.Unlock()
	s.opt.Changed()

	frame, err := exposure.frame()
	whole := s.wait(ctx, s.rig.config.Exposure-s.opt.Now().Sub(opened))
	if whole && err == nil {
		err = s.write(frame, exposure.number)
	}
	s.mu.Lock()
	s.exposing = false
	switch {
	case !whole:
		s.single = s.single || asked
	default:
		s.trouble = err
		if err == nil {
			s.written++
		}
	}
	s.mu.Unlock()
	s.opt.Changed()

	if !whole || !s.wait(ctx, s.opt.Rest) {
		signal(s.touched) // waitRest has to know
	}
}

// waitWanted waits until a frame is asked for; false when ctx ends.
func (s *Station) waitWanted(ctx context.Context) bool {
	for {
		s.mu.Lock()
		wanted := s.repeating || s.single
		s.mu.Unlock()
		if wanted {
			return ctx.Err() == nil
		}
		select {
		case <-ctx.Done():
			return false
		case <-s.wake:
		}
	}
}

// waitRest waits until the rig has not been touched for the time to settle;
// false when ctx ends.
func (s *Station) waitRest(ctx context.Context) bool {
	select {
	case <-s.touched:
	default:
		return ctx.Err() == nil
	}
	for !s.wait(ctx, s.opt.Settle) {
		if ctx.Err() != nil {
			return false
		}
	}
	return true
}

// wait waits for a time; false when the rig is touched meanwhile or ctx ends.
func (s *Station) wait(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-s.touched:
		return false
	case <-ctx.Done():
		return false
	}
}

// write puts a frame into the folder under another name and renames it, so
// that nobody reads half a frame.
func (s *Station) write(f *fits.Frame, number uint64) error {
	f.Name = fmt.Sprintf("%s_%04d.fits", f.Start.UTC().Format("20060102T150405.000"), number)
	return writeFile(filepath.Join(s.opt.Folder, f.Name), func(w io.Writer) error { return fits.Write(w, f) })
}

func writeFile(path string, content func(io.Writer) error) (err error) {
	part := path + ".part"
	file, err := os.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			os.Remove(part)
		}
	}()
	if err := errors.Join(content(file), file.Close()); err != nil {
		return err
	}
	return os.Rename(part, path)
}
