package operate

import (
	"context"
	"encoding/json"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"polard/cmd/polard/internal/devices"
	"polard/cmd/polard/internal/devices/measure"
	"polard/cmd/polard/internal/pipeline"
	"polard/mountmodel"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
	"polard/web"
)

// testSite is one where it is night at midnight UTC, when the clock of a synctest bubble begins.
var testSite = sky.Site{Latitude: 46.3 * sky.Degree, Longitude: 13 * sky.Degree, ElevationM: 600}

// pier is a server with one camera and one mount, a session and its folder, in bubble time.
type pier struct {
	mu            sync.Mutex
	hour, dec     sky.Angle
	rate          float64 // radians a second, west positive
	since         time.Time
	turns, stops  int
	stoppedAt     time.Time
	stalls        bool // does not turn although it is told to
	offline       bool
	cloudy        bool
	placed        bool
	told          []mountmodel.Event
	measured, now *web.AxisStatus
	shots         int

	o *Operation
}

// newPier has an operation running until the test ends.
func newPier(t *testing.T, change ...func(*Options)) *pier {
	t.Helper()
	p := &pier{hour: -50 * sky.Degree, dec: 20 * sky.Degree, since: time.Now(), placed: true}
	opt := Options{Server: p, Protocol: "indi", Folder: t.TempDir(), Limits: measure.DefaultLimits(), Shot: measure.DefaultShot(), Log: slog.New(slog.DiscardHandler)}
	for _, f := range change {
		f(&opt)
	}
	p.o = New(opt)
	p.o.seen = func(o pipeline.Outcome, _ sky.Site, _ sky.Air) (s measure.Seen) {
		data, err := os.ReadFile(o.Path)
		if err == nil {
			err = json.Unmarshal(data, &s)
		}
		if err != nil {
			s.Why = sky.SayingOf(err)
		}
		return s
	}
	p.o.Attach(p)
	ctx, end := context.WithCancel(t.Context())
	var running sync.WaitGroup
	running.Go(func() { _ = p.o.Run(ctx) })
	running.Go(func() { p.hear(ctx, opt.Folder) })
	t.Cleanup(func() { end(); running.Wait() })
	return p
}

