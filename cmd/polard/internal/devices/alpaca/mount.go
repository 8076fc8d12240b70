package alpaca

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/url"
	"strconv"
	"sync"
	"time"

	"polard/cmd/polard/internal/devices"
	"polard/mountmodel/sky"

	"golang.org/x/sync/errgroup"
)

// Mount is a mount of a server.
type Mount struct {
	c    *Client
	name string

	mu    sync.Mutex
	slow  slowState
	sense map[sensed]float64 // sign of the rate of MoveAxis that goes west, or north, once seen
	place *place             // once open
}

// sensed is what the sense of a rate depends on: the protocol does not say which way is positive,
// and on the other side of the pier declination turns round.
type sensed struct {
	axis string
	side devices.PierSide
}

// slowState is what is asked for less often than where the mount is.
type slowState struct {
	at               time.Time
	tracking, parked bool
	side             devices.PierSide
	j2000, free      bool
	level            bool // on an altitude-azimuth mount
	site             *sky.Site
	noParked, noSide bool // it does not implement them, or they say nothing
}

// slowLife is how long it is believed while the mount stands still or moves alike: parking and
// flips are noticed within it, and by the movement itself at once.
const slowLife = 500 * time.Millisecond

// Mount gives the mount of a name; whether there is one shows when it is used.
func (c *Client) Mount(name string) devices.Mount {
	return &Mount{c: c, name: name, sense: make(map[sensed]float64)}
}

// Name is what the user chose it by.
func (m *Mount) Name() string { return m.name }

// where opens the mount once.
func (m *Mount) where(ctx context.Context) (place, error) {
	m.mu.Lock()
	known := m.place
	m.mu.Unlock()
	if known != nil {
		return *known, nil
	}
	p, err := m.c.open(ctx, devices.KindMount, m.name)
	if err != nil {
		return p, err
	}
	m.mu.Lock()
	m.place = &p
	m.mu.Unlock()
	return p, nil
}

// State asks the mount.
func (m *Mount) State(ctx context.Context) (devices.MountState, error) {
	s, err := m.state(ctx)
	var r *refusal
	if errors.As(err, &r) && r.number == errNotConnected {
		// The server was started anew: it is connected to the hardware again.
		m.mu.Lock()
		m.place, m.slow = nil, slowState{}
		m.mu.Unlock()
		return devices.MountState{}, fmt.Errorf("%w: %w", devices.ErrLost, err)
	}
	return s, err
}

func (m *Mount) state(ctx context.Context) (devices.MountState, error) {
	p, err := m.where(ctx)
	if err != nil {
		return devices.MountState{}, err
	}
	slow, err := m.slowly(ctx, p)
	if err != nil {
		return devices.MountState{}, err
	}
	var ra, dec float64
	var slewing bool
	var at time.Time
	group, within := errgroup.WithContext(ctx)
	group.Go(func() error {
		err := m.c.get(within, p, "rightascension", &ra)
		at = time.Now()
		return err
	})
	group.Go(func() error { return m.c.get(within, p, "declination", &dec) })
	group.Go(func() error {
		if err := m.c.get(within, p, "slewing", &slewing); !missing(err) {
			return err
		}
		return nil
	})
	if err := group.Wait(); err != nil {
		return devices.MountState{}, err
	}
	out := devices.MountState{
		At: at, RA: sky.Angle(ra) * sky.Hour, Dec: sky.Angle(dec) * sky.Degree, J2000: slow.j2000,
		Moving: slewing, Tracking: slow.tracking, Parked: slow.parked, Side: slow.side, Site: slow.site, FreeAxes: slow.free,
	}
	if slow.level {
		out.Trouble = sky.Say("mount_altaz", "it stands on an altitude-azimuth mount, which has no right ascension axis to measure")
	}
	return out, nil
}

// Alignments of a mount (Device API, AlignmentMode: 0 altitude-azimuth, 1 polar, 2 German polar).
const (
	alignedLevel = 0
	alignedPolar = 1
)

// equatorialJ2000 is the type of coordinates of J2000 (Device API, EquatorialCoordinateType: 0 other,
// 1 topocentric, 2 J2000, 3 J2050, 4 B1950).
const equatorialJ2000 = 2

