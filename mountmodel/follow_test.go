package mountmodel

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"polard/mountmodel/adjust"
	"polard/mountmodel/axis"
	"polard/mountmodel/clock"
	"polard/mountmodel/internal/simmount"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// adjusting brings a desk to turned bolts, the camera 20 degrees from the axis
// and away from the meridian, where a turn in declination is not like one of
// the altitude bolt.
func adjustingDesk(t *testing.T, seed uint64) *desk {
	t.Helper()
	d := newDesk(t, seed, 44*sky.Degree, 20*sky.Degree, nil)
	for d.Phase() != Adjusting {
		d.shoot(30 * sky.Degree)
	}
	for range 36 { // a boresight beside the axis
		side := r3.Cross(d.m.Axis, d.m.Attitude().Column(2))
		if s := r3.Dot(side, sky.Vec{Z: 1}) / r3.Norm(side); s > 0.7 || s < -0.7 {
			break
		}
		d.shoot(10 * sky.Degree)
	}
	d.m.TurnBolts(6*sky.Arcminute, -4*sky.Arcminute, sky.Vec{})
	if v := d.shoot(0); len(v.Adjust) == 0 || v.Doubt {
		t.Fatalf("bolts turned, and told %q", v.Instruction)
	}
	return d
}

// turnDeclination turns the tube about the axis square to RA axis and boresight.
func turnDeclination(m *simmount.Mount, by sky.Angle) {
	bore := m.Body.Column(2)
	m.Body = sky.Rotation(sky.Unit(r3.Cross(m.Axis, bore)), by).Mul(m.Body)
}

func codes(v View) string {
	var out []string
	for _, w := range v.Warnings {
		out = append(out, string(w.Code))
	}
	return strings.Join(out, " ")
}

// A frame that is wrong by degrees is not followed, and the next one leaves it
// out for good.
func TestFollowLeavesAWildFrameOut(t *testing.T) {
	d := adjustingDesk(t, 400)
	before := d.View()
	keep := d.m.Body
	d.m.Body = sky.RotationFromVector(sky.Vec{X: 0.02, Y: -0.03, Z: 0.05}).Mul(d.m.Body)
	v := d.shoot(0)
	if !v.Doubt || v.Now.Axis != before.Now.Axis || len(v.Moves) > 0 || !strings.Contains(v.Instruction, "touch nothing") {
		t.Errorf("a wild frame: doubt %v, told %q", v.Doubt, v.Instruction)
	}
	d.m.Body = keep
	v = d.shoot(0)
	if v.Doubt || codes(v) != string(axis.WarnFrameStands) || len(v.Adjust) != len(before.Adjust)+1 {
		t.Errorf("after it: doubt %v, %s, %d adjusting", v.Doubt, codes(v), len(v.Adjust))
	}
	if e := sky.Separation(v.Now.Axis.Dir, d.m.AxisNow()); e > 20*sky.Arcsecond {
		t.Errorf("the axis is off by %.1f arcsec", e.Arcseconds())
	}
	if v = d.shoot(0); codes(v) != "" {
		t.Errorf("still told %s", codes(v))
	}
}

// confirmedDesk brings a desk to the confirmed lock.
func confirmedDesk(t *testing.T, seed uint64) *desk {
	t.Helper()
	d := adjustingDesk(t, seed)
	d.tell(t, Locked)
	v := d.shoot(0)
	for range 8 {
		if v.Phase == Confirming {
			v = d.asked(v)
		}
	}
	if v = d.shoot(0); v.Phase != Done {
		t.Fatalf("not confirmed: %s, told %q", v.Phase, v.Instruction)
	}
	return d
}

// Nor does a frame in doubt say, once all is done, that the axis drifted.
func TestHeldWhenDone(t *testing.T) {
	d := confirmedDesk(t, 402)
	d.m.Ground = sky.RotationFromVector(sky.Vec{X: 0.001, Y: -0.002, Z: 0.0025}).Mul(d.m.Ground) // a kick at a leg
	if v := d.shoot(0); v.Phase != Done || v.Said.Code != "held" {
		t.Errorf("%s, told %q", v.Phase, v.Instruction)
	}
}

