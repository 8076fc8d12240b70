package alarm

import (
	"strings"
	"testing"
	"time"

	"polard/mountmodel/sky"
	"polard/web"
)

var evening = time.Date(2026, 3, 14, 20, 0, 0, 0, time.UTC)

// watched is a state at a pole of 60 degrees of altitude, where azimuth counts half
// on the sky, of an axis that ordinary exposures show at an offset.
func watched(alt, az, sigmaArcsec float64) web.State {
	return web.State{
		Phase: "watching", Pole: &web.Pole{Direction: web.Direction{AltDeg: 60}},
		Watch: &web.Watch{
			Offset:      &web.Offset{AltArcmin: web.Number(alt), AzArcmin: web.Number(az)},
			Uncertainty: &web.Uncertainty{AltArcsec: web.Number(sigmaArcsec), AzArcsec: web.Number(sigmaArcsec)},
			Nights:      []web.WatchedNight{{UncertaintyArcsec: 3}, {Offset: web.Offset{AltArcmin: 1, AzArcmin: 2}, UncertaintyArcsec: 3}},
		},
	}
}

func frame(s web.State, id int64, solved bool) web.State {
	s.Latest = &web.Latest{ID: id, Solved: solved}
	if !solved {
		s.Latest.Problem = &web.Notice{Code: "few_stars", Message: "12 stars are too few."}
	}
	return s
}

func has(all []web.Alarm, code string) *web.Alarm {
	for i := range all {
		if all[i].Code == code {
			return &all[i]
		}
	}
	return nil
}

func TestAxisMoved(t *testing.T) {
	limit := Options{Moved: 5 * sky.Arcminute}
	confirmed := watched(9, 0, 3)
	confirmed.Phase = "done"
	confirmed.Measured = &web.AxisStatus{Offset: web.Offset{AltArcmin: 2}, Uncertainty: web.Uncertainty{AltArcsec: 2, AzArcsec: 2}}
	measured := func(alt float64, sigmaArcsec float64) web.State {
		return web.State{
			Phase: "adjusting", Pole: &web.Pole{Direction: web.Direction{AltDeg: 60}},
			Measured:  &web.AxisStatus{Offset: web.Offset{AltArcmin: web.Number(alt), AzArcmin: 2}, Uncertainty: web.Uncertainty{AltArcsec: web.Number(sigmaArcsec)}},
			Equipment: &web.EquipmentState{Before: &web.AxisBefore{Offset: web.Offset{AltArcmin: 1, AzArcmin: 2}, Uncertainty: web.Uncertainty{AltArcsec: 2, AzArcsec: 2}, AtUTC: "2026-03-13T20:00:00Z"}},
		}
	}
	unknown := measured(60, 3)
	unknown.Equipment.Before = nil
	first := watched(60, 60, 3)
	first.Watch.Nights = nil
	for _, c := range []struct {
		name  string
		state web.State
		want  bool
	}{
		{"where it was", watched(1, 2, 3), false},
		{"4.9 up", watched(5.9, 2, 3), false},
		{"5.1 up", watched(6.1, 2, 3), true},
		{"9.8 in azimuth, 4.9 on the sky", watched(1, 11.8, 3), false},
		{"10.2 in azimuth, 5.1 on the sky", watched(1, 12.2, 3), true},
		{"6 up, but known to 3 arcminutes only", watched(7, 2, 180), false},
		{"7 from where it was confirmed", confirmed, true},
		{"a first night has nothing to compare with", first, false},
		{"measured through the devices, 4.9 up", measured(5.9, 3), false},
		{"measured through the devices, 5.1 up", measured(6.1, 3), true},
		{"measured through the devices to 3 arcminutes, 6 up", measured(7, 180), false},
		{"measured through the devices for the first time", unknown, false},
		{"nothing watched", web.State{Phase: "waiting"}, false},
	} {
		if got := has(NewJudge(limit).See(c.state, evening), AxisMoved); (got != nil) != c.want {
			t.Errorf("%s: alarm %v, want %t", c.name, got, c.want)
		}
	}
	if all := NewJudge(Options{}).See(watched(99, 0, 1), evening); len(all) != 0 {
		t.Errorf("without limits: %v", all)
	}
}

// An alarm keeps the moment at which it was raised until it goes.
func TestAlarmKeepsItsTime(t *testing.T) {
	j := NewJudge(Options{Moved: 5 * sky.Arcminute})
	j.See(watched(60, 0, 3), evening)
	if a := has(j.See(watched(61, 0, 3), evening.Add(time.Hour)), AxisMoved); a == nil || a.SinceUTC != "2026-03-14T20:00:00Z" || !strings.Contains(a.Message, "1.00°") {
		t.Errorf("%+v", a)
	}
	j.See(watched(1, 0, 3), evening.Add(2*time.Hour))
	if a := has(j.See(watched(60, 0, 3), evening.Add(3*time.Hour)), AxisMoved); a == nil || a.SinceUTC != "2026-03-14T23:00:00Z" {
		t.Errorf("%+v", a)
	}
}

// Frames count once, however often their state is published, and one that is
// solved ends the row.
func TestFramesUnsolved(t *testing.T) {
	j := NewJudge(Options{Unsolved: 3})
	s := web.State{}
	for id, c := range []struct{ solved, want bool }{{false, false}, {false, false}, {true, false}, {false, false}, {false, false}, {false, true}, {false, true}, {true, false}} {
		for range 3 {
			a := has(j.See(frame(s, int64(id+1), c.solved), evening), Unsolved)
			if (a != nil) != c.want {
				t.Errorf("frame %d: alarm %v, want %t", id+1, a, c.want)
			}
			if a != nil && !strings.Contains(a.Message, "12 stars") {
				t.Errorf("does not say why: %s", a.Message)
			}
		}
	}
}