func (m *Mount) slowly(ctx context.Context, p place) (slowState, error) {
	m.mu.Lock()
	s := m.slow
	m.mu.Unlock()
	if time.Since(s.at) < slowLife {
		return s, nil
	}
	if s.at.IsZero() {
		if err := m.once(ctx, p, &s); err != nil {
			return s, err
		}
	}
	if err := m.c.get(ctx, p, "tracking", &s.tracking); err != nil && !missing(err) {
		return s, err
	}
	if !s.noParked {
		err := m.c.get(ctx, p, "atpark", &s.parked)
		if s.noParked = missing(err); err != nil && !s.noParked {
			return s, err
		}
	}
	if !s.noSide {
		side := -1
		err := m.c.get(ctx, p, "sideofpier", &side)
		if s.noSide = missing(err); err != nil && !s.noSide {
			return s, err
		}
		s.side = map[int]devices.PierSide{0: devices.SideEast, 1: devices.SideWest}[side]
	}
	s.at = time.Now()
	m.mu.Lock()
	m.slow = s
	m.mu.Unlock()
	return s, nil
}

// once asks for what does not change.
func (m *Mount) once(ctx context.Context, p place, s *slowState) error {
	system, alignment := 0, -1
	second := false
	for _, q := range []struct {
		property string
		to       any
	}{
		{"equatorialsystem", &system}, {"alignmentmode", &alignment},
		{"canmoveaxis?Axis=" + primary, &s.free}, {"canmoveaxis?Axis=" + secondary, &second},
	} {
		if err := m.c.get(ctx, p, q.property, q.to); err != nil && !missing(err) {
			return err
		}
	}
	s.j2000, s.free = system == equatorialJ2000, s.free && second
	s.level, s.noSide = alignment == alignedLevel, alignment == alignedPolar
	s.site = m.site(ctx, p)
	return nil
}

// site is where the mount believes to stand; nil when it does not tell.
func (m *Mount) site(ctx context.Context, p place) *sky.Site {
	var lat, lon, elevation float64
	if m.c.get(ctx, p, "sitelatitude", &lat) != nil || m.c.get(ctx, p, "sitelongitude", &lon) != nil || lat == 0 && lon == 0 {
		return nil
	}
	_ = m.c.get(ctx, p, "siteelevation", &elevation) // 0 where it is unknown
	site := sky.Site{Latitude: sky.Angle(lat) * sky.Degree, Longitude: sky.Angle(lon) * sky.Degree, ElevationM: elevation}
	if site.Check() != nil {
		return nil
	}
	return &site
}

const (
	// briskRate is how fast an axis is turned where the mount allows it, in degrees a second.
	briskRate = 2.0
	// senseRate is how fast it begins while it is not known which sign goes which way.
	senseRate = 0.5

	primary   = "0" // TelescopeAxis
	secondary = "1"
)

// Turn begins to turn the right ascension axis: by MoveAxis, or, for a mount without it, to
// coordinates of the same declination.
func (m *Mount) Turn(ctx context.Context, by sky.Angle) (selfStops bool, err error) {
	p, err := m.where(ctx)
	if err != nil {
		return false, err
	}
	can := false
	if err := m.c.get(ctx, p, "canmoveaxis?Axis="+primary, &can); err != nil && !missing(err) {
		return false, err
	}
	if !can {
		return true, m.slew(ctx, p, by)
	}
	return false, m.turn(ctx, p, primary, by, devices.Westward)
}

// TurnDeclination begins to turn the declination axis by MoveAxis.
func (m *Mount) TurnDeclination(ctx context.Context, by sky.Angle) error {
	p, err := m.where(ctx)
	if err != nil {
		return err
	}
	return m.turn(ctx, p, secondary, by, devices.Northward)
}

// turn begins to turn an axis towards what grows, or falls when by is negative.
func (m *Mount) turn(ctx context.Context, p place, axis string, by sky.Angle, grown func(from, to devices.MountState) sky.Angle) error {
	slow, brisk, err := m.rates(ctx, p, axis)
	if err != nil {
		return err
	}
	s, err := m.State(ctx)
	if err != nil {
		return err
	}
	key := sensed{axis: axis}
	if axis == secondary {
		key.side = s.Side
	}
	m.mu.Lock()
	sign := m.sense[key]
	m.mu.Unlock()
	towards := math.Copysign(1, float64(by))
	if sign == 0 {
		sign, err = devices.Sense(ctx, m, by, func() error { return m.move(ctx, p, axis, towards*slow) }, func() error { return m.move(ctx, p, axis, 0) }, grown)
		if err != nil {
			return err
		}
		if sign != 0 {
			m.mu.Lock()
			m.sense[key] = sign
			m.mu.Unlock()
		}
	}
	if sign < 0 {
		towards = -towards
	}
	return m.move(ctx, p, axis, towards*brisk)
}