// A frame after the lock that looks as if bolts had been turned by degrees is held. The next one leaves it out, or bears it
// out: then the axis is where both have it, and that is told.
func TestMovedWhenDone(t *testing.T) {
	for _, by := range []sky.Angle{3 * sky.Degree, 2 * sky.Arcminute} {
		for _, back := range []bool{true, false} {
			d := confirmedDesk(t, 403)
			before := d.View()
			d.m.TurnBolts(by, -by/2, sky.Vec{})
			v := d.shoot(0)
			if v.Said.Code != "held" || !v.Doubt || v.Now.Axis != before.Now.Axis {
				t.Fatalf("by %s: %q, doubt %v", sky.AngleWords(by), v.Instruction, v.Doubt)
			}
			want := axis.WarnMountMoved
			if back {
				d.m.TurnBolts(-by, by/2, sky.Vec{})
				want = axis.WarnFrameStands
			}
			v = d.shoot(0)
			if v.Doubt || codes(v) != string(want) {
				t.Errorf("by %s, back %v: doubt %v, %s", sky.AngleWords(by), back, v.Doubt, codes(v))
			}
			if e := sky.Separation(v.Now.Axis.Dir, d.m.AxisNow()); e > 20*sky.Arcsecond {
				t.Errorf("by %s, back %v: the axis is off by %.1f arcsec", sky.AngleWords(by), back, e.Arcseconds())
			}
		}
	}
}

// Somebody who turns a bolt after the lock without a word is followed, a frame late.
func TestTurnedWhenDone(t *testing.T) {
	d := confirmedDesk(t, 404)
	for range 3 {
		d.m.TurnBolts(4*sky.Arcminute, 0, sky.Vec{})
		d.shoot(0)
	}
	v := d.shoot(0)
	if e := sky.Separation(v.Now.Axis.Dir, d.m.AxisNow()); v.Doubt || e > 20*sky.Arcsecond || codes(v) != string(axis.WarnMountMoved) {
		t.Errorf("doubt %v, %s, the axis is off by %.1f arcsec", v.Doubt, codes(v), e.Arcseconds())
	}
}

// A turned declination stops the corrections until the user starts over, or
// turns it back.
func TestFollowStopsAtATurnedDeclination(t *testing.T) {
	for _, by := range []sky.Angle{15 * sky.Arcminute, 3 * sky.Degree} {
		d := adjustingDesk(t, 401)
		before := d.View()
		turnDeclination(d.m, by)
		d.shoot(0)
		v := d.shoot(0)
		if codes(v) != string(axis.WarnTubeMoved) || !v.Doubt || v.Within || len(v.Moves) > 0 || !strings.Contains(v.Instruction, "start over") {
			t.Fatalf("by %s: %s, told %q", sky.AngleWords(by), codes(v), v.Instruction)
		}
		if v.Now.Axis != before.Now.Axis {
			t.Error("the axis now told follows the tube")
		}
		if f := v.Frames[len(v.Frames)-1]; f.Status != axis.FrameUnusable || f.Message == "" {
			t.Errorf("the frame is listed as %+v", f)
		}
		turnDeclination(d.m, -by)
		if v = d.shoot(0); v.Doubt {
			t.Errorf("turned back, and told %q", v.Instruction)
		}
	}
}

// The RA axis may turn: the axis is read all the same, and it is told.
func TestFollowTellsASlippedClutch(t *testing.T) {
	d := adjustingDesk(t, 402)
	v := d.shoot(7 * sky.Degree)
	if codes(v) != string(adjust.WarnSlipped) || v.Doubt {
		t.Errorf("doubt %v, %s", v.Doubt, codes(v))
	}
	if e := sky.Separation(v.Now.Axis.Dir, d.m.AxisNow()); e > 20*sky.Arcsecond {
		t.Errorf("the axis is off by %.1f arcsec", e.Arcseconds())
	}
}

// A lock that seems to move the axis by more than locks do is spoken of.
func TestLockThatIsNone(t *testing.T) {
	if w := (&LockShift{Total: 2 * sky.Arcminute}).doubt(); w != nil {
		t.Errorf("%+v", w)
	}
	if w := (&LockShift{Total: 40 * sky.Arcminute}).doubt(); w == nil || w.Code != axis.WarnTubeMoved {
		t.Errorf("%+v", w)
	}
}

