package measure

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"polard/cmd/polard/internal/devices"
	"polard/mountmodel/sky"
)

// stopLimit is the requirement: motion stops within 0.2 s.
const stopLimit = 200 * time.Millisecond

// The word of the user stops it, at any moment of a measurement.
func TestStoppedAtAnyMoment(t *testing.T) {
	for after := 100 * time.Millisecond; after < 25*time.Second; after += 730 * time.Millisecond {
		synctest.Test(t, func(t *testing.T) {
			r := newRig(-50*sky.Degree, 20*sky.Degree)
			ctx, cancel := context.WithCancel(t.Context())
			var stopped time.Time
			time.AfterFunc(after, func() { stopped = time.Now(); cancel() })
			_, _, err := r.measured(ctx, r.options(), Request{})
			if err == nil {
				if after < 20*time.Second {
					t.Errorf("stopped after %v, it went on to the end", after)
				}
				return
			}
			if !errors.Is(err, context.Canceled) {
				t.Errorf("after %v: %v", after, err)
			}
			if late := r.stoppedAfter(t, after.String(), stopped); late > stopLimit {
				t.Errorf("after %v: the mount was told to stop %v later", after, late)
			}
			where := r.at()
			time.Sleep(time.Second)
			if moved := r.at() - where; moved > 30*sky.Arcsecond {
				t.Errorf("after %v: it went on by %.2f degrees", after, moved.Degrees())
			}
		})
	}
}

// Whatever goes wrong is told in a clear sentence, and the mount is stopped.
func TestFaults(t *testing.T) {
	never := func(ctx context.Context, _ *rig) error { <-ctx.Done(); return ctx.Err() }
	for name, c := range map[string]struct {
		set    func(*rig)
		kind   error
		words  string
		most   sky.Angle // of turn before it was noticed
		closer time.Duration
	}{
		"mount stalls":                 {func(r *rig) { r.slipAfter = 7 * sky.Degree }, ErrStalled, "came to a stand after 7", 8 * sky.Degree, 0},
		"mount never moves":            {func(r *rig) { r.speed = 0 }, ErrStalled, "stands still", sky.Degree, 0},
		"mount reports nothing new":    {func(r *rig) { r.onState = func(r *rig) { r.frozen = r.moving != 0 } }, devices.ErrTimeout, "has not reported", 7 * sky.Degree, 0},
		"declination moves":            {func(r *rig) { r.decRate = 0.5 * float64(sky.Degree) }, ErrDeclination, "declination moved", 3.5 * sky.Degree, 0},
		"reports another place":        {func(r *rig) { r.wrong = 30 * sky.Degree; r.hour = -60 * sky.Degree }, ErrWhere, "28 degrees from what it says. Nothing was moved", 0.1 * sky.Degree, 0},
		"reports half of its turns":    {func(r *rig) { r.scale = 0.5 }, ErrWhere, "reports a turn of 19.9 degrees, the pictures show 39.7", 45 * sky.Degree, 0},
		"turns the wrong way":          {func(r *rig) { r.speed = -2.5 * sky.Degree }, ErrStalled, "the wrong way", 2 * sky.Degree, 0},
		"parks itself":                 {func(r *rig) { r.onState = func(r *rig) { r.parked = r.moving != 0 } }, ErrStalled, "parked", sky.Degree, 0},
		"reports a limit while moving": {func(r *rig) { r.onState = func(r *rig) { r.trouble = words(r.moving != 0) } }, devices.ErrDevice, "limit", sky.Degree, 0},
		"flips":                        {func(r *rig) { r.onState = func(r *rig) { r.side = side(r.moving != 0) } }, ErrStalled, "side of the pier", sky.Degree, 0},
		"cannot turn":                  {func(r *rig) { r.turnBroken = devices.ErrDevice }, devices.ErrDevice, "", 0.1 * sky.Degree, 0},
		"does not stop":                {func(r *rig) { r.goesOn = true }, devices.ErrRunsOn, "switch it off", sky.Turn, 0},
		"camera never returns":         {func(r *rig) { r.expose = timeout }, devices.ErrTimeout, "", 1 * sky.Degree, 0},
		"pictures cut off":             {func(r *rig) { r.expose = cut }, devices.ErrCut, "", 0.1 * sky.Degree, 0},
		"no stars":                     {func(r *rig) { r.cloudy = func(devices.Shot) bool { return true } }, nil, "stars of picture 1 could not be read", 0.1 * sky.Degree, 0},
		"nothing comes till the end":   {func(r *rig) { r.expose = never }, context.DeadlineExceeded, "", 0.1 * sky.Degree, time.Minute},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(-50*sky.Degree, 20*sky.Degree)
				r.wrong, r.side = 0, devices.SideUnknown
				c.set(r)
				began := r.hour
				r.began = began
				ctx := t.Context()
				if c.closer > 0 {
					var cancel func()
					ctx, cancel = context.WithTimeout(ctx, c.closer)
					defer cancel()
				}
				_, _, err := r.measured(ctx, r.options(), Request{})
				if err == nil || c.kind != nil && !errors.Is(err, c.kind) || !strings.Contains(err.Error(), c.words) {
					t.Fatalf("%v, want words like %q", err, c.words)
				}
				t.Log(err)
				turned := (r.at() - began).Abs()
				if turned > c.most+0.5*sky.Degree {
					t.Errorf("it turned %.1f degrees until then; at most %.1f", turned.Degrees(), c.most.Degrees())
				}
				r.mu.Lock()
				defer r.mu.Unlock()
				if len(r.stops) == 0 || r.moving != 0 && !r.goesOn {
					t.Errorf("it was told to stop %d times, and moves by %v", len(r.stops), r.moving)
				}
			})
		})
	}
}

