package measure

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"polard/cmd/polard/internal/devices"
	"polard/mountmodel/sky"

	"pgregory.net/rapid"
)

// A position is where its hour angle and declination say: Meeus, Astronomical Algorithms (2nd ed.
// 1998), example 13.b: hour angle 64.352133 degrees, declination -6.719892, latitude 38.921389 give
// azimuth 68.0337 from the south, altitude 15.1249.
func TestPosition(t *testing.T) {
	lat := 38.921389 * sky.Degree
	p := Position{64.352133 * sky.Degree, -6.719892 * sky.Degree}
	alt, az := sky.AltAzFromLocal(p.Local(lat))
	if math.Abs(alt.Degrees()-15.1249) > 1e-4 || math.Abs(az.Degrees()-248.0337) > 1e-4 {
		t.Errorf("altitude %.4f, azimuth %.4f", alt.Degrees(), az.Degrees())
	}
	rapid.Check(t, func(t *rapid.T) {
		p := Position{sky.Angle(rapid.Float64Range(-179, 179).Draw(t, "hour")) * sky.Degree, sky.Angle(rapid.Float64Range(-89, 89).Draw(t, "dec")) * sky.Degree}
		lat := sky.Angle(rapid.Float64Range(-90, 90).Draw(t, "lat")) * sky.Degree
		q := positionFromLocal(p.Local(lat), lat)
		if (p.Hour-q.Hour).Signed().Abs() > 1e-9 || (p.Dec-q.Dec).Abs() > 1e-9 {
			t.Errorf("%v comes back as %v", p, q)
		}
	})
}

// Whatever is asked for, no step of a plan passes a limit: found again by looking at each of its
// degrees with formulas of its own.
func TestNoPlanPassesALimit(t *testing.T) {
	plans, tries := 0, 0
	defer func() {
		if 10*plans < tries {
			t.Errorf("of %d tries only %d made a plan", tries, plans)
		}
	}()
	rapid.Check(t, func(t *rapid.T) {
		degrees := func(lo, hi float64, name string) sky.Angle {
			return sky.Angle(rapid.Float64Range(lo, hi).Draw(t, name)) * sky.Degree
		}
		site := sky.Site{Latitude: degrees(-80, 80, "lat"), Longitude: degrees(-180, 180, "lon")}
		now := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(rapid.Int64Range(0, 365*24*3600).Draw(t, "second")) * time.Second)
		w, err := surroundingsAt(site, sky.StandardAir(0), now)
		if err != nil {
			t.Fatal(err)
		}
		l := DefaultLimits()
		l.Daylight = rapid.Bool().Draw(t, "daylight")
		s := devices.MountState{RA: (w.observer.LocalSidereal() - degrees(-120, 120, "hour")).Positive(), Dec: min(max(site.Latitude+degrees(-60, 60, "from the zenith"), -90*sky.Degree), 90*sky.Degree), Side: rapid.SampledFrom([]devices.PierSide{devices.SideUnknown, devices.SideEast, devices.SideWest}).Draw(t, "side")}
		q := Request{Way: rapid.SampledFrom([]Way{EitherWay, East, West}).Draw(t, "way"), Frames: rapid.IntRange(2, 6).Draw(t, "frames")}
		if rapid.Bool().Draw(t, "fixed") {
			q.Turn = degrees(5, 150, "turn")
		}
		tries++
		p, err := propose(w, l, q, s, now)
		if err != nil {
			return
		}
		plans++
		if w.sunUp && !l.Daylight {
			t.Fatal("a plan while the Sun is up")
		}
		if p.Turn().Abs() > 75.001*sky.Degree || q.Turn != 0 && (p.Turn().Abs()-q.Turn).Abs() > sky.Arcsecond {
			t.Errorf("a turn of %.1f degrees", p.Turn().Degrees())
		}
		if q.Way == West && p.By < 0 || q.Way == East && p.By > 0 {
			t.Errorf("it goes %s", way(p.By))
		}
		h0 := (w.observer.LocalSidereal() - s.RA).Signed()
		for i := range 101 {
			h := h0 + p.Turn()*sky.Angle(float64(i)/100)
			sinAlt := site.Latitude.Sin()*s.Dec.Sin() + site.Latitude.Cos()*s.Dec.Cos()*h.Cos()
			if sky.Asin(sinAlt) < 29.9*sky.Degree {
				t.Fatalf("altitude %.2f on the way", sky.Asin(sinAlt).Degrees())
			}
			if near := sky.Separation(Position{h, s.Dec}.Local(site.Latitude), w.sun); near < 29.9*sky.Degree {
				t.Fatalf("%.2f degrees from the Sun on the way", near.Degrees())
			}
			// On the west side of the pier the tube looks east, that is, to falling azimuth of its side.
			side := s.Side
			if side == devices.SideUnknown {
				side = devices.SideEast
				if h0 <= 0 {
					side = devices.SideWest
				}
			}
			east := h.Sin() < 0
			if past := sky.Asin(math.Abs(h.Sin())); east != (side == devices.SideWest) && past > 5.1*sky.Degree {
				t.Fatalf("%.1f degrees beyond the meridian on the way", past.Degrees())
			}
		}
	})
}

