package mountmodel

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"polard/mountmodel/adjust"
	"polard/mountmodel/sky"
)

// The session learns from what is told, speaks in turns, forgets nothing when
// the site is corrected, and refuses what no bolt does.
func TestSessionTurned(t *testing.T) {
	d := newDesk(t, 310, 44*sky.Degree, 5*sky.Degree, nil)
	refused := func(bolt adjust.Bolt, turns float64, want error) {
		t.Helper()
		if err := d.Turned(d.m.Now, bolt, turns); !errors.Is(err, want) {
			t.Errorf("%s by %g while %s: %v", bolt, turns, d.Phase(), err)
		}
	}
	refused(adjust.AltitudeBolt, 1, ErrNotNow)
	for d.Phase() != Adjusting {
		d.shoot(30 * sky.Degree)
	}
	refused("third", 1, ErrTurns)
	refused(adjust.AltitudeBolt, 0, ErrTurns)
	refused(adjust.AltitudeBolt, math.NaN(), ErrTurns)
	refused(adjust.AzimuthBolt, 1e9, ErrTurns)

	// A level mount without play: 50' a turn up, -40' a turn of azimuth.
	turn := func(bolt adjust.Bolt, turns float64) {
		t.Helper()
		if bolt == adjust.AltitudeBolt {
			d.m.TurnBolts(0, sky.Angle(turns)*50*sky.Arcminute, sky.Vec{})
		} else {
			d.m.TurnBolts(sky.Angle(turns)*-40*sky.Arcminute, 0, sky.Vec{})
		}
		if err := d.Turned(d.m.Now, bolt, turns); err != nil {
			t.Fatal(err)
		}
	}
	turn(adjust.AltitudeBolt, 0.5)
	turn(adjust.AltitudeBolt, -1.5) // one stroke after the other
	turn(adjust.AzimuthBolt, 0.8)
	v := d.shoot(0)
	if !strings.Contains(v.Instruction, "Altitude bolt: about") || !strings.Contains(v.Instruction, "azimuth bolt: about") || len(v.Moves) != 2 {
		t.Fatalf("told %q", v.Instruction)
	}
	for n := 0; !v.Within; n++ {
		if n > 5 {
			t.Fatalf("still %s off after %d moves: %q", sky.AngleWords(v.Now.Offset.Total), n, v.Instruction)
		}
		for _, m := range v.Moves {
			turn(m.Bolt, m.Turns)
		}
		v = d.shoot(0)
	}
	for i, want := range []sky.Angle{50 * sky.Arcminute, -40 * sky.Arcminute} {
		if a := v.Bolts[i]; (a.PerTurn - want).Abs() > 4*a.PerTurnSigma {
			t.Errorf("%s bolt: %.1f +- %.1f arcminutes a turn, truth %.1f", a.Bolt, a.PerTurn.Arcminutes(), a.PerTurnSigma.Arcminutes(), want.Arcminutes())
		}
	}
	if err := d.Reconfigure(d.cfg); err != nil {
		t.Fatal(err)
	}
	again := d.View()
	for i := range v.Bolts {
		if again.Bolts[i] != v.Bolts[i] {
			t.Errorf("replayed: %+v, before %+v", again.Bolts[i], v.Bolts[i])
		}
	}
	// Starting over measures anew; the bolts are the same.
	if err := d.Do(d.m.Now, StartOver); err != nil {
		t.Fatal(err)
	}
	if a := d.View().Bolts[0]; !a.Learnt || a.PerTurn != v.Bolts[0].PerTurn {
		t.Errorf("after starting over: %+v", a)
	}
}

// Frames that come in while the bolt is being turned, before a word is said,
// belong to what is then told.
func TestSessionTurnedInSight(t *testing.T) {
	d := newDesk(t, 311, 44*sky.Degree, 5*sky.Degree, nil)
	for d.Phase() != Adjusting {
		d.shoot(30 * sky.Degree)
	}
	for range 3 {
		d.m.TurnBolts(0, 20*sky.Arcminute, sky.Vec{})
		d.m.Wait(5*time.Second, true)
		d.count++
		d.Take(d.m.Now, sightingOf(d.m, "sight"+string(rune('a'+d.count)), 1))
	}
	if err := d.Turned(d.m.Now, adjust.AltitudeBolt, 1.2); err != nil { // 60' in 1.2 turns
		t.Fatal(err)
	}
	a := d.shoot(0).Bolts[0]
	if want := 50 * sky.Arcminute; (a.PerTurn-want).Abs() > 3*a.PerTurnSigma || !a.Learnt {
		t.Errorf("%.1f +- %.1f arcminutes a turn, truth %.1f", a.PerTurn.Arcminutes(), a.PerTurnSigma.Arcminutes(), want.Arcminutes())
	}
}
