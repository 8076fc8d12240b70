package frames_test

import (
	"context"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"polard/cmd/polard/internal/devices"
	"polard/cmd/polard/internal/devices/devicestest"
	"polard/cmd/polard/internal/devices/frames"
	"polard/cmd/polard/internal/devices/indi"
	"polard/cmd/polard/internal/devices/measure"
	"polard/cmd/polard/internal/pipeline"
	"polard/fits"
	"polard/mountmodel"
	"polard/mountmodel/observed"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/rehearsal/rehearsaltest"
	"polard/mountmodel/sky"

	"polard/catalogs"
)

func TestMain(m *testing.M) { devicestest.Main(m) }

var rigs = flag.Int("rigs", 2, "how many random rigs are measured hands off")

// client keeps a connection until the test ends.
func client(t *testing.T, addr string) *indi.Client {
	t.Helper()
	c := indi.New(indi.Options{Addr: addr})
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); _ = c.Run(ctx) }()
	t.Cleanup(func() { cancel(); <-done })
	return c
}

// through measures with a rig and gives the frames that were read.
type through struct {
	site     sky.Site
	air      sky.Air
	p        *pipeline.Pipeline
	taken    []mountmodel.Sighting
	problems []string
}

func (h *through) read(ctx context.Context, picture []byte) (measure.Seen, error) {
	name := fmt.Sprintf("frame_%d.fits", len(h.taken)+1)
	frame, err := fits.Decode(name, picture)
	o := h.p.Read(ctx, name, frame, err)
	if o.Problem != nil {
		h.problems = append(h.problems, o.Problem.Message)
	}
	h.taken = append(h.taken, o.Sighting)
	return frames.Seen(o, h.site, h.air), ctx.Err()
}

// Random rigs behind the real server of Debian's indi-bin are measured hands off. The axis that comes
// out is compared with where the rig's axis truly points, and with what the same rig gives when
// it is turned by the same angles by hand and its frames go through the folder's pipeline.
// -args -rigs 50 measures as many as the requirement names.
func TestRigsHandsOff(t *testing.T) {
	t.Parallel() // mounts turn most of the time
	if testing.Short() {
		t.Skip("takes half a minute a rig")
	}
	rng := rand.New(rand.NewPCG(18, 50))
	var hands, folder []float64
	for i := 0; len(hands) < *rigs; i++ {
		if i > 20**rigs+20 {
			t.Fatal("too many rigs point where the limits allow no turn")
		}
		config := rehearsaltest.RandomRig(rng)
		off, byHand, err := rigHandsOff(t, config)
		if err == errNoPlan {
			continue
		}
		if err != nil {
			t.Errorf("rig %d at latitude %.1f: %v", i, config.Site.Latitude.Degrees(), err)
			hands = append(hands, math.Inf(1))
			continue
		}
		t.Logf("rig %d: offset %.1f arcmin, hands off wrong by %.1f arcsec, by hand %.1f", i,
			sky.Angle(math.Hypot(float64(config.Mount.OffsetAlt), float64(config.Mount.OffsetAz)*config.Site.Latitude.Cos())).Arcminutes(), off, byHand)
		hands, folder = append(hands, off), append(folder, byHand)
	}
	slices.Sort(hands)
	slices.Sort(folder)
	if len(folder) == 0 {
		t.Fatal("no rig was measured")
	}
	t.Logf("%d rigs: hands off median %.1f, worst %.1f arcsec; by hand median %.1f, worst %.1f", len(hands),
		hands[len(hands)/2], hands[len(hands)-1], folder[len(folder)/2], folder[len(folder)-1])
}

var errNoPlan = fmt.Errorf("no plan")

// mostSigma is how far an axis may be from the truth in units of its own uncertainty: for the
// length of a two-dimensional normal error, five sigma come once in 270,000 rigs (exp(-12.5)).
const mostSigma = 5

