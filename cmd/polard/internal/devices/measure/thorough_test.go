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

	"pgregory.net/rapid"
)

// german is a rig that reports its side of the pier, which is that on which a tube usually is that
// looks east.
func german() *rig {
	r := newRig(-50*sky.Degree, 30*sky.Degree)
	r.side = devices.SideWest
	return r
}

// At two declinations and on both sides of the pier: the plan says all of it, and it is carried out.
func TestThorough(t *testing.T) {
	for name, c := range map[string]struct {
		set      func(*rig, *Options)
		pictures int
		over     bool
		says     string
	}{
		"all":                        {nil, 7, true, "over the pole to the other side of the pier"},
		"all, and slow reports":      {func(r *rig, _ *Options) { r.reportLag = time.Second }, 7, true, "over the pole"},
		"all, and no drive":          {func(r *rig, _ *Options) { r.tracking = false }, 7, true, "over the pole"},
		"a tube a degree off square": {func(r *rig, _ *Options) { r.cone = sky.Degree }, 7, true, "over the pole"},
		"in the south": {func(r *rig, o *Options) {
			r.site.Latitude, r.dec = -testSite.Latitude, -30*sky.Degree
			o.Site = r.site
		}, 7, true, "degrees to the south, over the pole"},
		"by coordinates only":        {func(r *rig, _ *Options) { r.oneSided = true }, 3, false, "Left out: a second declination, since the mount cannot turn"},
		"no side of the pier":        {func(r *rig, _ *Options) { r.side = devices.SideUnknown }, 5, false, "Left out: the other side of the pier, since the mount does not report"},
		"cables that reach 60 only":  {func(_ *rig, o *Options) { o.Limits.MaxTurn = 60 * sky.Degree }, 5, false, "Left out: the other side of the pier: that is"},
		"an obstacle up to 48 high":  {func(_ *rig, o *Options) { o.Limits.MinAltitude = 48 * sky.Degree }, 5, false, "Left out: the other side of the pier: the tube would point"},
		"the side of those who wait": {func(r *rig, _ *Options) { r.hour = 50 * sky.Degree; r.began = r.hour; r.side = devices.SideEast }, 7, true, "over the pole"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := german()
				opt := r.options()
				if c.set != nil {
					c.set(r, &opt)
				}
				p, seen, err := r.measured(t.Context(), opt, Request{Thorough: true})
				if err != nil {
					t.Fatalf("%v; %s", err, p.Saying().Text)
				}
				if len(seen) != c.pictures || len(p.Stops) != c.pictures || p.over() != c.over || !strings.Contains(p.Saying().Text, c.says) {
					t.Errorf("%d pictures of %d: %s", len(seen), len(p.Stops), p.Saying().Text)
				}
				if beyond := (Position{r.at(), r.dec}).Beyond(); beyond != c.over || r.moving != 0 || r.lifting != 0 {
					t.Errorf("in the end beyond the pole %t, moving by %v and %v", beyond, r.moving, r.lifting)
				}
				last := p.Stops[len(p.Stops)-1]
				if d := (r.dec - last.Dec).Abs(); d > 2*sky.Degree {
					t.Errorf("it ends %.1f degrees in declination from the plan", d.Degrees())
				}
			})
		})
	}
}

// Whatever the sky, no move of a thorough plan passes a limit: found again by looking along the plan with
// formulas of its own.
func TestNoThoroughPlanPassesALimit(t *testing.T) {
	l := DefaultLimits()
	if p := thoroughWithin(t, testSite.Latitude, time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), l, -50*sky.Degree, 30*sky.Degree); !p.over() {
		t.Errorf("no plan over the pole: %s", p.Saying().Text)
	}
	rapid.Check(t, func(t *rapid.T) {
		degrees := func(lo, hi float64, name string) sky.Angle {
			return sky.Angle(rapid.Float64Range(lo, hi).Draw(t, name)) * sky.Degree
		}
		lat := degrees(-70, 70, "lat")
		at := time.Date(2026, 1, 1, rapid.IntRange(0, 23).Draw(t, "hour of day"), 0, 0, 0, time.UTC)
		l.Daylight = rapid.Bool().Draw(t, "daylight")
		l.MaxTurn = degrees(40, 150, "max turn")
		hour := degrees(-80, 80, "hour")
		thoroughWithin(t, lat, at, l, hour, min(max(lat+degrees(-50, 50, "from the zenith"), -85*sky.Degree), 85*sky.Degree))
	})
}

