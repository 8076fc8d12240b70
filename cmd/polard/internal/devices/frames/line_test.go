package frames_test

import (
	"context"
	"errors"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"polard/cmd/polard/internal/devices"
	"polard/cmd/polard/internal/devices/devicestest"
	"polard/cmd/polard/internal/devices/measure"
	"polard/cmd/polard/internal/pipeline"
	"polard/mountmodel/sky"
)

// The line to the real server breaks, or falls silent, while the mount turns: the mount is told to stop, as
// soon as there is a way to it, and the measurement says what happened.
func TestLineBreaksWhileTurning(t *testing.T) {
	for name, c := range map[string]struct {
		breaks func(*line)
		kind   error
		within time.Duration // until the mount is told; what follows the breach by a busy machine's slack
	}{
		"cut": {(*line).Cut, devices.ErrLost, time.Second},
		// The stop itself is held back with all else: the line is given up and made anew.
		"silent": {func(l *line) {
			l.Hold(true)
			time.AfterFunc(4*time.Second, func() { l.Hold(false) })
		}, devices.ErrTimeout, 8 * time.Second},
	} {
		t.Run(name, func(t *testing.T) {
			config := devicestest.MidnightRig(time.Now())
			server := devicestest.RigServer(t, config)
			line := newLine(t, server.Addr)
			cl := client(t, line.Addr)
			p, err := pipeline.New()
			if err != nil {
				t.Fatal(err)
			}
			h := &through{site: config.Site, air: config.Air, p: p}
			limits := measure.DefaultLimits()
			limits.PastMeridian = 60 * sky.Degree
			var aborts atomic.Int64 // told before the line broke
			var broke atomic.Pointer[time.Time]
			m := measure.New(cl.Camera(devicestest.RehearsedCamera), cl.Mount(devicestest.RehearsedMount), measure.Options{
				Site: config.Site, Air: config.Air, Limits: limits, Shot: devices.Shot{Exposure: 200 * time.Millisecond},
				Settle: 300 * time.Millisecond, Patience: 20 * time.Second, Read: h.read, Now: time.Now,
				Tell: func(p measure.Progress) {
					if p.Stage == measure.Turning && p.Turned != 0 && broke.Load() == nil {
						aborts.Store(int64(strings.Count(server.Log(), "abort")))
						now := time.Now()
						broke.Store(&now)
						c.breaks(line)
					}
				},
			})
			plan, err := m.Propose(t.Context(), measure.Request{Turn: 60 * sky.Degree, Way: measure.West, Frames: 2})
			if err != nil {
				t.Fatal(err)
			}
			ended := make(chan error, 1)
			go func() { _, err := m.Measure(context.WithoutCancel(t.Context()), plan); ended <- err }()
			var told time.Time
			for told.IsZero() {
				select {
				case err := <-ended:
					ended <- err
					time.Sleep(100 * time.Millisecond)
				case <-time.After(2 * time.Millisecond):
				}
				if at := broke.Load(); at != nil && int64(strings.Count(server.Log(), "abort")) > aborts.Load() {
					told = time.Now()
				} else if at != nil && time.Since(*at) > 30*time.Second {
					t.Fatal("the mount was never told to stop")
				}
			}
			t.Logf("the mount was told to stop %v after the line was %s", told.Sub(*broke.Load()).Round(time.Millisecond), name)
			if told.Sub(*broke.Load()) > c.within {
				t.Errorf("told to stop after %v", told.Sub(*broke.Load()))
			}
			if err := <-ended; !errors.Is(err, c.kind) {
				t.Errorf("it ended with %v", err)
			}
		})
	}
}

// A server is reached over IPv6, too.
func TestLineIPv6(t *testing.T) {
	line := newLineAt(t, "[::1]:0", devicestest.RigServer(t, devicestest.MidnightRig(time.Now())).Addr)
	found, err := client(t, line.Addr).Devices(t.Context(), 10*time.Second)
	if err != nil || len(found) != 2 {
		t.Errorf("%v, %v", found, err)
	}
}