func rigHandsOff(t *testing.T, config rehearsal.Config) (offArcsec, byHandArcsec float64, err error) {
	limits := measure.DefaultLimits()
	// Random rigs point from 20 degrees up, on either side of the meridian, by day and by night;
	// here it is the axis that is tested.
	limits.MinAltitude, limits.PastMeridian, limits.Daylight = rehearsaltest.MinAltitude/2, sky.Turn/2, true
	began := time.Now()
	server := devicestest.RigServer(t, config)
	defer server.Kill()
	c := client(t, server.Addr)
	p, err := pipeline.New()
	if err != nil {
		return 0, 0, err
	}
	h := &through{site: config.Site, air: config.Air, p: p}
	m := measure.New(c.Camera(devicestest.RehearsedCamera), c.Mount(devicestest.RehearsedMount), measure.Options{
		Site: config.Site, Air: config.Air, Limits: limits, Shot: devices.Shot{Exposure: 200 * time.Millisecond},
		Settle: 500 * time.Millisecond, Patience: time.Minute, Read: h.read,
		Now: func() time.Time { return config.Start.Add(time.Since(began)) },
	})
	plan, err := m.Propose(t.Context(), measure.Request{})
	if err != nil {
		t.Log(err)
		return 0, 0, errNoPlan
	}
	if _, err := m.Measure(t.Context(), plan); err != nil {
		return 0, 0, fmt.Errorf("%w %q %s", err, h.problems, server.Log())
	}
	cfg := mountmodel.Config{Site: config.Site, Air: config.Air, Tolerance: mountmodel.DefaultTolerance, AnyHour: true}
	off, err := wrong(cfg, config, h.taken)
	if err != nil {
		return 0, 0, err
	}
	byHand, err := turnedByHand(cfg, config, plan)
	return off, byHand, err
}

// wrong is how far the axis measured is from the truth.
func wrong(cfg mountmodel.Config, config rehearsal.Config, taken []mountmodel.Sighting) (arcsec float64, err error) {
	view, err := mountmodel.Measure(cfg, taken, 0)
	if err != nil {
		return 0, err
	}
	a := view.Measured.Axis
	alt, az := sky.AltAzFromLocal(a.Dir)
	pole := observed.Pole(config.Site, config.Air, observed.Refracted)
	poleAlt, poleAz := sky.AltAzFromLocal(pole)
	truth := sky.LocalFromAltAz(poleAlt+config.Mount.OffsetAlt, poleAz+config.Mount.OffsetAz)
	miss := sky.Separation(a.Dir, truth)
	sigma := math.Hypot(float64(a.SigmaAlt()), float64(a.SigmaAz())*alt.Cos())
	if float64(miss) > mostSigma*sigma {
		return 0, fmt.Errorf("the axis is wrong by %.1f arcsec, %.1f of its own sigma (altitude %.4f, azimuth %.4f)", miss.Arcseconds(), float64(miss)/sigma, alt.Degrees(), az.Degrees())
	}
	return miss.Arcseconds(), nil
}

// turnedByHand measures the same rig by the same turns without any device.
func turnedByHand(cfg mountmodel.Config, config rehearsal.Config, plan measure.Plan) (float64, error) {
	cat, err := catalogs.Open()
	if err != nil {
		return 0, err
	}
	rig, err := rehearsal.NewRig(cat, config)
	if err != nil {
		return 0, err
	}
	p, err := pipeline.New()
	if err != nil {
		return 0, err
	}
	var taken []mountmodel.Sighting
	at := config.Start
	rig.SetTracking(true, at)
	for i := range plan.Stops {
		if i > 0 {
			if err := rig.TurnRA(plan.By); err != nil {
				return 0, err
			}
		}
		frame, err := rig.Expose(at)
		name := fmt.Sprintf("hand_%d.fits", i)
		o := p.Read(context.Background(), name, frame, err)
		taken = append(taken, o.Sighting)
		at = at.Add(30 * time.Second)
	}
	return wrong(cfg, config, taken)
}
