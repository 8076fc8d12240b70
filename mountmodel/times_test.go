package mountmodel

import (
	"fmt"
	"testing"
	"time"

	"polard/mountmodel/axis"
	"polard/mountmodel/sky"
)

func warns(v View, code axis.WarningCode) bool {
	for _, w := range v.Warnings {
		if w.Code == code {
			return true
		}
	}
	return false
}

// A clock that stands still is noticed at the second frame, before anybody turns a
// bolt by it; the same file twice is no such thing.
func TestClockStandsStill(t *testing.T) {
	d := newDesk(t, 81, 47*sky.Degree, 10*sky.Degree, nil)
	stopped := d.m.Now
	shoot := func(turn sky.Angle) View {
		d.m.Theta += turn
		d.m.Wait(30*time.Second, d.drive)
		d.count++
		s := sightingOf(d.m, "f"+string(rune('0'+d.count)), 1)
		s.Mid = stopped
		d.Take(d.m.Now, s)
		return d.View()
	}
	if v := shoot(0); warns(v, WarnClockStands) {
		t.Errorf("one frame: %+v", v.Warnings)
	}
	if v := shoot(40 * sky.Degree); !warns(v, WarnClockStands) || !v.Doubt || v.Said.Code != "clock_stands" {
		t.Errorf("doubt %v, told %q: %+v", v.Doubt, v.Instruction, v.Warnings)
	}

	d = newDesk(t, 81, 47*sky.Degree, 10*sky.Degree, nil)
	d.shoot(0)
	s := sightingOf(d.m, "copy", 1)
	d.Take(d.m.Now, s)
	s.Name = "another name"
	d.Take(d.m.Now, s)
	if v := d.shoot(40 * sky.Degree); warns(v, WarnClockStands) {
		t.Errorf("a copied file: %+v", v.Warnings)
	}
}

// A clock that stops after the measurement: each frame is refused as not newer than the last, whether or not the camera turns.
// A frame and its two copies, calibrated and made to be looked at, are no such clock, nor are short exposures with
// times cut to seconds.
func TestClockStops(t *testing.T) {
	for name, begin := range map[string]func(*testing.T, uint64) *desk{"adjusting": adjustingDesk, "done": confirmedDesk} {
		for _, c := range []struct {
			turn   sky.Angle     // between the frames
			every  time.Duration // frames come
			frames int
			stands bool
		}{
			{40 * sky.Degree, 30 * time.Second, 1, true},
			{0, 30 * time.Second, mostCopies - 1, false},
			{0, 30 * time.Second, mostCopies, true},
			{0, 200 * time.Millisecond, 2 * mostCopies, false},
		} {
			d := begin(t, 83)
			stopped := d.m.Now
			for n := range c.frames {
				d.m.Theta += c.turn
				d.m.Wait(c.every, true)
				s := sightingOf(d.m, fmt.Sprintf("late%d", n), 1)
				s.Mid = stopped
				d.Take(d.m.Now.Add(2*time.Second), s)
			}
			if v := d.View(); warns(v, WarnClockStands) != c.stands || v.Doubt != c.stands || (v.Said.Code == "clock_stands") != c.stands {
				t.Errorf("%s, %+v: doubt %v, told %q: %+v", name, c, v.Doubt, v.Instruction, v.Warnings)
			}
		}
	}
}

// Stars by day: the longitude's sign, most often.
func TestStarsByDay(t *testing.T) {
	for _, flipped := range []bool{false, true} {
		d := newDesk(t, 82, 40*sky.Degree, 5*sky.Degree, nil)
		// Two in the morning at 105 degrees west, in January.
		d.m.Site.Longitude = -105 * sky.Degree
		d.m.Now = time.Date(2026, 1, 12, 9, 0, 0, 0, time.UTC)
		cfg := d.cfg
		cfg.Site.Longitude = -105 * sky.Degree
		if flipped {
			cfg.Site.Longitude = 105 * sky.Degree
		}
		if err := d.Reconfigure(cfg); err != nil {
			t.Fatal(err)
		}
		// The frame is of the true place, wherever the session takes it to be.
		d.Take(d.m.Now, sightingOf(d.m, "f", 1))
		if v := d.View(); warns(v, WarnDaylight) != flipped || len(v.Frames) != 1 {
			t.Errorf("longitude flipped %v: %+v, %+v", flipped, v.Frames, v.Warnings)
		}
	}
}

// A dark sky in what would be twilight by place and time: told as stars by day are.
func TestDarkSkyInTwilight(t *testing.T) {
	dark := 20.0
	for _, limit := range []*float64{nil, &dark} {
		d := newDesk(t, 82, 40*sky.Degree, 5*sky.Degree, nil)
		// Half past five in the evening at 105 degrees west, in January: the Sun is some six degrees down.
		d.m.Site.Longitude = -105 * sky.Degree
		d.m.Now = time.Date(2026, 1, 12, 0, 30, 0, 0, time.UTC)
		cfg := d.cfg
		cfg.Site.Longitude = -105 * sky.Degree
		if err := d.Reconfigure(cfg); err != nil {
			t.Fatal(err)
		}
		s := sightingOf(d.m, "f", 1)
		s.SkyLimit = limit
		d.Take(d.m.Now, s)
		v := d.View()
		if told := limit != nil; warns(v, WarnDaylight) != told || (v.Suggested != nil) != told || len(v.Frames) != 1 {
			t.Errorf("limit %v: %+v, %+v, %+v", limit, v.Frames, v.Warnings, v.Suggested)
		}
	}
}
