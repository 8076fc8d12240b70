package measure

import (
	"context"
	"encoding/json"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"polard/cmd/polard/internal/devices"
	"polard/mountmodel/sky"
)

// testSite is one where midnight UTC is night: the clock of a synctest bubble begins at midnight
// UTC of 1 January 2000.
var testSite = sky.Site{Latitude: 46.3 * sky.Degree, Longitude: 13 * sky.Degree, ElevationM: 600}

// rig is a mount and a camera of a test, in bubble time.
type rig struct {
	mu        sync.Mutex
	site      sky.Site
	hour, dec sky.Angle // true, of the axes: beyond the pole dec is more than 90 degrees
	tracking  bool
	moving    float64 // radians a second, west positive
	since     time.Time
	parked    bool
	side      devices.PierSide
	trouble   string
	stops     []time.Time
	turns     int
	shots     int

	speed      sky.Angle // of a commanded turn, for each second
	goesOn     bool      // does not obey a stop
	reportLag  time.Duration
	reported   devices.MountState
	frozen     bool      // reports nothing new
	wrong      sky.Angle // reports another hour angle
	scale      float64   // of reported turns
	decRate    float64   // radians a second while turning
	lifting    float64   // radians a second of the declination axis, north positive
	hourRate   float64   // radians a second of right ascension while lifting
	poleStop   sky.Angle // how far from the pole the declination axis comes to a stand
	oneSided   bool      // cannot turn the declination axis alone
	sideless   bool      // reports no side of the pier once it is beyond the pole
	lifts      int
	stopsDrive bool      // with every motion
	cone       sky.Angle // of the tube against square to the declination axis; the reports know of it
	blind      bool      // pictures show the tube where it began
	slipAfter  sky.Angle // stands still after so much of a turn
	turnedNow  sky.Angle
	lost       func(*rig) bool
	selfStop   bool
	stopAt     sky.Angle
	expose     func(ctx context.Context, r *rig) error
	cloudy     func(shot devices.Shot) bool
	turnBroken error
	began      sky.Angle
	onState    func(*rig) // r.mu is held
}

func newRig(hour, dec sky.Angle) *rig {
	return &rig{site: testSite, hour: hour, dec: dec, tracking: true, since: time.Now(), speed: 2.5 * sky.Degree, scale: 1, began: hour}
}

const sidereal = 15.041 * sky.Arcsecond // a second of time

// advance brings the rig to now; r.mu is held.
func (r *rig) advance() {
	now := time.Now()
	dt := now.Sub(r.since).Seconds()
	r.since = now
	by := sky.Angle(r.moving * dt)
	if r.slipAfter > 0 && (r.turnedNow+by).Abs() > r.slipAfter {
		by = 0
	}
	if r.selfStop && r.moving != 0 && ((r.hour+by-r.stopAt)*sky.Angle(r.moving) >= 0) {
		by, r.moving = r.stopAt-r.hour, 0
	}
	r.turnedNow += by
	r.hour += by
	if r.moving != 0 { // declination slips along
		r.dec += sky.Angle(r.decRate * dt)
	}
	if lift := sky.Angle(r.lifting * dt); lift != 0 && !(r.poleStop > 0 && (90*sky.Degree-r.dec-lift).Abs() < r.poleStop) {
		r.dec += lift
		r.hour += sky.Angle(r.hourRate * dt)
	}
	if !r.tracking { // the frame of hour angles is fixed to the ground: tracking carries the axis west
		return
	}
	r.hour += sidereal * sky.Angle(dt)
}

func (r *rig) Name() string { return "test rig" }

func (r *rig) Info(context.Context) (devices.CameraInfo, error) { return devices.CameraInfo{}, nil }

func (r *rig) State(context.Context) (devices.MountState, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.lost != nil && r.lost(r) {
		return devices.MountState{}, devices.ErrLost
	}
	r.advance()
	if r.onState != nil {
		r.onState(r)
	}
	now := time.Now()
	if r.frozen && !r.reported.At.IsZero() || now.Sub(r.reported.At) < r.reportLag {
		return r.reported, nil
	}
	w, err := surroundingsAt(r.site, sky.StandardAir(600), now)
	if err != nil {
		return devices.MountState{}, err
	}
	p := Position{r.began + (r.hour-r.began)*sky.Angle(r.scale) + r.wrong, r.dec}
	side := r.side
	if p.Beyond() && side != devices.SideUnknown {
		side = map[devices.PierSide]devices.PierSide{devices.SideEast: devices.SideWest, devices.SideWest: devices.SideEast}[side]
		if r.sideless {
			side = devices.SideUnknown
		}
	}
	if p = p.Pointing(); r.cone != 0 {
		away := 90*sky.Degree - r.dec
		p.Hour = r.hour + sky.Atan2(r.cone.Sin(), away.Sin()*r.cone.Cos())
		p.Dec = sky.Asin(away.Cos() * r.cone.Cos())
	}
	r.reported = devices.MountState{
		At: now, RA: (w.observer.LocalSidereal() - p.Hour).Positive(), Dec: p.Dec, FreeAxes: !r.oneSided,
		Moving: r.moving != 0 || r.lifting != 0, Tracking: r.tracking, Parked: r.parked, Side: side, Trouble: sky.Saying{Text: r.trouble},
	}
	return r.reported, nil
}

