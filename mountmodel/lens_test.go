package mountmodel

import (
	"errors"
	"reflect"
	"strings"
	"testing"
	"time"

	"polard/mountmodel/axis"
	"polard/mountmodel/sky"
)

// Frames of another camera in the middle of a session, which looks elsewhere from the same body, are told and not used: the
// axis stays that of a session which never saw them, at every step. Once started over, the other camera serves as well.
func TestOtherCameraInBetween(t *testing.T) {
	d := newDesk(t, 90, 45*sky.Degree, 20*sky.Degree, func(c *Config) { c.MeasureFrames = 9 })
	alone, err := NewSession(d.cfg)
	if err != nil {
		t.Fatal(err)
	}
	lens := 1
	shoot := func(turn sky.Angle) {
		d.m.Theta += turn
		d.m.Wait(30*time.Second, d.drive)
		s := sightingOf(d.m, "frame "+d.m.Now.Format("15:04:05"), 1)
		s.Lens = lens
		d.Take(d.m.Now, s)
		alone.Take(d.m.Now, s)
	}
	strange := func(what string) {
		t.Helper()
		body := d.m.Body
		d.m.Body = sky.Rotation(sky.Vec{X: 0.6, Z: 0.8}, 3*sky.Degree).Mul(body)
		s := sightingOf(d.m, "strange "+what, 1)
		d.m.Body = body
		s.Lens = 3 - lens
		s.Mid = s.Mid.Add(time.Second)
		d.Take(d.m.Now, s)
		v := d.View()
		f := v.Frames[len(v.Frames)-1]
		if f.Name != s.Name || f.Status != axis.FrameUnusable || !strings.Contains(f.Message, "another camera") {
			t.Errorf("%s: the frame of another camera is %+v", what, f)
		}
		if w := v.Warnings; len(w) == 0 || w[0].Code != WarnUnsolved {
			t.Errorf("%s: warnings %+v", what, w)
		}
	}
	same := func(what string) {
		t.Helper()
		a, b := alone.View(), d.View()
		if a.Phase != b.Phase || !reflect.DeepEqual(a.Now, b.Now) || !reflect.DeepEqual(a.Lock, b.Lock) || len(a.Adjust) != len(b.Adjust) {
			t.Errorf("%s: %s, %+v; without the other camera %s, %+v", what, b.Phase, b.Now, a.Phase, a.Now)
		}
	}
	tell := func(e Event) {
		t.Helper()
		if err := errors.Join(d.Do(d.m.Now, e), alone.Do(d.m.Now, e)); err != nil {
			t.Fatal(e, err)
		}
	}
	shoot(0)
	strange("after one frame")
	shoot(25 * sky.Degree)
	shoot(25 * sky.Degree)
	strange("after three frames")
	tell(Measured)
	same("measured")
	strange("before any bolt is turned")
	d.m.TurnBolts(4*sky.Arcminute, -3*sky.Arcminute, sky.Vec{})
	shoot(0)
	strange("while bolts are turned")
	shoot(0)
	same("bolts")
	tell(Locked)
	strange("first after the lock")
	shoot(0)
	shoot(30 * sky.Degree)
	tell(Measured)
	same("confirmed")
	strange("at the end")
	if err := d.Reconfigure(d.cfg); err != nil {
		t.Fatal(err)
	}
	same("worked out anew")
	tell(StartOver)
	lens = 2
	shoot(0)
	shoot(-25 * sky.Degree)
	same("the other camera")
	if v := d.View(); v.Now == nil || len(v.Frames) != 2 {
		t.Errorf("started over with the other camera: %+v", v)
	}
}
