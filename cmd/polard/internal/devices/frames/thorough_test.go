package frames_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"polard/cmd/polard/internal/devices"
	"polard/cmd/polard/internal/devices/alpaca"
	"polard/cmd/polard/internal/devices/devicestest"
	"polard/cmd/polard/internal/devices/indi"
	"polard/cmd/polard/internal/devices/measure"
	"polard/cmd/polard/internal/pipeline"
	"polard/mountmodel"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"
)

// germanRig is one whose tube hangs by its weight, so that one declination on one side of the pier sees its
// axis wrong.
func germanRig(t *testing.T) rehearsal.Config {
	t.Helper()
	config := devicestest.MidnightRig(time.Now())
	config.Mount.Flexure = 2 * sky.Arcminute
	return config
}

// thoroughly measures with camera and mount of a rig at two declinations and on both sides of the pier.
func thoroughly(t *testing.T, config rehearsal.Config, k devices.Camera, mount devices.Mount) (*through, measure.Plan, error) {
	t.Helper()
	p, err := pipeline.New()
	if err != nil {
		t.Fatal(err)
	}
	h := &through{site: config.Site, air: config.Air, p: p}
	m := measure.New(k, mount, measure.Options{
		Site: config.Site, Air: config.Air, Limits: measure.DefaultLimits(), Shot: devices.Shot{Exposure: 100 * time.Millisecond},
		Settle: 300 * time.Millisecond, Patience: time.Minute, Read: h.read, Now: time.Now,
	})
	plan, err := m.Propose(t.Context(), measure.Request{Thorough: true})
	if err != nil {
		t.Fatal(err)
	}
	_, err = m.Measure(t.Context(), plan)
	return h, plan, err
}

// A tube that hangs by 2 arcminutes is measured through the real INDI server and through Alpaca, at two
// declinations and on both sides of the pier: the fit joins them and tells how far it hangs.
func TestThoroughThroughServers(t *testing.T) {
	t.Parallel() // mounts turn most of the time
	if testing.Short() {
		t.Skip("takes a minute")
	}
	config := germanRig(t)
	for name, open := range map[string]func(t *testing.T) devices.Server{
		"indi": func(t *testing.T) devices.Server {
			return server{client(t, devicestest.RigServer(t, config, devicestest.PierSide, devicestest.NorthReversed).Addr)}
		},
		"alpaca": func(t *testing.T) devices.Server {
			rig, err := devicestest.NewRig(config)
			if err != nil {
				t.Fatal(err)
			}
			return alpaca.New(alpaca.Options{Addrs: []string{devicestest.StartAlpaca(t, rig).Addr}})
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := open(t)
			h, plan, err := thoroughly(t, config, s.Camera(devicestest.RehearsedCamera), s.Mount(devicestest.RehearsedMount))
			if err != nil {
				t.Fatalf("%v; %s", err, plan.Saying().Text)
			}
			t.Log(plan.Saying().Text)
			if len(h.taken) != 7 {
				t.Errorf("%d pictures: %s", len(h.taken), plan.Saying().Text)
			}
			cfg := mountmodel.Config{Site: config.Site, Air: config.Air, Tolerance: mountmodel.DefaultTolerance, AnyHour: true}
			off, err := wrong(cfg, config, h.taken)
			if err != nil {
				t.Error(err)
			}
			alone, err := wrong(cfg, config, h.taken[:plan.First])
			t.Logf("wrong by %.1f arcsec at all places, by %.1f at the first alone (%v)", off, alone, err)
			view, err := mountmodel.Measure(cfg, h.taken, 0)
			if err != nil {
				t.Fatal(err)
			}
			// Known to some arcseconds, and within five of its own standard deviations (mostSigma).
			if miss := (view.Hangs - config.Mount.Flexure).Abs(); view.Bodies != 3 || miss > mostSigma*view.HangsSigma || view.HangsSigma > 30*sky.Arcsecond {
				t.Errorf("%d places show a tube that hangs by %.1f arcsec, known to %.1f; it hangs by %.1f", view.Bodies, view.Hangs.Arcseconds(), view.HangsSigma.Arcseconds(), config.Mount.Flexure.Arcseconds())
			}
		})
	}
}

// server is the INDI client as the seam has it.
type server struct{ *indi.Client }

func (s server) Camera(name string) devices.Camera { return s.Client.Camera(name) }
func (s server) Mount(name string) devices.Mount   { return s.Client.Mount(name) }

// Through the real server, a mount that turns right ascension along with declination, or that comes to a
// stand before the pole, is stopped, and what was measured before is there.
func TestThoroughFaultsThroughServer(t *testing.T) {
	t.Parallel() // mounts turn most of the time
	if testing.Short() {
		t.Skip("takes half a minute each")
	}
	for fault, c := range map[string]struct {
		kind  error
		words string
	}{
		devicestest.FaultHour: {measure.ErrHour, "right ascension moved"},
		devicestest.FaultPole: {measure.ErrStalled, "came to a stand"},
	} {
		t.Run(fault, func(t *testing.T) {
			t.Parallel()
			config := germanRig(t)
			behind := devicestest.RigServer(t, config, devicestest.PierSide)
			cl := client(t, behind.Addr)
			if _, err := cl.Devices(t.Context(), 10*time.Second); err != nil {
				t.Fatal(err)
			}
			behind.Set(devicestest.RehearsedMount + "." + devicestest.FaultProperty + ".NAME=" + fault)
			h, _, err := thoroughly(t, config, cl.Camera(devicestest.RehearsedCamera), cl.Mount(devicestest.RehearsedMount))
			if !errors.Is(err, c.kind) || !strings.Contains(err.Error(), c.words) {
				t.Errorf("it ended with %v", err)
			}
			if len(h.taken) < 3 {
				t.Errorf("%d pictures", len(h.taken))
			}
			mount := cl.Mount(devicestest.RehearsedMount)
			s, err := mount.State(t.Context())
			for limit := time.Now().Add(10 * time.Second); err == nil && s.Moving && time.Now().Before(limit); { // its next report
				time.Sleep(50 * time.Millisecond)
				s, err = mount.State(t.Context())
			}
			if err != nil || s.Moving {
				t.Errorf("in the end %+v, %v", s, err)
			}
		})
	}
}
