package indi

import (
	"context"
	"errors"
	"testing"
	"time"

	"polard/cmd/polard/internal/devices"
	"polard/cmd/polard/internal/devices/devicestest"
	"polard/fits"
	"polard/mountmodel/sky"
)

// run keeps a client until the test ends.
func run(t *testing.T, opt Options) *Client {
	t.Helper()
	c := New(opt)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); _ = c.Run(ctx) }()
	t.Cleanup(func() { cancel(); <-done })
	return c
}

// The server and the simulators of Debian's indi-bin (1.9.9) are an implementation that is not
// ours: what they do is what the protocol's words mean.
func TestSimulators(t *testing.T) {
	server := devicestest.StartServer(t, nil, devicestest.Simulators...)
	c := run(t, Options{Addr: server.Addr})
	ctx := t.Context()
	list, err := c.Devices(ctx, 10*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	want := []devices.Found{
		{Kind: devices.KindCamera, Name: devicestest.SimulatedCamera, Driver: "indi_simulator_ccd 1.0"},
		{Kind: devices.KindMount, Name: devicestest.SimulatedMount, Driver: "indi_simulator_telescope 1.0"},
	}
	if len(list) != 2 || list[0] != want[0] || list[1] != want[1] {
		t.Fatalf("found %+v, want %+v", list, want)
	}
	t.Run("camera", func(t *testing.T) { simulatedCamera(t, c) })
	t.Run("mount", func(t *testing.T) { simulatedMount(t, c) })
	t.Run("server dies", func(t *testing.T) { serverDies(t, c, server) })
}

func simulatedCamera(t *testing.T, c *Client) {
	k := c.Camera(devicestest.SimulatedCamera)
	info, err := k.Info(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	// The simulator's own defaults, as indi_getprop shows them.
	if info.Width != 1280 || info.Height != 1024 || info.Gain == nil || *info.Gain != 90 || info.Longest != time.Hour {
		t.Errorf("info %+v", info)
	}
	for _, packed := range []string{"INDI_DISABLED", "INDI_ENABLED"} {
		if err := c.set("Switch", k.name, "CCD_COMPRESSION", value{packed, switchOn}); err != nil {
			t.Fatal(err)
		}
		before := time.Now()
		data, err := k.Expose(t.Context(), devices.Shot{Exposure: 500 * time.Millisecond})
		if err != nil {
			t.Fatalf("compression %s: %v", packed, err)
		}
		f, err := fits.Decode("frame.fits", data)
		if err != nil {
			t.Fatalf("compression %s: %v", packed, err)
		}
		t.Logf("compression %s: %d bytes", packed, len(data))
		if f.Width != 1280 || f.Height != 1024 || f.Exposure != 500*time.Millisecond {
			t.Errorf("a frame of %d x %d, %v", f.Width, f.Height, f.Exposure)
		}
		if f.Mid.Before(before.Add(-time.Second)) || f.Mid.After(time.Now()) {
			t.Errorf("exposed at %v, asked at %v", f.Mid, before)
		}
	}
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	if _, err := k.Expose(ctx, devices.Shot{Exposure: 30 * time.Second}); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("aborted exposure gives %v", err)
	}
	if _, err := k.Expose(t.Context(), devices.Shot{Exposure: 100 * time.Millisecond}); err != nil {
		t.Errorf("after an aborted exposure: %v", err)
	}
	if _, err := c.Camera("no such").Expose(t.Context(), devices.Shot{Exposure: time.Second}); !errors.Is(err, devices.ErrMissing) {
		t.Errorf("a camera that is not there gives %v", err)
	}
}

func simulatedMount(t *testing.T, c *Client) {
	m := c.Mount(devicestest.SimulatedMount)
	ctx := t.Context()
	state := func() devices.MountState {
		t.Helper()
		s, err := m.State(ctx)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	if s := state(); s.Parked || s.Moving || s.Side == devices.SideUnknown {
		t.Errorf("at first %+v", s)
	}
	if err := m.SetTracking(ctx, true); err != nil {
		t.Fatal(err)
	}
	for _, by := range []sky.Angle{15 * sky.Degree, -15 * sky.Degree} {
		from := state()
		selfStops, err := m.Turn(ctx, by)
		if err != nil || selfStops {
			t.Fatal(selfStops, err)
		}
		time.Sleep(time.Second)
		if s := state(); !s.Moving || time.Since(s.At) > time.Second {
			t.Errorf("while turning %+v, %v old", s, time.Since(s.At))
		}
		if err := m.Stop(ctx); err != nil {
			t.Fatal(err)
		}
		time.Sleep(600 * time.Millisecond)
		s := state()
		// Growing hour angle is falling right ascension.
		turned := -(s.RA - from.RA).Signed()
		if turned*by < 0 || turned.Abs() < sky.Degree || s.Dec != from.Dec || s.Moving || !s.Tracking {
			t.Errorf("asked for %.0f degrees for a second: turned %.2f, %+v", by.Degrees(), turned.Degrees(), s)
		}
		time.Sleep(500 * time.Millisecond)
		if later := state(); (later.RA - s.RA).Signed().Abs() > sky.Arcminute {
			t.Errorf("it goes on turning after Stop: %.3f degrees", (later.RA - s.RA).Degrees())
		}
	}
}

func serverDies(t *testing.T, c *Client, server *devicestest.Server) {
	k, m := c.Camera(devicestest.SimulatedCamera), c.Mount(devicestest.SimulatedMount)
	failed := make(chan error, 1)
	go func() {
		_, err := k.Expose(t.Context(), devices.Shot{Exposure: 20 * time.Second})
		failed <- err
	}()
	time.Sleep(500 * time.Millisecond)
	server.Kill()
	select {
	case err := <-failed:
		if !errors.Is(err, devices.ErrLost) {
			t.Errorf("exposing, the server died: %v", err)
		}
	case <-time.After(time.Second):
		t.Error("the exposure still waits a second after the server died")
	}
	if err := m.Stop(t.Context()); !errors.Is(err, devices.ErrLost) {
		t.Errorf("stop without a server: %v", err)
	}
	server.Start()
	if _, err := k.Expose(t.Context(), devices.Shot{Exposure: 100 * time.Millisecond}); err != nil {
		t.Errorf("with the server back: %v\n%s", err, server.Log())
	}
}