func words(on bool) string {
	if on {
		return "limit"
	}
	return ""
}

func side(on bool) devices.PierSide {
	if on {
		return devices.SideEast
	}
	return devices.SideUnknown
}

func timeout(context.Context, *rig) error { time.Sleep(time.Minute); return devices.ErrTimeout }
func cut(context.Context, *rig) error     { return devices.ErrCut }

// A picture that is lost is taken again.
func TestOnePictureLost(t *testing.T) {
	for _, kind := range []error{devices.ErrTimeout, devices.ErrCut, devices.ErrDevice} {
		synctest.Test(t, func(t *testing.T) {
			r := newRig(-50*sky.Degree, 20*sky.Degree)
			count := 0
			r.expose = func(context.Context, *rig) error {
				if count++; count == 2 {
					return kind
				}
				return nil
			}
			if _, seen, err := r.measured(t.Context(), r.options(), Request{}); err != nil || len(seen) != 3 {
				t.Errorf("%v: %d pictures, %v", kind, len(seen), err)
			}
		})
	}
}

// The connection is lost for half a minute at each moment of a measurement: the mount is told to
// stop within 0.2 s, nothing is lost, and it goes on when the connection is back; a movement only
// after the user has said so again.
func TestConnectionLostAtAnyMoment(t *testing.T) {
	for after := 200 * time.Millisecond; after < 20*time.Second; after += 700 * time.Millisecond {
		for _, allowed := range []bool{true, false} {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(-50*sky.Degree, 20*sky.Degree)
				from := time.Now().Add(after)
				gone := func() bool { n := time.Now(); return !n.Before(from) && n.Before(from.Add(30*time.Second)) }
				moving := false
				r.lost = func(r *rig) bool {
					moving = moving || gone() && r.moving != 0
					return gone()
				}
				r.expose = func(ctx context.Context, r *rig) error {
					if gone() {
						return devices.ErrLost
					}
					return nil
				}
				asked := 0
				opt := r.options()
				opt.GoOn = func(context.Context, string) error {
					r.mu.Lock()
					defer r.mu.Unlock()
					if asked++; r.moving != 0 {
						t.Errorf("after %v: asked to go on while it moves", after)
					}
					if allowed {
						return nil
					}
					return errors.New("not now")
				}
				p, seen, err := r.measured(t.Context(), opt, Request{})
				if asked > 1 || moving && asked == 0 {
					t.Errorf("after %v: moving %v, asked %d times", after, moving, asked)
				}
				if allowed || asked == 0 {
					if err != nil || len(seen) < 3 {
						t.Fatalf("after %v: %d pictures, %v", after, len(seen), err)
					}
					if turned := r.at() + 50*sky.Degree; (turned - p.Turn()).Abs() > 4*sky.Degree {
						t.Errorf("after %v: turned %.1f degrees", after, turned.Degrees())
					}
				} else if err == nil {
					t.Errorf("after %v: it went on although the user did not want it", after)
				}
				if moving {
					if late := r.stoppedAfter(t, after.String(), from); late > stopLimit {
						t.Errorf("after %v: told to stop %v later", after, late)
					}
				}
			})
		}
	}
}