// thoroughWithin makes the plan of a thorough measurement from where a mount stands, on the prime meridian, and looks along
// it; the plan is empty where the limits allow none.
func thoroughWithin(t rapid.TB, lat sky.Angle, at time.Time, l Limits, hour, dec sky.Angle) Plan {
	t.Helper()
	w, err := surroundingsAt(sky.Site{Latitude: lat}, sky.StandardAir(0), at)
	if err != nil {
		t.Fatal(err)
	}
	s := devices.MountState{RA: (w.observer.LocalSidereal() - hour).Positive(), Dec: dec, FreeAxes: true, Side: homeSide(devices.SideUnknown, hour)}
	p, err := propose(w, l, Request{Thorough: true}, s, time.Now())
	if err != nil {
		return Plan{}
	}
	stands := p.Stops[0].Position
	for _, move := range p.moves() {
		for i := range 51 {
			share := sky.Angle(float64(i) / 50)
			h, d := stands.Hour, stands.Dec
			if move.Axis == Declination {
				d += move.By * share
			} else {
				h += move.By * share
			}
			if sinAlt := lat.Sin()*d.Sin() + lat.Cos()*d.Cos()*h.Cos(); sky.Asin(sinAlt) < 29.9*sky.Degree {
				t.Fatalf("altitude %.2f on the way", sky.Asin(sinAlt).Degrees())
			}
			if near := sky.Separation(Position{h, d}.Local(lat), w.sun); near < 29.9*sky.Degree {
				t.Fatalf("%.2f degrees from the Sun on the way", near.Degrees())
			}
			if most := max((h - p.Stops[0].Hour).Abs(), (d - p.Stops[0].Dec).Abs()); most > l.MaxTurn+0.01*sky.Degree {
				t.Fatalf("%.1f degrees from the start, of %.1f allowed", most.Degrees(), l.MaxTurn.Degrees())
			}
			// The axis itself: on the west side its counterweight hangs at hour angles from -180 to 0.
			counterweight := h.Signed()
			if s.Side == devices.SideEast {
				counterweight = -counterweight
			}
			if counterweight > 5.1*sky.Degree && counterweight < 174.9*sky.Degree {
				t.Fatalf("the axis stands %.1f degrees beyond the meridian", counterweight.Degrees())
			}
		}
		stands = stands.add(move.along(move.By))
	}
	return p
}

// Stopped at any moment of a thorough measurement it stands within 0.2 s, and so it does when the connection
// is lost; the movement goes on only after the user has said so again.
func TestThoroughStopped(t *testing.T) {
	for after := 20 * time.Second; after < 110*time.Second; after += 2300 * time.Millisecond {
		synctest.Test(t, func(t *testing.T) {
			r := german()
			ctx, cancel := context.WithCancel(t.Context())
			var stopped time.Time
			time.AfterFunc(after, func() { stopped = time.Now(); cancel() })
			if _, _, err := r.measured(ctx, r.options(), Request{Thorough: true}); err == nil {
				return
			}
			if late := r.stoppedAfter(t, after.String(), stopped); late > stopLimit {
				t.Errorf("after %v: the mount was told to stop %v later", after, late)
			}
			r.at()
			if r.moving != 0 || r.lifting != 0 {
				t.Errorf("after %v: it moves on", after)
			}
		})
		synctest.Test(t, func(t *testing.T) {
			r := german()
			from := time.Now().Add(after)
			gone := func() bool { n := time.Now(); return !n.Before(from) && n.Before(from.Add(30*time.Second)) }
			moving := false
			r.lost = func(r *rig) bool {
				moving = moving || gone() && (r.moving != 0 || r.lifting != 0)
				return gone()
			}
			r.expose = func(context.Context, *rig) error {
				if gone() {
					return devices.ErrLost
				}
				return nil
			}
			asked := 0
			opt := r.options()
			opt.GoOn = func(context.Context, string) error { asked++; return nil }
			p, seen, err := r.measured(t.Context(), opt, Request{Thorough: true})
			if err != nil || len(seen) < len(p.Stops) || asked > 1 || moving && asked == 0 {
				t.Errorf("lost after %v: %d pictures, asked %d times, moving %t: %v", after, len(seen), asked, moving, err)
			}
			if moving {
				if late := r.stoppedAfter(t, after.String(), from); late > stopLimit {
					t.Errorf("lost after %v: told to stop %v later", after, late)
				}
			}
		})
	}
}