// A plan may end an axis just where cables end. It then stands a little beyond, as turns end: it may stay there and turn back, and
// the other axis may turn, but it may not go farther.
func TestAxisAtTheEndOfItsCables(t *testing.T) {
	w, err := surroundingsAt(sky.Site{Latitude: 45 * sky.Degree}, sky.StandardAir(0), time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC))
	if err != nil {
		t.Fatal(err)
	}
	l := DefaultLimits()
	l.Daylight, l.MinAltitude = true, -90*sky.Degree
	over := l.MaxTurn + 0.4*sky.Degree
	for _, c := range []struct {
		name    string
		already Position
		moves   []Move
		refused bool
	}{
		{"it stays", Position{Dec: over}, nil, false},
		{"the other turns", Position{Dec: over}, []Move{{RightAscension, -40 * sky.Degree}}, false},
		{"it turns back", Position{Dec: -over}, []Move{{Declination, 20 * sky.Degree}}, false},
		{"it goes on", Position{Dec: over}, []Move{{Declination, 1 * sky.Degree}}, true},
		{"it goes on, to the other end", Position{Hour: -over}, []Move{{RightAscension, 2 * over}}, true},
		{"it was carried off", Position{Dec: l.MaxTurn + 5*sky.Degree}, nil, true},
	} {
		from := Position{Hour: -60 * sky.Degree, Dec: 20 * sky.Degree}
		v := l.check(w, from, c.moves, c.already, devices.SideWest)
		if refused := v != nil && v.Code == "turn"; refused != c.refused {
			t.Errorf("%s: %v", c.name, v)
		}
	}
}

// Each limit refuses by itself, and says what is the matter.
func TestEachLimitRefuses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for _, c := range []struct {
			name  string
			at    Position
			q     Request
			set   func(*rig, *Options)
			words string
		}{
			{"too low", Position{-80 * sky.Degree, 0}, Request{}, nil, "lowest allowed is 30"},
			{"would get too low", Position{40 * sky.Degree, 10 * sky.Degree}, Request{Turn: 40 * sky.Degree, Way: West}, nil, "lowest allowed is 30"},
			{"crosses the meridian", Position{-10 * sky.Degree, 20 * sky.Degree}, Request{Turn: 40 * sky.Degree, Way: West}, nil, "beyond the meridian"},
			{"is beyond the meridian", Position{-20 * sky.Degree, 20 * sky.Degree}, Request{}, func(r *rig, _ *Options) { r.side = devices.SideEast }, "beyond the meridian"},
			{"crosses the lower meridian", Position{170 * sky.Degree, 80 * sky.Degree}, Request{Turn: 40 * sky.Degree, Way: West}, nil, "beyond the meridian"},
			{"too far", Position{-60 * sky.Degree, 60 * sky.Degree}, Request{Turn: 80 * sky.Degree}, nil, "trusted for 75"},
			{"parked", Position{-50 * sky.Degree, 20 * sky.Degree}, Request{}, func(r *rig, _ *Options) { r.parked = true }, "parked"},
			{"reports a limit", Position{-50 * sky.Degree, 20 * sky.Degree}, Request{}, func(r *rig, _ *Options) { r.trouble = "horizon limit reached" }, "horizon limit reached"},
			{"moves", Position{-50 * sky.Degree, 20 * sky.Degree}, Request{}, func(r *rig, _ *Options) { r.moving = 0.001 }, "moving already"},
			{"a way that is no way", Position{-50 * sky.Degree, 20 * sky.Degree}, Request{Way: "up"}, nil, "west or east"},
			{"limits that are none", Position{-50 * sky.Degree, 20 * sky.Degree}, Request{}, func(_ *rig, o *Options) { o.Limits.MaxTurn = 400 * sky.Degree }, "greatest turn"},
		} {
			r := newRig(c.at.Hour, c.at.Dec)
			opt := r.options()
			if c.set != nil {
				c.set(r, &opt)
			}
			_, _, err := r.measured(t.Context(), opt, c.q)
			if err == nil || !strings.Contains(err.Error(), c.words) {
				t.Errorf("%s: %v, want words like %q", c.name, err, c.words)
			}
			if r.turns != 0 {
				t.Errorf("%s: it moved", c.name)
			}
		}
	})
}

