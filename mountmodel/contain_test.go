package mountmodel

import (
	"fmt"
	"reflect"
	"testing"

	"polard/mountmodel/sky"
)

// A panic in any numeric part costs the frame on which it happens and nothing else:
// the session stands as before it, goes on with the next frame, can be worked out
// anew, and comes out the same when the frames taken are given to another one.
func TestPanicInEveryPart(t *testing.T) {
	type step func(d *desk)
	shoot := func(turn sky.Angle) step { return func(d *desk) { d.shoot(turn) } }
	tell := func(e Event) step { return func(d *desk) { d.tell(t, e) } }
	night := []step{
		shoot(0), shoot(25 * sky.Degree), shoot(25 * sky.Degree), tell(Measured),
		func(d *desk) { d.m.TurnBolts(4*sky.Arcminute, -3*sky.Arcminute, sky.Vec{}) },
		shoot(0), shoot(0), tell(Locked), shoot(0), shoot(30 * sky.Degree), tell(Measured), shoot(0), shoot(0),
	}
	watch := []step{tell(WatchOnly), shoot(0), shoot(0), shoot(0)}

	// First: which parts there are, and how often each is gone through.
	count := map[string]int{}
	for _, steps := range [][]step{night, watch} {
		d := newDesk(t, 90, 45*sky.Degree, 20*sky.Degree, func(c *Config) { c.MeasureFrames = 9 })
		d.probe = func(part string) { count[part]++ }
		for _, s := range steps {
			s(d)
		}
	}
	for _, part := range []string{"attitude", "clock", "measure", "follow", "join", "live", "watch", "night", "advice", "bolts", "tilt"} {
		if count[part] == 0 {
			t.Errorf("%s is not gone through", part)
		}
	}
	for part, times := range count {
		for at := 0; at < times; at += max(1, times/4) {
			for _, steps := range [][]step{night, watch} {
				breakAt(t, part, at, func(d *desk) {
					for _, s := range steps {
						s(d)
					}
				})
			}
		}
	}
}

// breakAt has a part panic when it is gone through for the time numbered at.
func breakAt(t *testing.T, part string, at int, run func(*desk)) {
	t.Helper()
	name := fmt.Sprintf("%s, %d", part, at)
	d := newDesk(t, 90, 45*sky.Degree, 20*sky.Degree, func(c *Config) { c.MeasureFrames = 9 })
	gone, broke := 0, false
	d.probe = func(p string) {
		if p != part {
			return
		}
		if gone++; gone == at+1 {
			broke = true
			panic("a mistake in " + part)
		}
	}
	func() {
		defer func() {
			if r := recover(); r != nil && r != "a mistake in "+part {
				t.Fatalf("%s: %v", name, r)
			}
		}()
		run(d)
	}()
	if !broke {
		return
	}
	before := d.View()
	if err := d.Reconfigure(d.cfg); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	again := d.View()
	if !reflect.DeepEqual(again, before) {
		t.Errorf("%s: worked out anew the session is another:\n%+v\n%+v", name, again, before)
	}
	// A restart: the same entries, without the one that broke.
	other, err := NewSession(d.cfg)
	if err != nil {
		t.Fatal(err)
	}
	other.Replay(true)
	for i, e := range d.history {
		switch {
		case e.sighting != nil:
			other.Take(e.now, *e.sighting)
		case e.stroke != nil:
			err = other.Turned(e.now, e.stroke.Bolt, e.stroke.Turns)
		case e.event != Measured || i == 0 || d.history[i-1].role != roleMeasures || other.Phase() == Measuring || other.Phase() == Confirming:
			err = other.Do(e.now, e.event)
		}
		if err != nil {
			t.Fatalf("%s: entry %d: %v", name, i, err)
		}
	}
	other.Replay(false)
	restarted := other.View()
	if !reflect.DeepEqual(restarted, before) {
		t.Errorf("%s: restarted the session is another:\n%+v\n%+v", name, restarted, before)
	}
	heard := d.lastHeard
	if d.shoot(0); !d.lastHeard.After(heard) {
		t.Errorf("%s: the next frame was not taken", name)
	}
}
