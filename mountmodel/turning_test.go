package mountmodel

import (
	"testing"

	"polard/mountmodel/adjust"
	"polard/mountmodel/axis"
	"polard/mountmodel/sky"

	"pgregory.net/rapid"
)

// The bolt to turn stays the same while it is turned, though the other's error
// becomes the larger one, until it is in its slot.
func TestBoltStaysUntilInItsSlot(t *testing.T) {
	d := adjustingDesk(t, 3)
	v := d.View()
	first := v.Turning
	if first == "" {
		t.Fatalf("no bolt to turn at %s", sky.AngleWords(v.Now.Offset.Total))
	}
	other := map[adjust.Bolt]adjust.Bolt{adjust.AltitudeBolt: adjust.AzimuthBolt, adjust.AzimuthBolt: adjust.AltitudeBolt}[first]
	// The other bolt is the worse one by far from now on.
	turn := func(bolt adjust.Bolt, by sky.Angle) View {
		if bolt == adjust.AzimuthBolt {
			d.m.TurnBolts(by, 0, sky.Vec{})
		} else {
			d.m.TurnBolts(0, by, sky.Vec{})
		}
		return d.shoot(0)
	}
	left := func(bolt adjust.Bolt) sky.Angle { // what the bolt is still to be turned by
		if bolt == adjust.AzimuthBolt {
			return d.View().Now.Move.Az
		}
		return d.View().Now.Move.Alt
	}
	turn(other, left(other)-40*sky.Arcminute)
	for _, part := range []float64{0.5, 0.5, 0.5} {
		if v = turn(first, sky.Angle(part*float64(left(first)))); v.Turning != first {
			t.Fatalf("the bolt to turn went from %s to %s with %s left", first, v.Turning, sky.AngleWords(left(first)))
		}
	}
	for range 3 { // the last arcminutes
		v = turn(first, left(first))
	}
	if v.Turning != other {
		t.Fatalf("%s is in its slot, %s away, and the bolt to turn is %q", first, sky.AngleWords(left(first)), v.Turning)
	}
	// The person changes over, and back; the choice holds while the bolt is out of its slot.
	for _, c := range []struct {
		event Event
		want  adjust.Bolt
	}{{TurnAltitude, adjust.AltitudeBolt}, {TurnAzimuth, adjust.AzimuthBolt}, {TurnAltitude, adjust.AltitudeBolt}} {
		if err := d.Do(d.m.Now, c.event); err != nil {
			t.Fatal(err)
		}
		if v = d.View(); v.Turning != c.want {
			t.Errorf("%s: the bolt to turn is %q", c.event, v.Turning)
		}
		if v = d.shoot(0); v.Turning != c.want {
			t.Errorf("%s, a frame later: the bolt to turn is %q", c.event, v.Turning)
		}
	}
	// Worked out anew from its history it is the same.
	if err := d.Reconfigure(d.cfg); err != nil {
		t.Fatal(err)
	}
	if got := d.View().Turning; got != v.Turning {
		t.Errorf("worked out anew the bolt to turn is %q, was %q", got, v.Turning)
	}
	for range 3 {
		turn(other, left(other))
		v = turn(first, left(first))
	}
	if !v.Within {
		t.Fatalf("not within: %s", sky.AngleWords(v.Now.Offset.Total))
	}
	if err := d.Do(d.m.Now, Locked); err != nil {
		t.Fatal(err)
	}
	if err := d.Do(d.m.Now, TurnAzimuth); err == nil || d.View().Turning != "" {
		t.Errorf("behind the lock a bolt is turned: %v, %q", err, d.View().Turning)
	}
}

// Whatever frames show: a bolt is given up only inside its slot, and only one outside
// of its slot is taken up.
func TestTurningHolds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		pole := sky.LocalFromAltAz(sky.Angle(rapid.Float64Range(10, 80).Draw(t, "alt"))*sky.Degree, 0)
		tolerance := sky.Arcminute
		var now turning
		for range 20 {
			m := axis.Move{Alt: sky.Angle(rapid.Float64Range(-3, 3).Draw(t, "alt")) * sky.Arcminute, Az: sky.Angle(rapid.Float64Range(-6, 6).Draw(t, "az")) * sky.Arcminute}
			next := now.after(m, pole, tolerance)
			if now.bolt != "" && next.bolt != now.bolt && OnSky(m, now.bolt, pole) > Slot(tolerance) {
				t.Fatalf("%s was given up with %s left", now.bolt, sky.AngleWords(OnSky(m, now.bolt, pole)))
			}
			if next.bolt != "" && next.bolt != now.bolt && OnSky(m, next.bolt, pole) <= Slot(tolerance) {
				t.Fatalf("%s was taken up inside its slot", next.bolt)
			}
			if next.bolt == "" && max(OnSky(m, adjust.AltitudeBolt, pole), OnSky(m, adjust.AzimuthBolt, pole)) > Slot(tolerance) {
				t.Fatal("a bolt is outside its slot and none is to be turned")
			}
			now = next
		}
	})
}

// A turn told by mistake is taken back: what is known of the bolts is as if it had
// never been told.
func TestReportedTurnIsTakenBack(t *testing.T) {
	d := adjustingDesk(t, 5)
	tell := func(turns float64) {
		if err := d.Turned(d.m.Now, adjust.AltitudeBolt, turns); err != nil {
			t.Fatal(err)
		}
	}
	if err := d.Do(d.m.Now, TakeBack); err == nil {
		t.Error("a turn was taken back that nobody told")
	}
	d.m.TurnBolts(0, 15*sky.Arcminute, sky.Vec{})
	first := d.shoot(0)
	before := first.Bolts
	tell(3)
	d.m.TurnBolts(0, 15*sky.Arcminute, sky.Vec{})
	if after := d.shoot(0).Bolts; after[0] == before[0] {
		t.Fatal("telling taught nothing")
	}
	if err := d.Do(d.m.Now, TakeBack); err != nil {
		t.Fatal(err)
	}
	if v := d.View(); v.Bolts[0].Learnt || v.Phase != Adjusting || len(v.Adjust) != len(first.Adjust)+1 {
		t.Errorf("taken back: %+v, %s, %d readings", v.Bolts[0], v.Phase, len(v.Adjust))
	}
}
