package mountmodel

import (
	"errors"
	"fmt"
	"math"
	"testing"
	"time"

	"polard/mountmodel/axis"
	"polard/mountmodel/sky"
)

// One by one through a session that decides by itself, or all at once through
// Measure: the same numbers, whether all frames measure or some adjust.
func TestSessionAndMeasureAgree(t *testing.T) {
	for i, moves := range []int{0, 4} {
		for _, sep := range []sky.Angle{1, 35} {
			d := newDesk(t, uint64(40+i), 44*sky.Degree, sep*sky.Degree, nil)
			const frames = 6
			for n := range frames {
				d.shoot([]sky.Angle{0, 50, -50, 25, 25, 0}[n] * sky.Degree)
			}
			for range moves {
				d.m.TurnBolts(4*sky.Arcminute, -3*sky.Arcminute, sky.Vec{})
				d.shoot(0)
			}
			var list []Sighting
			for _, e := range d.history {
				if e.sighting != nil {
					list = append(list, *e.sighting)
				}
			}
			measure := 0
			if moves > 0 {
				measure = frames
			}
			batch, err := Measure(d.cfg, list, measure)
			if err != nil {
				t.Fatal(err)
			}
			live := d.View()
			if len(live.Frames) != frames || len(live.Adjust) != moves || len(batch.Adjust) != moves {
				t.Fatalf("%d frames measure and %d adjust in the session, %d and %d in the list", len(live.Frames), len(live.Adjust), len(batch.Frames), len(batch.Adjust))
			}
			if live.Measured.Axis != batch.Measured.Axis || live.Now.Axis != batch.Now.Axis || live.Chi2 != batch.Chi2 {
				t.Errorf("the session has %+v, the list %+v", live.Now, batch.Now)
			}
			for k := range live.Adjust {
				if live.Adjust[k].Status != batch.Adjust[k].Status {
					t.Errorf("adjusting frame %d differs", k)
				}
			}
		}
	}
}

// A list whose frames stand at one angle says what to do.
func TestMeasureSaysWhyNot(t *testing.T) {
	d := newDesk(t, 90, 44*sky.Degree, 5*sky.Degree, nil)
	var list []Sighting
	for i := range 3 {
		list = append(list, sightingOf(d.m, fmt.Sprint(i), 1))
		d.m.Wait(time.Second, false)
	}
	_, err := Measure(d.cfg, list, 0)
	var little *axis.TooLittleTurnError
	if !errors.As(err, &little) {
		t.Errorf("got %v", err)
	}
	if _, err := Measure(d.cfg, list, 2); !errors.As(err, &little) {
		t.Errorf("with two to measure: %v", err)
	}
	if _, err := Measure(d.cfg, list[:1], 0); !errors.Is(err, axis.ErrFewFrames) {
		t.Errorf("one frame: %v", err)
	}
}

// A minute of the clock turns the offset about the pole by the 15.041 arcmin that the Earth turns in it (2 pi a sidereal day
// of 86164.1 s: IERS Conventions 2010, section 5.4.4): 15.75 arcsec for each degree of offset, with the refraction of the wrong
// altitudes beside it, half an arcsecond (as clock says: 45 arcsec an hour above 35 degrees). With half the offset it is half.
func TestClockMinute(t *testing.T) {
	for _, offset := range []sky.Angle{0, 40 * sky.Arcminute, 80 * sky.Arcminute} {
		d := newDesk(t, 77, 44*sky.Degree, 20*sky.Degree, nil)
		d.m.TurnBolts(0, offset-d.offsetNow(), sky.Vec{})
		var list []Sighting
		for _, turn := range []sky.Angle{0, 40, -60} {
			d.m.Theta += turn * sky.Degree
			d.m.Wait(30*time.Second, true)
			list = append(list, sightingOf(d.m, fmt.Sprint(len(list)), 1))
		}
		v, err := Measure(d.cfg, list, 0)
		if err != nil {
			t.Fatal(err)
		}
		got, ok := ClockMinute(d.cfg, list, 0, v.Measured.Axis)
		want := v.Measured.Offset.Total.Degrees() * 15.75
		if !ok || math.Abs(got.Arcseconds()-want) > 0.75 {
			t.Errorf("%.1f arcmin off the pole a minute moves the axis by %.2f arcsec, want %.2f", v.Measured.Offset.Total.Arcminutes(), got.Arcseconds(), want)
		}
		if _, ok := ClockMinute(d.cfg, list[:1], 0, v.Measured.Axis); ok {
			t.Error("one frame tells what a minute does")
		}
	}
}
