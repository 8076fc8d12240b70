package mountmodel

import (
	"errors"
	"strings"
	"testing"
	"time"

	"polard/mountmodel/axis"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// Frames that cannot be used are told, with the reason, and change nothing.
func TestSessionRefuses(t *testing.T) {
	d := newDesk(t, 60, 44*sky.Degree, 5*sky.Degree, nil)
	d.thereAndBack()
	// Adjusting, with a moved axis, so that no frame joins the measurement.
	d.m.TurnBolts(5*sky.Arcminute, 0, sky.Vec{})
	d.shoot(0)
	before := d.View()
	if before.Phase != Adjusting || len(before.Adjust) != 1 {
		t.Fatalf("%s with %d adjusting frames", before.Phase, len(before.Adjust))
	}
	d.m.Wait(time.Minute, true)
	good := sightingOf(d.m, "good", 1)
	flip := func(s Sighting) Sighting {
		s.Pairs = append([]observed.Pair(nil), s.Pairs...)
		for i := range s.Pairs {
			s.Pairs[i].Camera.X = -s.Pairs[i].Camera.X
		}
		return s
	}
	low := good
	low.Mid = good.Mid.Add(12 * time.Hour)
	low.Pairs = append([]observed.Pair(nil), good.Pairs...)
	o, err := observed.NewObserver(d.m.Site, d.m.Air, low.Mid, 0)
	if err != nil {
		t.Fatal(err)
	}
	down := sky.Rotation(sky.Vec{X: 1}, -80*sky.Degree)
	for i, p := range low.Pairs {
		low.Pairs[i].ICRS = o.ICRS(sky.Local(down.Mul(d.m.Attitude()).Apply(sky.Vec(p.Camera))))
	}
	old := good
	old.Mid = d.lastMid.Add(-time.Hour)
	for _, c := range []struct {
		name   string
		s      Sighting
		status axis.FrameStatus
		says   string
	}{
		{"clouds", Sighting{Name: "c", Mid: good.Mid, Refused: "only 3 stars, too few to match"}, axis.FrameUnsolved, "too few"},
		{"no time", Sighting{Name: "n", Pairs: good.Pairs}, axis.FrameUnusable, "when it was taken"},
		{"two stars", Sighting{Name: "t", Mid: good.Mid, Pairs: good.Pairs[:2]}, axis.FrameUnusable, "too few stars"},
		{"mirrored", flip(good), axis.FrameUnusable, "mirrored"},
		{"below the horizon", low, axis.FrameUnusable, "below the horizon"},
		{"older", old, axis.FrameUnusable, "not newer"},
		{"year 1800", Sighting{Name: "y", Mid: good.Mid.AddDate(-226, 0, 0), Pairs: good.Pairs}, axis.FrameUnusable, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			was, mid := d.View(), d.lastMid
			heard := d.m.Now.Add(time.Hour)
			d.Take(heard, c.s)
			v := d.View()
			if !d.lastHeard.Equal(heard) {
				t.Error("the session does not know that a frame came in")
			}
			if v.Now.Axis != was.Now.Axis || len(v.Adjust) != len(was.Adjust) || v.Phase != was.Phase || !d.lastMid.Equal(mid) {
				t.Error("the frame changed the result")
			}
			f := v.Frames[len(v.Frames)-1]
			if f.Status != c.status || !strings.Contains(f.Message, c.says) || f.Message == "" {
				t.Errorf("told %q: %q", f.Status, f.Message)
			}
			code := WarnUnsolved
			if c.name == "below the horizon" {
				code = axis.WarnFrameStands // the frames before it were above
			}
			if len(v.Warnings) == 0 || v.Warnings[0].Code != code || v.Warnings[0].Frame != c.s.Name {
				t.Errorf("warnings %+v", v.Warnings)
			}
		})
	}
	// The next good frame clears the warning.
	d.Take(d.m.Now, good)
	if v := d.View(); len(v.Warnings) > 0 || len(v.Adjust) != 2 {
		t.Errorf("after a good frame: %d adjusting, warnings %+v", len(v.Adjust), v.Warnings)
	}
	// The same file twice counts once.
	was := len(d.history)
	d.Take(d.m.Now, good)
	if len(d.history) != was {
		t.Error("the same frame was taken in twice")
	}
}

func TestSessionEvents(t *testing.T) {
	d := newDesk(t, 70, 44*sky.Degree, 5*sky.Degree, nil)
	refused := func(e Event, want error) {
		t.Helper()
		if err := d.Do(d.m.Now, e); !errors.Is(err, want) {
			t.Errorf("%s while %s: %v, want %v", e, d.Phase(), err, want)
		}
	}
	refused(Measured, ErrNotMeasured)
	refused(Locked, ErrNotNow)
	refused(Unlocked, ErrNotLocked)
	refused("dance", ErrEvent)
	d.shoot(0)
	refused(Measured, ErrNotMeasured)
	d.shoot(40 * sky.Degree)
	v := d.View()
	if v.Dof != 0 || len(v.Warnings) != 1 || v.Warnings[0].Code != axis.WarnTwoFrames {
		t.Errorf("two frames: %d degrees of freedom, %+v", v.Dof, v.Warnings)
	}
	if err := d.Do(d.m.Now, Measured); err != nil {
		t.Fatal(err)
	}
	refused(Measured, ErrNotNow)
	refused(Unlocked, ErrNotLocked)
	if err := d.Do(d.m.Now, Locked); err != nil {
		t.Fatal(err)
	}
	refused(Locked, ErrNotNow)
	refused(Measured, ErrNotMeasured)
	if err := d.Do(d.m.Now, Unlocked); err != nil || d.View().Phase != Adjusting {
		t.Fatalf("%v, %s", err, d.View().Phase)
	}
	if err := d.Do(d.m.Now, Locked); err != nil {
		t.Fatal(err)
	}
	d.shoot(0)
	d.shoot(40 * sky.Degree)
	if err := d.Do(d.m.Now, Measured); err != nil || d.View().Phase != Done {
		t.Fatalf("%v, %s", err, d.View().Phase)
	}
	if err := d.Do(d.m.Now, StartOver); err != nil {
		t.Fatal(err)
	}
	if v := d.View(); v.Phase != Waiting || len(v.Frames) != 0 || v.Now != nil || v.Measured != nil || v.Lock != nil || len(v.Adjust) != 0 {
		t.Errorf("after starting over: %+v", v)
	}
	// The frames of before count anew.
	if v := d.shoot(10 * sky.Degree); v.Phase != Measuring {
		t.Errorf("a frame after starting over: %s", v.Phase)
	}
}
