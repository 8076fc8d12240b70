package mountmodel

import (
	"errors"
	"testing"
	"time"

	"polard/mountmodel/axis"
	"polard/mountmodel/sky"
)

func (d *desk) chooses(t *testing.T, f axis.FrameReport, counts bool) View {
	t.Helper()
	if err := d.Count(FrameChoice{Name: f.Name, Mid: f.Mid, Counts: counts}); err != nil {
		t.Fatal(err)
	}
	return d.View()
}

// A frame that the person leaves out is as if it had never been taken: the axis is that of a
// session without it. Taken back, all is as before; and both tell what they did.
func TestFrameLeftOut(t *testing.T) {
	d, without := newDesk(t, 210, 44*sky.Degree, 20*sky.Degree, nil), newDesk(t, 210, 44*sky.Degree, 20*sky.Degree, nil)
	without.Session.cfg.MeasureFrames, d.Session.cfg.MeasureFrames = 50, 50
	for i := range 5 {
		keep := d.m.Ground
		if i == 2 { // too little to be set aside, and yet wrong
			d.m.TurnBolts(0, 20*sky.Arcsecond, sky.Vec{})
		}
		d.m.Theta += 20 * sky.Degree
		d.m.Wait(30*time.Second, d.drive)
		s := sightingOf(d.m, "f", 1)
		s.Name += string(rune('0' + i))
		d.Take(d.m.Now, s)
		if i != 2 {
			without.Take(d.m.Now, s)
		}
		d.m.Ground = keep
	}
	before := d.View()
	bad := before.Frames[2]
	left := d.chooses(t, bad, false)
	if got := left.Frames[2].Status; got != axis.FrameLeftOut || left.Frames[2].Name != bad.Name {
		t.Fatalf("%s is %q", left.Frames[2].Name, got)
	}
	if e := sky.Separation(left.Measured.Axis.Dir, without.View().Measured.Axis.Dir); e > 0.001*sky.Arcsecond {
		t.Errorf("the axis is %.3f arcsec from that without the frame", e.Arcseconds())
	}
	c := left.Choice
	if c == nil || c.Was.Total != before.Now.Offset.Total || c.Is.Total != left.Now.Offset.Total || c.Counts {
		t.Errorf("told %+v", c)
	}
	again := d.chooses(t, bad, true)
	if again.Measured.Axis != before.Measured.Axis || again.Frames[2].Status != bad.Status {
		t.Errorf("taken back: %+v, before %+v", again.Measured.Axis, before.Measured.Axis)
	}
	if v := d.shoot(20 * sky.Degree); v.Choice != nil {
		t.Error("the choice is still told after another frame")
	}
}

// What is not to be left out is refused, and changes nothing.
func TestFrameChoiceRefused(t *testing.T) {
	d := adjustingDesk(t, 211)
	v := d.View()
	for _, c := range []struct {
		what   string
		choice FrameChoice
		want   error
	}{
		{"no such frame", FrameChoice{Name: "none", Mid: v.Frames[0].Mid}, errNoSuchFrame},
		{"another of its name", FrameChoice{Name: v.Frames[0].Name, Mid: v.Frames[0].Mid.Add(time.Second)}, errNoSuchFrame},
		{"it counts", FrameChoice{Name: v.Frames[0].Name, Mid: v.Frames[0].Mid, Counts: true}, errChosen},
		{"of the bolts", FrameChoice{Name: v.Adjust[0].Name, Mid: v.Adjust[0].Mid}, errNoSuchFrame},
	} {
		if err := d.Count(c.choice); !errors.Is(err, c.want) || !errors.Is(err, ErrNotNow) {
			t.Errorf("%s: %v", c.what, err)
		}
	}
	for _, f := range v.Frames { // until the others give no axis
		err := d.Count(FrameChoice{Name: f.Name, Mid: f.Mid})
		if err == nil {
			continue
		}
		if !errors.Is(err, ErrFrameNeeded) {
			t.Fatal(err)
		}
		now := d.View()
		if now.Phase != Adjusting || now.Measured == nil || len(now.Adjust) != len(v.Adjust) {
			t.Errorf("%s with %d readings", now.Phase, len(now.Adjust))
		}
		return
	}
	t.Error("all frames could be left out")
}

// While measuring, leaving out the only frame begins anew, and it can be taken back.
func TestOnlyFrameLeftOut(t *testing.T) {
	d := newDesk(t, 212, 44*sky.Degree, 20*sky.Degree, nil)
	first := d.shoot(0).Frames[0]
	if v := d.chooses(t, first, false); v.Phase != Waiting || v.Choice.Was != nil || v.Choice.Is != nil {
		t.Errorf("%s, %+v", v.Phase, v.Choice)
	}
	d.shoot(30 * sky.Degree)
	if v := d.chooses(t, first, true); v.Phase != Measuring || v.Measured == nil || len(v.Frames) != 2 {
		t.Errorf("taken back: %s, %d frames", v.Phase, len(v.Frames))
	}
}

// A session that is gone on with after a restart stands where the choice had brought it.
func TestFrameChoiceReplayed(t *testing.T) {
	d := newDesk(t, 213, 44*sky.Degree, 20*sky.Degree, nil)
	again, err := NewSession(d.Session.cfg)
	if err != nil {
		t.Fatal(err)
	}
	again.Replay(true)
	for i := range 4 {
		d.m.Theta += 30 * sky.Degree
		d.m.Wait(30*time.Second, d.drive)
		s := sightingOf(d.m, "f"+string(rune('0'+i)), 1)
		d.Take(d.m.Now, s)
		again.Take(d.m.Now, s)
	}
	f := d.View().Frames[1]
	c := FrameChoice{Name: f.Name, Mid: f.Mid}
	for _, s := range []*Session{d.Session, again} {
		if err := s.Count(c); err != nil {
			t.Fatal(err)
		}
	}
	again.Replay(false)
	if got, want := again.View(), d.View(); got.Measured.Axis != want.Measured.Axis || *got.Choice.Is != *want.Choice.Is || *got.Choice.Was != *want.Choice.Was || got.Frames[1].Status != axis.FrameLeftOut {
		t.Errorf("%+v, want %+v", got.Choice, want.Choice)
	}
}