// A plan is good for where and when it was made only.
func TestOldPlan(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(-50*sky.Degree, 20*sky.Degree)
		m := New(r, r, r.options())
		p, err := m.Propose(t.Context(), Request{})
		if err != nil {
			t.Fatal(err)
		}
		if s := p.Saying().Text; !strings.Contains(s, "40 degrees to the west") || !strings.Contains(s, "declination is left alone") || len(p.Cautions) < 4 {
			t.Errorf("%s %q", s, p.Cautions)
		}
		if _, err := m.Measure(t.Context(), Plan{}); err == nil {
			t.Error("an empty plan is carried out")
		}
		r.mu.Lock()
		r.hour += 10 * sky.Degree
		r.mu.Unlock()
		if _, err := m.Measure(t.Context(), p); err == nil || !strings.Contains(err.Error(), "has moved since") {
			t.Errorf("the mount was moved by hand: %v", err)
		}
		r.mu.Lock()
		r.hour -= 10 * sky.Degree
		r.mu.Unlock()
		time.Sleep(PlanLife + time.Second)
		if _, err := m.Measure(t.Context(), p); err == nil || !strings.Contains(err.Error(), "minutes ago") {
			t.Errorf("an old plan: %v", err)
		}
		if r.turns != 0 {
			t.Errorf("it moved %d times", r.turns)
		}
	})
}

// The loop exposes on, through lost connections, and has the drive switched off at a limit.
func TestLoop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(-50*sky.Degree, 20*sky.Degree)
		m := New(r, r, r.options())
		p, err := m.Propose(t.Context(), Request{})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := m.Measure(t.Context(), p); err != nil {
			t.Fatal(err)
		}
		turns, from := r.turns, time.Now()
		r.lost = func(*rig) bool { s := time.Since(from); return s > time.Minute && s < 3*time.Minute }
		ctx, cancel := context.WithTimeout(t.Context(), 2*time.Hour)
		defer cancel()
		if err := m.Loop(ctx); err != nil {
			t.Fatal(err)
		}
		if r.shots < 3000 || r.turns != turns {
			t.Errorf("%d pictures, %d turns", r.shots, r.turns-turns)
		}
		// From -10 degrees the drive would have carried the tube 20 degrees beyond the meridian by then.
		if h := r.at(); r.tracking || h > 5.1*sky.Degree || h < 4*sky.Degree {
			t.Errorf("tracking %v at hour angle %.1f", r.tracking, h.Degrees())
		}
	})
}

func TestPropose(t *testing.T) {
	gain, low, high := 100.0, 0.0, 400.0
	info := devices.CameraInfo{Gain: &gain, LowGain: &low, HiGain: &high, Longest: 10 * time.Second}
	at := func(s float64) devices.Shot { return devices.Shot{Exposure: time.Duration(s * float64(time.Second))} }
	for _, c := range []struct {
		name     string
		shot     devices.Shot
		seen     Seen
		seconds  float64
		gain     float64 // 0: left alone
		changing bool
	}{
		{"good", at(2), Seen{Solved: true, Stars: 100, Saturated: 3}, 2, 0, false},
		{"few", at(2), Seen{Stars: 25}, 4, 0, true},
		{"very few", at(1), Seen{Stars: 3}, 4, 0, true},
		{"few at the longest", at(10), Seen{Stars: 25}, 10, 200, true},
		{"saturated", at(2), Seen{Stars: 100, Saturated: 50}, 2, 0, true}, // gain goes down
		{"very many", at(2), Seen{Stars: 2000}, 1, 0, true},
	} {
		got, why := nextShot(c.shot, c.seen, info)
		if c.name == "saturated" {
			if got.Gain == nil || *got.Gain >= gain {
				t.Errorf("%s: %+v", c.name, got)
			}
			continue
		}
		if got.Exposure.Seconds() != c.seconds || (why.Text != "") != c.changing || (c.gain == 0) != (got.Gain == nil) || c.gain != 0 && *got.Gain != c.gain {
			t.Errorf("%s: %+v %q", c.name, got, why)
		}
	}
}
