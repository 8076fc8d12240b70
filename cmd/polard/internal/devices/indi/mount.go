package indi

import (
	"context"
	"errors"
	"fmt"
	"strconv"

	"polard/cmd/polard/internal/devices"
	"polard/mountmodel/sky"
)

const (
	propCoord  = "EQUATORIAL_EOD_COORD"
	propMotion = "TELESCOPE_MOTION_WE"
	propNorth  = "TELESCOPE_MOTION_NS"
	propStop   = "TELESCOPE_ABORT_MOTION"
	propRate   = "TELESCOPE_SLEW_RATE"
	propTrack  = "TELESCOPE_TRACK_STATE"

	motionWest  = "MOTION_WEST"
	motionEast  = "MOTION_EAST"
	motionNorth = "MOTION_NORTH"
	motionSouth = "MOTION_SOUTH"
)

// Mount is a mount of a server.
type Mount struct {
	c    *Client
	name string
	// turning is the connection over which it was last told to turn, until it is told to stop; c.mu
	// guards it.
	turning int
	// north is the sense of the declination's switches on each side of the pier, 1 or -1, once seen:
	// there are drivers that turn it round with the tube. c.mu guards it.
	north map[devices.PierSide]float64
}

// Mount gives the mount of a name; whether there is one shows when it is used.
func (c *Client) Mount(name string) *Mount {
	return &Mount{c: c, name: name, north: make(map[devices.PierSide]float64)}
}

// Name is what the user chose it by.
func (m *Mount) Name() string { return m.name }

// ready waits for a mount that was not asked before to have reported, and to have defined what it has.
func (m *Mount) ready(ctx context.Context) error {
	m.c.mu.Lock()
	if m.turning != 0 && m.turning != m.c.epoch {
		// The connection broke and is there again: the mount was told to stop meanwhile.
		m.c.mu.Unlock()
		return devices.ErrLost
	}
	known, rests := m.c.conn != nil && m.c.tree[m.name].property(propCoord) != nil, m.turning == 0
	m.c.mu.Unlock()
	if !known {
		fresh, err := m.c.open(ctx, m.name, propCoord)
		if err == nil && fresh {
			// What a property is defined with is no report yet.
			err = m.c.await(ctx, answerTimeout, func() (bool, error) {
				p := m.c.tree[m.name].property(propCoord)
				return p != nil && p.updates > 1, nil
			})
		}
		if err != nil {
			return err
		}
	}
	if rests { // the side of the pier is defined after the place
		return m.c.settled(ctx, settle)
	}
	return nil
}

// State is the newest report.
func (m *Mount) State(ctx context.Context) (devices.MountState, error) {
	if err := m.ready(ctx); err != nil {
		return devices.MountState{}, err
	}
	m.c.mu.Lock()
	defer m.c.mu.Unlock()
	d := m.c.tree[m.name]
	coord := d.property(propCoord)
	if coord == nil {
		return devices.MountState{}, devices.ErrLost
	}
	ra, err := coord.number("RA")
	if err != nil {
		return devices.MountState{}, fmt.Errorf("%w: where %s points cannot be read: %w", devices.ErrDevice, m.name, err)
	}
	dec, err := coord.number("DEC")
	if err != nil {
		return devices.MountState{}, fmt.Errorf("%w: where %s points cannot be read: %w", devices.ErrDevice, m.name, err)
	}
	s := devices.MountState{
		At: coord.at, RA: sky.Angle(ra) * sky.Hour, Dec: sky.Angle(dec) * sky.Degree,
		Moving: coord.state == stateBusy, Tracking: d.property(propTrack).on("TRACK_ON"),
		Parked: d.property("TELESCOPE_PARK").on("PARK"),
		Side:   d.side(), Site: d.site(), FreeAxes: d.property(propMotion) != nil && d.property(propNorth) != nil,
	}
	for _, axis := range []string{propMotion, propNorth} {
		p := d.property(axis)
		if p == nil {
			continue
		}
		for _, e := range p.elements {
			s.Moving = s.Moving || e.value == switchOn
		}
		if p.state == stateAlert {
			s.Trouble = trouble(d, sky.Say("mount_disobeys", "does not move as asked"))
		}
	}
	if coord.state == stateAlert {
		s.Trouble = trouble(d, sky.Say("mount_alert", "reports an alert"))
	}
	return s, nil
}

func trouble(d *device, otherwise sky.Saying) sky.Saying {
	if d.said != "" {
		return sky.Saying{Text: d.said}
	}
	return otherwise
}

func (d *device) side() devices.PierSide {
	p := d.property("TELESCOPE_PIER_SIDE")
	switch {
	case p.on("PIER_EAST") && !p.on("PIER_WEST"):
		return devices.SideEast
	case p.on("PIER_WEST") && !p.on("PIER_EAST"):
		return devices.SideWest
	}
	return devices.SideUnknown
}

// site is the place set in the mount; nothing where it was never set.
func (d *device) site() *sky.Site {
	p := d.property("GEOGRAPHIC_COORD")
	lat, err := p.number("LAT")
	lon, lonErr := p.number("LONG")
	elevation, elevationErr := p.number("ELEV")
	if err = errors.Join(err, lonErr, elevationErr); err != nil || lat == 0 && lon == 0 {
		return nil
	}
	site := sky.Site{Latitude: sky.Angle(lat) * sky.Degree, Longitude: (sky.Angle(lon) * sky.Degree).Signed(), ElevationM: elevation}
	if site.Check() != nil {
		return nil
	}
	return &site
}