func (r *rig) Turn(_ context.Context, by sky.Angle) (bool, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.lost != nil && r.lost(r) {
		return false, devices.ErrLost
	}
	r.advance()
	r.turns++
	if r.turnBroken != nil {
		return false, r.turnBroken
	}
	r.turnedNow, r.stopAt = 0, r.hour+by
	r.moving = float64(r.speed)
	if by < 0 {
		r.moving = -r.moving
	}
	return r.selfStop, nil
}

func (r *rig) TurnDeclination(_ context.Context, by sky.Angle) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.lost != nil && r.lost(r) {
		return devices.ErrLost
	}
	r.advance()
	r.lifts++
	r.lifting = float64(r.speed)
	if (by < 0) != (Position{r.hour, r.dec}.Beyond()) {
		r.lifting = -r.lifting
	}
	return nil
}

func (r *rig) Stop(context.Context) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.advance()
	r.stops = append(r.stops, time.Now())
	if !r.goesOn {
		r.moving, r.lifting = 0, 0
		r.tracking = r.tracking && !r.stopsDrive
	}
	if r.lost != nil && r.lost(r) {
		return devices.ErrLost
	}
	return nil
}

func (r *rig) SetTracking(_ context.Context, on bool) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.advance()
	r.tracking = on
	return nil
}

// Expose gives the truth in place of a picture.
func (r *rig) Expose(ctx context.Context, shot devices.Shot) ([]byte, error) {
	if r.expose != nil {
		if err := r.expose(ctx, r); err != nil {
			return nil, err
		}
	}
	mid := time.Now().Add(shot.Exposure / 2)
	select {
	case <-time.After(shot.Exposure):
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.advance()
	r.shots++
	seen := Seen{Mid: mid, Solved: true, Stars: 100, Attitude: r.attitude()}
	if r.cloudy != nil && r.cloudy(shot) {
		seen.Solved, seen.Stars, seen.Why = false, 5, sky.Saying{Text: "5 stars"}
	}
	return json.Marshal(seen)
}

// attitude of a camera on a perfectly aligned mount; r.mu is held.
func (r *rig) attitude() sky.Matrix {
	north := sky.Vec{Y: r.site.Latitude.Cos(), Z: r.site.Latitude.Sin()}
	dec := r.dec
	if r.blind {
		dec = 30 * sky.Degree
	}
	south := Position{0, dec}.Local(r.site.Latitude)
	z := sky.Vec(south)
	x := sky.Vec{X: 1}
	y := sky.Vec{Y: z.Z, Z: -z.Y}
	base := sky.Matrix{{x.X, y.X, z.X}, {x.Y, y.Y, z.Y}, {x.Z, y.Z, z.Z}}
	return sky.Rotation(north, -r.hour).Mul(base)
}

func (r *rig) options() Options {
	return Options{
		Site: r.site, Air: sky.StandardAir(600), Limits: DefaultLimits(), Shot: DefaultShot(),
		Settle: DefaultSettle, Patience: DefaultPatience, Now: time.Now,
		Read: func(_ context.Context, b []byte) (s Seen, err error) { return s, json.Unmarshal(b, &s) },
	}
}

// at tells the true hour angle now.
func (r *rig) at() sky.Angle {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.advance()
	return r.hour
}

// measured proposes and measures.
func (r *rig) measured(ctx context.Context, opt Options, q Request) (Plan, []Seen, error) {
	m := New(r, r, opt)
	p, err := m.Propose(ctx, q)
	if err != nil {
		return p, nil, err
	}
	seen, err := m.Measure(ctx, p)
	return p, seen, err
}

func TestMeasures(t *testing.T) {
	for name, set := range map[string]func(*rig){
		"motion switch":                       func(*rig) {},
		"by coordinates":                      func(r *rig) { r.selfStop = true },
		"slow reports":                        func(r *rig) { r.reportLag = time.Second },
		"no tracking":                         func(r *rig) { r.tracking = false },
		"a drive that stops with each motion": func(r *rig) { r.stopsDrive = true },
		"fast":                                func(r *rig) { r.speed = 5 * sky.Degree },
		"slow":                                func(r *rig) { r.speed = 0.25 * sky.Degree },
		"short exposures":                     func(r *rig) { r.cloudy = func(s devices.Shot) bool { return s.Exposure < 5*time.Second } },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(-50*sky.Degree, 20*sky.Degree)
				set(r)
				p, seen, err := r.measured(t.Context(), r.options(), Request{})
				if err != nil {
					t.Fatal(err)
				}
				solved := 0
				for _, s := range seen {
					if s.Solved {
						solved++
					}
				}
				if solved != 3 || r.turns != 2 || len(p.Stops) != 3 {
					t.Errorf("%d pictures solved, %d turns", solved, r.turns)
				}
				if turned := r.at() + 50*sky.Degree; (turned - p.Turn()).Abs() > 4*sky.Degree {
					t.Errorf("turned %.1f of %.1f degrees", turned.Degrees(), p.Turn().Degrees())
				}
				r.mu.Lock()
				defer r.mu.Unlock()
				if r.moving != 0 || !r.tracking {
					t.Errorf("in the end moving %v, tracking %v", r.moving, r.tracking)
				}
			})
		})
	}
}

// stopsWithin tells how long after an instant the rig stood.
func (r *rig) stoppedAfter(t *testing.T, what string, from time.Time) time.Duration {
	t.Helper()
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, s := range r.stops {
		if !s.Before(from) {
			return s.Sub(from)
		}
	}
	t.Errorf("%s: the mount was not told to stop", what)
	return time.Hour
}