// hear does what the service does: it takes each picture that comes into the folder.
func (p *pier) hear(ctx context.Context, folder string) {
	for ctx.Err() == nil {
		p.o.mu.Lock()
		for name := range p.o.awaited {
			if path := filepath.Join(folder, name); exists(path) {
				go p.o.Heard(pipeline.Outcome{Path: path})
			}
		}
		p.o.mu.Unlock()
		select {
		case <-ctx.Done():
		case <-time.After(time.Second):
		}
	}
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

// advance brings the mount to the present; p.mu is held.
func (p *pier) advance() {
	now := time.Now()
	dt := now.Sub(p.since).Seconds()
	p.since = now
	if !p.stalls {
		p.hour += sky.Angle(p.rate * dt)
	}
	p.hour += 15.041 * sky.Arcsecond * sky.Angle(dt)
}

// The server.

func (p *pier) Run(ctx context.Context) error { <-ctx.Done(); return nil }
func (p *pier) Devices(context.Context, time.Duration) ([]devices.Found, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.offline {
		return nil, devices.ErrLost
	}
	return []devices.Found{{Kind: devices.KindCamera, Name: "camera"}, {Kind: devices.KindMount, Name: "mount"}}, nil
}
func (p *pier) Camera(string) devices.Camera { return (*pierCamera)(p) }
func (p *pier) Mount(string) devices.Mount   { return (*pierMount)(p) }

type pierCamera pier

func (k *pierCamera) Name() string { return "camera" }
func (k *pierCamera) Info(context.Context) (devices.CameraInfo, error) {
	return devices.CameraInfo{}, nil
}
func (k *pierCamera) Expose(ctx context.Context, shot devices.Shot) ([]byte, error) {
	mid := time.Now().Add(shot.Exposure / 2)
	select {
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-time.After(shot.Exposure):
	}
	p := (*pier)(k)
	p.mu.Lock()
	defer p.mu.Unlock()
	p.advance()
	p.shots++
	north := sky.Vec{Y: testSite.Latitude.Cos(), Z: testSite.Latitude.Sin()}
	z := sky.Vec(measure.Position{Dec: p.dec}.Local(testSite.Latitude))
	base := sky.FromColumns(sky.Vec{X: 1}, sky.Vec{Y: z.Z, Z: -z.Y}, z)
	seen := measure.Seen{Mid: mid, Solved: !p.cloudy, Stars: 100, Attitude: sky.Rotation(north, -p.hour).Mul(base)}
	if p.cloudy {
		seen.Stars, seen.Why = 3, sky.Saying{Text: "3 stars"}
	}
	return json.Marshal(seen)
}

type pierMount pier

func (m *pierMount) Name() string { return "mount" }
func (m *pierMount) State(context.Context) (devices.MountState, error) {
	p := (*pier)(m)
	p.mu.Lock()
	defer p.mu.Unlock()
	p.advance()
	o, err := observed.NewObserver(testSite, sky.StandardAir(600), time.Now(), 0)
	if err != nil {
		return devices.MountState{}, err
	}
	return devices.MountState{At: time.Now(), RA: (o.LocalSidereal() - p.hour).Positive(), Dec: p.dec, Moving: p.rate != 0, Tracking: true}, nil
}
func (m *pierMount) Turn(_ context.Context, by sky.Angle) (bool, error) {
	p := (*pier)(m)
	p.mu.Lock()
	defer p.mu.Unlock()
	p.advance()
	p.turns++
	p.rate = float64(2.5 * sky.Degree)
	if by < 0 {
		p.rate = -p.rate
	}
	return false, nil
}
func (m *pierMount) TurnDeclination(context.Context, sky.Angle) error { return devices.ErrMissing }
func (m *pierMount) Stop(context.Context) error {
	p := (*pier)(m)
	p.mu.Lock()
	defer p.mu.Unlock()
	p.advance()
	p.rate, p.stoppedAt = 0, time.Now()
	p.stops++
	return nil
}
func (m *pierMount) SetTracking(context.Context, bool) error { return nil }

// The session.

func (p *pier) Place(context.Context) (sky.Site, sky.Air, bool, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return testSite, sky.StandardAir(600), p.placed, nil
}
func (p *pier) Tell(_ context.Context, event mountmodel.Event) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.told = append(p.told, event)
	if event == mountmodel.StartOver {
		p.measured = nil
	}
	if event == mountmodel.Measured {
		p.measured = p.now
	}
	return nil
}
func (p *pier) Changed() {}
func (p *pier) AxisStatuses(context.Context) (measured, now *web.AxisStatus, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.measured, p.now, nil
}

// standsAt sets where the axis stands in altitude.
func (p *pier) standsAt(arcmin float64) {
	p.set(func(p *pier) { p.now = &web.AxisStatus{Offset: web.Offset{AltArcmin: web.Number(arcmin)}} })
}

// set changes something.
func (p *pier) set(change func(*pier)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.advance()
	change(p)
}

// turned tells how many turns were begun, and whether it turns.
func (p *pier) turned() (turns int, turning bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.turns, p.rate != 0
}

// pictures counts those taken.
func (p *pier) pictures() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.shots
}

// planned asks for a plan and gives its id.
func (p *pier) planned(t *testing.T) string {
	t.Helper()
	if err := p.o.Propose(t.Context(), web.MotionOrder{}); err != nil {
		t.Fatal(err)
	}
	return p.o.State().Plan.ID
}

// home is where the tube looks at first.
func (p *pier) home() { p.set(func(p *pier) { p.hour = -50 * sky.Degree }) }
