package web

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/adjust"
	"polard/mountmodel/axis"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// The scenario of every test: an observatory and a rig of our own invention.
var (
	northSite = sky.Site{Latitude: 47.25 * sky.Degree, Longitude: 11.5 * sky.Degree, ElevationM: 840}
	southSite = sky.Site{Latitude: -30.2 * sky.Degree, Longitude: 20.8 * sky.Degree, ElevationM: 1760}
	testNight = time.Date(2026, 3, 14, 20, 15, 0, 0, time.UTC)
)

// viewOf is a session with the axis the given offsets from the refracted
// pole.
func viewOf(site sky.Site, phase mountmodel.Phase, az, alt sky.Angle) mountmodel.View {
	air := sky.StandardAir(site.ElevationM)
	pole := observed.Pole(site, air, observed.Refracted)
	poleAlt, poleAz := sky.AltAzFromLocal(pole)
	line := sky.LocalFromAltAz(poleAlt+alt, poleAz+az)
	sd := float64(3 * sky.Arcsecond)
	st := axis.Status{
		Axis:   axis.Axis{Dir: line, Cov: [2][2]float64{{sd * sd, 0.3 * sd * sd}, {0.3 * sd * sd, 4 * sd * sd}}},
		Offset: axis.OffsetBetween(line, pole),
		Move:   axis.Correction(line, pole),
	}
	v := mountmodel.View{
		Phase:     phase,
		Site:      site,
		Air:       air,
		PoleKind:  observed.Refracted,
		Pole:      pole,
		Tolerance: 1 * sky.Arcminute,
		Measured:  &st,
		Now:       &st,
		Within:    st.Offset.Total <= 1*sky.Arcminute,
		Turn:      62 * sky.Degree,
		Chi2:      3.4,
		Dof:       3,
	}
	if phase == mountmodel.Adjusting && !v.Within {
		if v.Turning = adjust.AltitudeBolt; mountmodel.OnSky(st.Move, adjust.AzimuthBolt, pole) > mountmodel.OnSky(st.Move, adjust.AltitudeBolt, pole) {
			v.Turning = adjust.AzimuthBolt
		}
	}
	for i, turn := range []sky.Angle{0, 31 * sky.Degree, 62 * sky.Degree} {
		v.Frames = append(v.Frames, axis.FrameReport{
			Name: fmt.Sprintf("pole_%04d.fits", i+1), Mid: testNight.Add(time.Duration(i-3) * 40 * time.Second),
			Status: axis.FrameMeasures, Stars: 84 + 7*i, Turn: turn, Residual: sky.Angle(0.3+0.2*float64(i)) * sky.Arcsecond,
		})
	}
	return v
}

// measuringView is a session after n frames of the measurement.
func measuringView(site sky.Site, n int) mountmodel.View {
	v := viewOf(site, mountmodel.Measuring, -27*sky.Arcminute, -7*sky.Arcminute)
	v.Frames = v.Frames[:n]
	if n < 2 {
		v.Measured, v.Now = nil, nil
		v.Turn = 0
	} else {
		v.Turn = v.Frames[n-1].Turn
	}
	if n == 0 {
		v.Phase = mountmodel.Waiting
	}
	v.Dof = 0
	v.Within = false
	v.Advice = &axis.TurnAdvice{Turn: 30 * sky.Degree, Enough: true, Expected: []axis.TurnForecast{
		{Turn: 15 * sky.Degree, Uncertainty: 9 * sky.Arcsecond},
		{Turn: 30 * sky.Degree, Uncertainty: 4 * sky.Arcsecond},
		{Turn: 60 * sky.Degree, Uncertainty: 2 * sky.Arcsecond},
	}}
	return v
}

// starField is a made frame: stars on noise.
func starField(id int64) (Preview, []Star) {
	const w, h = 960, 640
	r := rand.New(rand.NewPCG(uint64(id), 4))
	p := Preview{ID: id, Width: w, Height: h, Pix: make([]float32, w*h)}
	for i := range p.Pix {
		p.Pix[i] = float32(800 + 60*float64(i%w)/w + 12*r.NormFloat64())
	}
	var stars []Star
	for i := range 160 {
		x, y := r.Float64()*w, r.Float64()*h
		flux := 30000 * math.Pow(float64(i+1), -0.9)
		for dy := -9; dy <= 9; dy++ {
			for dx := -9; dx <= 9; dx++ {
				px, py := int(x)+dx, int(y)+dy
				if px < 0 || py < 0 || px >= w || py >= h {
					continue
				}
				d2 := (float64(px)-x)*(float64(px)-x) + (float64(py)-y)*(float64(py)-y)
				p.Pix[py*w+px] += float32(flux / 10 * math.Pow(1+d2/3, -2.5))
			}
		}
		if i < 90 {
			stars = append(stars, Star{X: Number(x), Y: Number(y), V: Number(6 + 0.05*float64(i))})
		}
	}
	return p, stars
}