// Turn begins to turn the right ascension axis: by its motion switch, or, for a mount without
// one, to coordinates of the same declination.
func (m *Mount) Turn(ctx context.Context, by sky.Angle) (selfStops bool, err error) {
	s, err := m.State(ctx)
	if err != nil {
		return false, err
	}
	m.c.mu.Lock()
	d := m.c.tree[m.name]
	motion := d.property(propMotion) != nil
	_, rate := d.rates()
	goTo := d.property(propCoord) != nil && d.property(propCoord).writable
	after := "SLEW" // what the mount does once it is there
	if s.Tracking {
		after = "TRACK"
	}
	coordSet := d.property("ON_COORD_SET").element(after) != nil
	m.c.moving[m.name], m.turning = true, m.c.epoch
	m.c.mu.Unlock()
	switch {
	case motion:
		way := motionWest
		if by < 0 {
			way = motionEast
		}
		return false, m.move(rate, propMotion, way)
	case goTo:
		if coordSet {
			if err := m.c.set("Switch", m.name, "ON_COORD_SET", value{after, switchOn}); err != nil {
				return true, err
			}
		}
		text := func(x float64) string { return strconv.FormatFloat(x, 'f', 8, 64) }
		return true, m.c.set("Number", m.name, propCoord,
			value{"RA", text((s.RA - by).Positive().Hours())}, value{"DEC", text(s.Dec.Degrees())})
	}
	return false, sky.Refuse(devices.ErrMissing, "no_ra_alone", "%s has no way to turn its right ascension axis alone", m.name)
}

// move begins a motion at a rate ("": as it is).
func (m *Mount) move(rate, property, way string) error {
	if rate != "" {
		if err := m.c.set("Switch", m.name, propRate, value{rate, switchOn}); err != nil {
			return err
		}
	}
	return m.c.set("Switch", m.name, property, value{way, switchOn})
}

// rates are two of a mount's list, which stands in growing order: a slow one, which does not go far while it is
// seen which way it goes, and a brisk one, below the fastest. Of two or fewer both are the fastest.
func (d *device) rates() (slow, brisk string) {
	p := d.property(propRate)
	if p == nil || len(p.elements) == 0 {
		return "", ""
	}
	n := len(p.elements)
	if n <= 2 {
		return p.elements[n-1].name, p.elements[n-1].name
	}
	return p.elements[n/3].name, p.elements[n-2].name
}

// TurnDeclination begins to turn the declination axis by its motion switch. Which way that goes on
// this side of the pier is seen first, at a lower rate.
func (m *Mount) TurnDeclination(ctx context.Context, by sky.Angle) error {
	s, err := m.State(ctx)
	if err != nil {
		return err
	}
	if !s.FreeAxes {
		return sky.Refuse(devices.ErrMissing, "no_dec_alone", "%s has no way to turn its declination axis alone", m.name)
	}
	m.c.mu.Lock()
	d := m.c.tree[m.name]
	slow, brisk := d.rates()
	sense := m.north[s.Side]
	m.c.moving[m.name], m.turning = true, m.c.epoch
	m.c.mu.Unlock()
	if sense == 0 {
		sense, err = devices.Sense(ctx, m, by, func() error { return m.move(slow, propNorth, switchTowards(by)) }, func() error {
			return m.c.set("Switch", m.name, propNorth, value{motionNorth, "Off"}, value{motionSouth, "Off"})
		}, devices.Northward)
		if err != nil {
			return err
		}
		if sense != 0 {
			m.c.mu.Lock()
			m.north[s.Side] = sense
			m.c.mu.Unlock()
		}
	}
	if sense < 0 {
		by = -by
	}
	return m.move(brisk, propNorth, switchTowards(by))
}

// switchTowards is the switch that is named after a way in declination.
func switchTowards(by sky.Angle) string {
	if by < 0 {
		return motionSouth
	}
	return motionNorth
}

// Stop ends all motion of the mount. Without a connection that is done first thing when there is
// one again.
func (m *Mount) Stop(context.Context) error {
	m.c.mu.Lock()
	m.c.moving[m.name], m.turning = true, 0
	m.c.mu.Unlock()
	if err := m.c.abortMotion(m.name); err != nil {
		return sky.Refuse(err, "unstopped_yet", "%s could not be told to stop; it is told as soon as there is a connection. Be ready to switch it off", m.name)
	}
	m.c.mu.Lock()
	delete(m.c.moving, m.name)
	m.c.mu.Unlock()
	return nil
}

// abortMotion takes the motion switches back and aborts whatever else moves.
func (c *Client) abortMotion(name string) error {
	err := c.set("Switch", name, propStop, value{"ABORT", switchOn})
	for property, members := range map[string][2]string{propMotion: {motionWest, motionEast}, propNorth: {motionNorth, motionSouth}} {
		if err == nil { // otherwise there is no connection
			err = c.set("Switch", name, property, value{members[0], "Off"}, value{members[1], "Off"})
		}
	}
	return err
}

// SetTracking switches the drive.
func (m *Mount) SetTracking(ctx context.Context, on bool) error {
	s, err := m.State(ctx)
	if err != nil || s.Tracking == on {
		return err
	}
	member := "TRACK_OFF"
	if on {
		member = "TRACK_ON"
	}
	if err := m.c.set("Switch", m.name, propTrack, value{member, switchOn}); err != nil {
		return err
	}
	err = m.c.await(ctx, answerTimeout, func() (bool, error) {
		return m.c.tree[m.name].property(propTrack).on(member), nil
	})
	if errors.Is(err, devices.ErrTimeout) {
		return sky.Refuse(devices.ErrTimeout, "no_tracking", "%s does not switch its tracking", m.name)
	}
	return err
}