// The Sun: up, nothing moves; overridden, never within 30 degrees of it; and when it rises during
// a measurement, the measurement ends.
func TestSun(t *testing.T) {
	day := func(hour sky.Angle, dec sky.Angle, after time.Duration) *rig {
		time.Sleep(after) // to that time of the bubble's first day
		return newRig(hour, dec)
	}
	synctest.Test(t, func(t *testing.T) {
		// On 1 January the Sun culminates near declination -23, 11:11 UTC at this place.
		r := day(-50*sky.Degree, 40*sky.Degree, 11*time.Hour+10*time.Minute)
		_, _, err := r.measured(t.Context(), r.options(), Request{})
		if err == nil || !strings.Contains(err.Error(), "the Sun is up") || r.turns != 0 {
			t.Errorf("by day: %v, %d turns", err, r.turns)
		}
		opt := r.options()
		opt.Limits.Daylight = true
		if _, _, err := r.measured(t.Context(), opt, Request{}); err != nil {
			t.Errorf("by day, overridden, far from the Sun: %v", err)
		}
		// A path at declination 0 passes the Sun at 23 degrees from the meridian on.
		opt.Limits.MinAltitude = 0
		r.hour, r.dec = -45*sky.Degree, 0
		turns := r.turns
		_, _, err = r.measured(t.Context(), opt, Request{Turn: 45 * sky.Degree, Way: West})
		if err == nil || !strings.Contains(err.Error(), "from the Sun") || r.turns != turns {
			t.Errorf("by day, towards the Sun: %v, %d turns", err, r.turns-turns)
		}
	})
	synctest.Test(t, func(t *testing.T) {
		// Sunrise at this place that day is at about 6:50 UTC (from memory); the upper edge is up some
		// minutes before 7:00.
		r := day(-50*sky.Degree, 40*sky.Degree, 6*time.Hour)
		opt := r.options()
		m := New(r, r, opt)
		p, err := m.Propose(t.Context(), Request{})
		if err != nil {
			t.Fatal(err)
		}
		slow := true
		r.expose = func(ctx context.Context, _ *rig) error {
			if slow {
				slow = false
				time.Sleep(time.Hour)
			}
			return nil
		}
		if _, err = m.Measure(t.Context(), p); err == nil || !strings.Contains(err.Error(), "the Sun is up") || r.turns != 0 {
			t.Errorf("sunrise during the measurement: %v, %d turns", err, r.turns)
		}
	})
}

// A limit is held while the axis moves, too: the mount overshoots, or goes another way than told.
func TestLimitWhileMoving(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(-44*sky.Degree, 20*sky.Degree)
		m := New(r, r, r.options())
		p, err := m.Propose(t.Context(), Request{Turn: 40 * sky.Degree, Way: West, Frames: 2})
		if err != nil {
			t.Fatal(err)
		}
		// The limit is drawn tighter behind the plan's back: only the watch over the movement sees it.
		r.onState = func(r *rig) {
			if r.hour > -35*sky.Degree {
				m.opt.Limits.MaxTurn = 20 * sky.Degree
			}
		}
		_, err = m.Measure(t.Context(), p)
		var v *Violation
		if !errors.As(err, &v) || v.Code != "turn" {
			t.Fatalf("%v", err)
		}
		if turned := r.at() + 44*sky.Degree; turned > 20.3*sky.Degree || turned < 15*sky.Degree {
			t.Errorf("it stopped after %.2f degrees; the limit is 20", turned.Degrees())
		}
	})
}