// latestOf is a frame read at the given moment.
func latestOf(id int64, read time.Time, stars []Star) *Latest {
	return &Latest{
		ID: id, File: fmt.Sprintf("pole_%04d.fits", id), ReadMs: read.UnixMilli(), Mid: UTC(testNight),
		TookMs: 212, ExposureS: 2, Solved: true, Detected: 143, Matched: len(stars), RMSArcsec: 0.42,
		RADeg: 37.954, DecDeg: 88.12, FieldWDeg: 2.51, FieldHDeg: 1.67, WidthPx: 960, HeightPx: 640, Stars: stars,
	}
}

// recorder is an operator and a rig that write down what they are told.
type recorder struct {
	mu     sync.Mutex
	calls  []string
	refuse error
}

func (r *recorder) note(format string, a ...any) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.calls = append(r.calls, fmt.Sprintf(format, a...))
	return r.refuse
}

func (r *recorder) told() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]string(nil), r.calls...)
}

func (r *recorder) SetSite(_ context.Context, s sky.Site, a sky.Air, k observed.PoleKind) error {
	return r.note("site %.4f %.4f %.0f m, %.1f hPa, %.1f C, %s", s.Latitude.Degrees(), s.Longitude.Degrees(), s.ElevationM, a.PressureHPa, a.TemperatureC, k)
}
func (r *recorder) SetTolerance(_ context.Context, t sky.Angle) error {
	return r.note("tolerance %.2f", t.Arcminutes())
}
func (r *recorder) Tell(_ context.Context, e mountmodel.Event) error { return r.note("event %s", e) }
func (r *recorder) Turned(_ context.Context, b adjust.Bolt, turns float64) error {
	return r.note("turned %s %.2f", b, turns)
}
func (r *recorder) CountFrame(_ context.Context, c mountmodel.FrameChoice) error {
	return r.note("frame %s %s %t", c.Name, UTC(c.Mid), c.Counts)
}
func (r *recorder) SetPlan(_ context.Context, o PlanOrder) error {
	p := o.Plan
	return r.note("plan %g mm %g um %d x %d, %v, guided %t %.1f', dec %.1f, %.1f to %.1f, %g px, apply %t", p.FocalMm, p.PixelUm, p.Width, p.Height,
		p.Exposure, p.Guided, p.GuideDistance.Arcminutes(), p.Declination.Degrees(), p.HourFrom.Degrees(), p.HourTo.Degrees(), o.LimitPx, o.ApplyTolerance)
}
func (r *recorder) TurnDeclination(_ context.Context, a sky.Angle) error {
	return r.note("declination %.1f", a.Degrees())
}
func (r *recorder) SetFault(_ context.Context, name string, on bool) error {
	return r.note("fault %s %t", name, on)
}
func (r *recorder) TurnRA(_ context.Context, a sky.Angle) error {
	return r.note("ra %.1f", a.Degrees())
}
func (r *recorder) TurnAltitudeBolt(_ context.Context, a sky.Angle) error {
	return r.note("altitude %.2f", a.Arcminutes())
}
func (r *recorder) TurnAzimuthBolt(_ context.Context, a sky.Angle) error {
	return r.note("azimuth %.2f", a.Arcminutes())
}
func (r *recorder) SetDrive(_ context.Context, on bool) error { return r.note("drive %t", on) }
func (r *recorder) Find(context.Context) error                { return r.note("find") }
func (r *recorder) Choose(_ context.Context, camera, mount string) error {
	return r.note("choose %s %s", camera, mount)
}
func (r *recorder) Propose(_ context.Context, o MotionOrder) error { return r.note("propose %+v", o) }
func (r *recorder) Measure(_ context.Context, plan string, attended bool) error {
	return r.note("measure %s %t", plan, attended)
}
func (r *recorder) Present(context.Context) error                 { return r.note("present") }
func (r *recorder) Loop(_ context.Context, on bool) error         { return r.note("loop %t", on) }
func (r *recorder) Stop(context.Context) error                    { return r.note("stop") }
func (r *recorder) SomethingChanged(context.Context) error        { return r.note("something changed") }
func (r *recorder) Expose(context.Context) error                  { return r.note("expose") }
func (r *recorder) SetRepeating(_ context.Context, on bool) error { return r.note("repeat %t", on) }

// running is a server that serves until the test ends.
type running struct {
	*Server
	url  string
	stop func() error
}

// serve runs a server for the test, changed before it starts. Options without an
// operator get one.
func serve(t *testing.T, opt Options, changes ...func(*Server)) *running {
	t.Helper()
	if opt.Operator == nil {
		opt.Operator = &recorder{}
	}
	ready := make(chan string, 1)
	opt.Ready = func(url string) { ready <- url }
	s, err := New(withNotes(opt))
	if err != nil {
		t.Fatal(err)
	}
	for _, change := range changes {
		change(s)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	r := &running{Server: s}
	r.stop = sync.OnceValue(func() error {
		cancel()
		select {
		case err := <-ended:
			return err
		case <-time.After(2 * time.Second): // the service promises to stop within two seconds
			return fmt.Errorf("the service did not stop within 2 s")
		}
	})
	t.Cleanup(func() {
		if err := r.stop(); err != nil {
			t.Error(err)
		}
	})
	select {
	case r.url = <-ready:
	case err := <-ended:
		t.Fatal(err)
	}
	return r
}