// Faults of a movement in declination, or over the pole.
func TestThoroughFaults(t *testing.T) {
	for name, c := range map[string]struct {
		set   func(*rig)
		kind  error
		words string
	}{
		"right ascension moves along":      {func(r *rig) { r.hourRate = 0.5 * float64(sky.Degree) }, ErrHour, "right ascension moved by"},
		"stands still at the pole":         {func(r *rig) { r.poleStop = 5 * sky.Degree }, ErrStalled, "came to a stand after"},
		"declination axis never moves":     {func(r *rig) { r.poleStop = 200 * sky.Degree }, ErrStalled, "stands still"},
		"does not report the other side":   {func(r *rig) { r.sideless = true }, ErrWhere, "does not report the other side"},
		"changes its side without need":    {func(r *rig) { r.onState = func(r *rig) { r.side = side2(r.lifting != 0 && r.dec < 60*sky.Degree) } }, ErrStalled, "change its side of the pier"},
		"pictures do not show what it did": {func(r *rig) { r.expose = func(_ context.Context, r *rig) error { r.blind = r.lifts > 0; return nil } }, ErrWhere, "after it was moved in declination"},
		"parks itself":                     {func(r *rig) { r.onState = func(r *rig) { r.parked = r.lifting != 0 } }, ErrStalled, "parked"},
		"lifts the wrong way":              {func(r *rig) { r.onState = func(r *rig) { r.lifting = -abs(r.lifting) } }, ErrStalled, "the wrong way"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := german()
				c.set(r)
				_, seen, err := r.measured(t.Context(), r.options(), Request{Thorough: true})
				if !errors.Is(err, c.kind) || !strings.Contains(err.Error(), c.words) {
					t.Fatalf("%v, want words like %q", err, c.words)
				}
				t.Log(err)
				if len(seen) < 3 || r.moving != 0 || r.lifting != 0 {
					t.Errorf("%d pictures, moving by %v and %v", len(seen), r.moving, r.lifting)
				}
			})
		})
	}
}

func abs(x float64) float64 { return max(x, -x) }

func side2(other bool) devices.PierSide {
	if other {
		return devices.SideEast
	}
	return devices.SideWest
}

// The limits hold while declination moves, too: the mount goes on beyond what was planned, and is stopped.
func TestLimitWhileLifting(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := german()
		m := New(r, r, r.options())
		p, err := m.Propose(t.Context(), Request{Thorough: true})
		if err != nil {
			t.Fatal(err)
		}
		r.onState = func(r *rig) {
			if r.lifting != 0 {
				m.opt.Limits.MaxTurn = 10 * sky.Degree // behind the plan's back
			} else if r.dec < 31*sky.Degree {
				m.opt.Limits.MaxTurn = 75 * sky.Degree
			}
		}
		_, err = m.Measure(t.Context(), p)
		var v *Violation
		if !errors.As(err, &v) || v.Code != "turn" {
			t.Fatalf("%v", err)
		}
		if r.dec > 41*sky.Degree {
			t.Errorf("it stopped at declination %.1f; the limit is 40", r.dec.Degrees())
		}
	})
}