// Clocks that disagree are told when frames come in as they are taken; files
// of another night that are read one after the other are not.
func TestHearClock(t *testing.T) {
	mid := time.Date(2026, 3, 7, 20, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		name         string
		apart, every time.Duration // between exposures, between arrivals
		late         time.Duration
		says         string // empty: nothing
	}{
		{"in time", 10 * time.Second, 10 * time.Second, 4 * time.Second, ""},
		{"a slow network", 10 * time.Second, 10 * time.Second, 80 * time.Second, ""},
		{"two hours behind", 10 * time.Second, 10 * time.Second, 2*time.Hour + 3*time.Second, "2 h behind"},
		{"an hour ahead", 30 * time.Second, 31 * time.Second, -time.Hour + 5*time.Second, "ahead of"},
		{"a zone with three quarters", 10 * time.Second, 11 * time.Second, 5*time.Hour + 45*time.Minute + 9*time.Second, "behind"},
		{"no zone", 10 * time.Second, 10 * time.Second, 23 * time.Minute, "behind"},
		{"last week's files", 30 * time.Second, time.Second, 7 * 24 * time.Hour, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			var m clock.Monitor
			for i := range 3 {
				k := time.Duration(i)
				m = m.Hear(clock.Stamp{Start: mid.Add(k * c.apart), Heard: mid.Add(c.late + k*c.every)}, 0)
			}
			told := m.Host
			if (c.says == "") != (told == "") || !strings.Contains(told, c.says) {
				t.Errorf("told %q, want %q", told, c.says)
			}
		})
	}
	// Nobody turns bolts by a wrong clock, nor by frames of before it was set
	// right.
	d := newDesk(t, 410, 44*sky.Degree, 5*sky.Degree, nil)
	for i, turn := range []sky.Angle{60, -60, 25, 25, 25} {
		sighting := sightingOf(d.m, fmt.Sprint("c", i), 1)
		d.Take(d.m.Now.Add(3*time.Hour), sighting)
		d.m.Theta += turn * sky.Degree
		d.m.Wait(30*time.Second, true)
	}
	if v := d.View(); !v.Doubt || v.Phase != Adjusting || !strings.Contains(v.Instruction, "clocks disagree") {
		t.Errorf("%s, doubt %v, told %q", v.Phase, v.Doubt, v.Instruction)
	}
	if v := d.shoot(0); !v.Doubt {
		t.Errorf("set right after the measurement, told %q", v.Instruction)
	}
	if err := d.Do(d.m.Now, StartOver); err != nil {
		t.Fatal(err)
	}
	if v := d.shoot(0); v.Doubt || len(v.Warnings) > 0 {
		t.Errorf("started over with the clock set right, told %q %+v", v.Instruction, v.Warnings)
	}
}

// The files' own times are compared too, for frames that were not seen to come
// in: what time zones differ by is told, by code and in words, and holds up
// nothing. Files that were copied have times of their own.
func TestHearFile(t *testing.T) {
	for _, c := range []struct {
		name   string
		late   time.Duration // of the file, after the end of the exposure
		copied bool          // all files at once
		says   string
	}{
		{"right", 3 * time.Second, false, ""},
		{"local time in the header", -2*time.Hour + 4*time.Second, false, "2 h ahead of the time at which the file was written"},
		{"a quarter of an hour", 15 * time.Minute, false, ""}, // no zone
		{"copied later", 5*time.Hour + time.Minute, true, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := newDesk(t, 411, 44*sky.Degree, 5*sky.Degree, nil)
			var list []Sighting
			for i := range 5 {
				s := sightingOf(d.m, fmt.Sprint("c", i), 1)
				s.Exposure = 10 * time.Second
				s.Written = s.Mid.Add(s.Exposure/2 + c.late)
				if c.copied {
					s.Written = d.m.Now.Add(c.late - time.Duration(i)*90*time.Second)
				}
				list = append(list, s)
				d.m.Theta += 25 * sky.Degree
				d.m.Wait(90*time.Second, true)
			}
			v, err := Measure(d.cfg, list, 0)
			if err != nil {
				t.Fatal(err)
			}
			told := ""
			for _, w := range v.Warnings {
				if w.Code == WarnFileClock {
					told = w.Message
				}
			}
			if (c.says == "") != (told == "") || !strings.Contains(told, c.says) || v.Doubt {
				t.Errorf("told %q, want %q; doubt %v", told, c.says, v.Doubt)
			}
		})
	}
}
