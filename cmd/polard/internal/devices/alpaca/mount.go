package alpaca

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"strconv"
	"sync"
	"time"

	"polard/cmd/polard/internal/devices"
	"polard/mountmodel/sky"
)

// Mount is a mount of a server.
type Mount struct {
	c    *Client
	name string

	mu    sync.Mutex
	slow  slowState
	sign  float64 // rate of MoveAxis that goes west; 0 while not known
	place *place  // once open
}

// slowState is what is asked for less often than where the mount is.
type slowState struct {
	at               time.Time
	tracking, parked bool
	side             devices.PierSide
	j2000            bool
	site             *sky.Site
	noParked, noSide bool // it does not implement them
}

// slowLife is how long it is believed while the mount stands still or moves alike: parking and
// flips are noticed within it, and by the movement itself at once.
const slowLife = 500 * time.Millisecond

// Mount gives the mount of a name; whether there is one shows when it is used.
func (c *Client) Mount(name string) devices.Mount { return &Mount{c: c, name: name} }

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
	for _, q := range []struct {
		property string
		to       any
	}{{"rightascension", &ra}, {"declination", &dec}, {"slewing", &slewing}} {
		if err := m.c.get(ctx, p, q.property, q.to); err != nil && !(q.property == "slewing" && missing(err)) {
			return devices.MountState{}, err
		}
	}
	return devices.MountState{
		At: time.Now(), RA: sky.Angle(ra) * sky.Hour, Dec: sky.Angle(dec) * sky.Degree, J2000: slow.j2000,
		Moving: slewing, Tracking: slow.tracking, Parked: slow.parked, Side: slow.side, Site: slow.site,
	}, nil
}

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
	first := s.at.IsZero()
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
	if first {
		system := 0
		if err := m.c.get(ctx, p, "equatorialsystem", &system); err != nil && !missing(err) {
			return s, err
		}
		s.j2000 = system == equatorialJ2000
		s.site = m.site(ctx, p)
	}
	s.at = time.Now()
	m.mu.Lock()
	m.slow = s
	m.mu.Unlock()
	return s, nil
}

// site is where the mount believes to stand; nil when it does not tell.
func (m *Mount) site(ctx context.Context, p place) *sky.Site {
	var lat, lon, elevation float64
	if m.c.get(ctx, p, "sitelatitude", &lat) != nil || m.c.get(ctx, p, "sitelongitude", &lon) != nil || lat == 0 && lon == 0 {
		return nil
	}
	_ = m.c.get(ctx, p, "siteelevation", &elevation) // 0 where it is not told
	site := sky.Site{Latitude: sky.Angle(lat) * sky.Degree, Longitude: sky.Angle(lon) * sky.Degree, ElevationM: elevation}
	if site.Check() != nil {
		return nil
	}
	return &site
}

const (
	// briskRate is how fast the axis is turned where the mount allows it, in degrees a second.
	briskRate = 2.0
	// probeRate is how fast it begins while it is not known which sign goes west: the protocol does
	// not say.
	probeRate = 0.5
	// probed is the turn that tells, above noise and tracking, and probeTime how long it is waited for.
	probed    = 0.1 * sky.Degree
	probeTime = 3 * time.Second
	primary   = "0" // TelescopeAxis
)

// Turn begins to turn the right ascension axis: by MoveAxis, or, for a mount without it, to
// coordinates of the same declination.
func (m *Mount) Turn(ctx context.Context, by sky.Angle) (selfStops bool, err error) {
	p, err := m.where(ctx)
	if err != nil {
		return false, err
	}
	can := false
	if err := m.c.getAxis(ctx, p, "canmoveaxis", &can); err != nil && !missing(err) {
		return false, err
	}
	if !can {
		return true, m.slew(ctx, p, by)
	}
	rate, err := m.rate(ctx, p)
	if err != nil {
		return false, err
	}
	m.mu.Lock()
	sign := m.sign
	m.mu.Unlock()
	if sign == 0 {
		if sign, err = m.probe(ctx, p, by, min(rate, probeRate)); err != nil {
			return false, err
		}
	}
	if by < 0 {
		sign = -sign
	}
	return false, m.move(ctx, p, sign*rate)
}