func (m *Mount) move(ctx context.Context, p place, axis string, rate float64) error {
	return m.c.put(ctx, p, "moveaxis", answerTimeout, url.Values{"Axis": {axis}, "Rate": {strconv.FormatFloat(rate, 'f', -1, 64)}})
}

// rates are those of an axis next to the ones wanted.
func (m *Mount) rates(ctx context.Context, p place, axis string) (slow, brisk float64, err error) {
	var ranges []struct{ Minimum, Maximum float64 }
	if err := m.c.get(ctx, p, "axisrates?Axis="+axis, &ranges); err != nil {
		return 0, 0, err
	}
	next := func(wanted float64) (best float64) {
		for _, r := range ranges {
			if near := min(max(wanted, r.Minimum), r.Maximum); near > 0 && (best == 0 || math.Abs(near-wanted) < math.Abs(best-wanted)) {
				best = near
			}
		}
		return best
	}
	if brisk = next(briskRate); brisk == 0 {
		return 0, 0, sky.Refuse(devices.ErrMissing, "no_rate", "%s names no rate at which its axis can be moved", m.name)
	}
	return next(min(senseRate, brisk)), brisk, nil
}

// slew goes to coordinates of the same declination.
func (m *Mount) slew(ctx context.Context, p place, by sky.Angle) error {
	s, err := m.State(ctx)
	if err != nil {
		return err
	}
	text := func(x float64) string { return strconv.FormatFloat(x, 'f', 8, 64) }
	where := url.Values{"RightAscension": {text((s.RA - by).Positive().Hours())}, "Declination": {text(s.Dec.Degrees())}}
	side := -1
	if err := m.c.get(ctx, p, "destinationsideofpier?"+where.Encode(), &side); err == nil && s.Side != devices.SideUnknown &&
		side >= 0 && (side == 0) != (s.Side == devices.SideEast) {
		return sky.Refuse(devices.ErrDevice, "would_flip", "%s would change its side of the pier on the way", m.name)
	}
	if err := m.c.put(ctx, p, "slewtocoordinatesasync", answerTimeout, where); err != nil {
		if missing(err) {
			return sky.Refuse(devices.ErrMissing, "no_ra_alone", "%s has no way to turn its right ascension axis alone", m.name)
		}
		return err
	}
	return nil
}

// Stop ends all motion: of the axes at a rate, and of slews.
func (m *Mount) Stop(ctx context.Context) error {
	p, err := m.where(ctx)
	if err != nil {
		return m.unstopped(err)
	}
	ways := []func() error{
		func() error { return m.move(ctx, p, primary, 0) },
		func() error { return m.move(ctx, p, secondary, 0) },
		func() error { return m.c.put(ctx, p, "abortslew", answerTimeout, nil) },
	}
	ends := make(chan error, len(ways))
	for _, way := range ways {
		go func() { ends <- way() }()
	}
	obeyed := false
	var refusals []error
	for range ways {
		// A mount that lacks one of them, is parked or does not slew refuses it by number.
		one := <-ends
		var r *refusal
		switch {
		case one == nil:
			obeyed = true
		case errors.As(one, &r):
			refusals = append(refusals, one)
		default:
			err = one
		}
	}
	if err == nil && !obeyed {
		err = m.stands(ctx, p, errors.Join(refusals...))
	}
	if err != nil {
		return m.unstopped(err)
	}
	return nil
}

// stands is nil where a mount that has refused to stop does not move anyway.
func (m *Mount) stands(ctx context.Context, p place, refused error) error {
	slewing := false
	if err := m.c.get(ctx, p, "slewing", &slewing); err != nil && !missing(err) {
		return err
	}
	if slewing {
		return refused
	}
	return nil
}

func (m *Mount) unstopped(err error) error {
	return sky.Refuse(err, "unstopped", "%s could not be told to stop. Be ready to switch it off", m.name)
}

// SetTracking switches the drive.
func (m *Mount) SetTracking(ctx context.Context, on bool) error {
	p, err := m.where(ctx)
	if err != nil {
		return err
	}
	if err := m.c.put(ctx, p, "tracking", answerTimeout, url.Values{"Tracking": {strconv.FormatBool(on)}}); err != nil {
		return err
	}
	m.mu.Lock()
	m.slow.at = time.Time{}
	m.mu.Unlock()
	return nil
}