// getAxis asks something of the right ascension axis.
func (c *Client) getAxis(ctx context.Context, p place, property string, value any) error {
	return c.get(ctx, p, property+"?Axis="+primary, value)
}

func (m *Mount) move(ctx context.Context, p place, rate float64) error {
	return m.c.put(ctx, p, "moveaxis", answerTimeout, url.Values{"Axis": {primary}, "Rate": {strconv.FormatFloat(rate, 'f', -1, 64)}})
}

// rate is the mount's rate next to the one wanted.
func (m *Mount) rate(ctx context.Context, p place) (float64, error) {
	var ranges []struct{ Minimum, Maximum float64 }
	if err := m.c.getAxis(ctx, p, "axisrates", &ranges); err != nil {
		return 0, err
	}
	best := 0.0
	for _, r := range ranges {
		if near := min(max(briskRate, r.Minimum), r.Maximum); near > 0 && (best == 0 || abs(near-briskRate) < abs(best-briskRate)) {
			best = near
		}
	}
	if best == 0 {
		return 0, fmt.Errorf("%w: %s names no rate at which its right ascension axis can be moved", devices.ErrMissing, m.name)
	}
	return best, nil
}

func abs(x float64) float64 { return max(x, -x) }

// probe begins to turn slowly and looks which way that goes. Right ascension falls while the axis
// turns west.
func (m *Mount) probe(ctx context.Context, p place, by sky.Angle, rate float64) (west float64, err error) {
	from, err := m.State(ctx)
	if err != nil {
		return 0, err
	}
	sign := 1.0
	if by < 0 {
		sign = -1
	}
	if err := m.move(ctx, p, sign*rate); err != nil {
		return 0, err
	}
	for limit := time.Now().Add(probeTime); time.Now().Before(limit); {
		select {
		case <-ctx.Done():
			return 0, ctx.Err()
		case <-time.After(pollTime):
		}
		s, err := m.State(ctx)
		if err != nil {
			return 0, err
		}
		if turned := (from.RA - s.RA).Signed(); turned.Abs() > probed {
			west = 1
			if float64(turned)*sign < 0 {
				west = -1
			}
			m.mu.Lock()
			m.sign = west
			m.mu.Unlock()
			return west, nil
		}
	}
	return 1, nil // it did not move: whoever watches it will tell
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
		return fmt.Errorf("%w: %s would change its side of the pier on the way", devices.ErrDevice, m.name)
	}
	if err := m.c.put(ctx, p, "slewtocoordinatesasync", answerTimeout, where); err != nil {
		if missing(err) {
			return fmt.Errorf("%w: %s has no way to turn its right ascension axis alone", devices.ErrMissing, m.name)
		}
		return err
	}
	return nil
}

// Stop ends all motion: of the axis at a rate, and of slews.
func (m *Mount) Stop(ctx context.Context) error {
	p, err := m.where(ctx)
	if err != nil {
		return m.unstopped(err)
	}
	ends := make(chan error, 2)
	go func() { ends <- m.move(ctx, p, 0) }()
	go func() { ends <- m.c.put(ctx, p, "abortslew", answerTimeout, nil) }()
	for range 2 {
		// A mount that lacks one of them, is parked or does not slew refuses it by number.
		var r *refusal
		if one := <-ends; one != nil && !errors.As(one, &r) {
			err = one
		}
	}
	if err != nil {
		return m.unstopped(err)
	}
	return nil
}

func (m *Mount) unstopped(err error) error {
	return fmt.Errorf("%w: %s could not be told to stop. Be ready to switch it off", err, m.name)
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
