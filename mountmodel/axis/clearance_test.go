package axis

import (
	"testing"

	"polard/mountmodel/sky"

	"pgregory.net/rapid"
)

// Cases that one can see in one's mind: an axis at altitude 50 degrees due north.
func TestTurnWays(t *testing.T) {
	north := sky.LocalFromAltAz(50*sky.Degree, 0)
	for _, c := range []struct {
		name        string
		axis, sight sky.Local
		by          sky.Angle
		turns       []sky.Angle
		clockwise   bool
		lowest      sky.Angle // of the better way
		low, far    bool      // of the better way
		otherLow    bool
		otherFar    bool
		tolerance   sky.Angle
	}{
		// At the pole itself no turn changes the altitude.
		{"pole", north, north, 30 * sky.Degree, []sky.Angle{0}, true, 50 * sky.Degree, false, false, false, false, sky.Arcsecond},
		// East of the pole by 40 degrees: clockwise, facing north, goes on down to the
		// horizon, anticlockwise up over the pole.
		{"east", north, sky.LocalFromAltAz(30*sky.Degree, 45*sky.Degree), 30 * sky.Degree, []sky.Angle{0}, false, 30 * sky.Degree, false, false, true, false, sky.Arcsecond},
		{"west", north, sky.LocalFromAltAz(30*sky.Degree, -45*sky.Degree), 30 * sky.Degree, []sky.Angle{0}, true, 30 * sky.Degree, false, false, true, false, sky.Arcsecond},
		// The same in the south: who faces the pole has east on the left.
		{"south, east", sky.LocalFromAltAz(50*sky.Degree, 180*sky.Degree), sky.LocalFromAltAz(30*sky.Degree, 135*sky.Degree), 30 * sky.Degree, []sky.Angle{0}, true, 30 * sky.Degree, false, false, true, false, sky.Arcsecond},
		// After 75 degrees one way the next 30 go back.
		{"far", north, north, 30 * sky.Degree, []sky.Angle{0, 40 * sky.Degree, 75 * sky.Degree}, false, 50 * sky.Degree, false, false, false, true, sky.Arcsecond},
		// And after a turn anticlockwise it goes on so.
		{"on", north, north, 30 * sky.Degree, []sky.Angle{0, -31 * sky.Degree}, false, 50 * sky.Degree, false, false, false, false, sky.Arcsecond},
		// At the celestial equator due south at 50 degrees latitude both ways sink a little.
		{"equator", north, sky.LocalFromAltAz(40*sky.Degree, 180*sky.Degree), 30 * sky.Degree, nil, true, 33.8 * sky.Degree, false, false, false, false, 0.1 * sky.Degree},
	} {
		w := TurnWays(c.axis, c.sight, c.by, false, c.turns)
		better, other := w[0], w[1]
		if (better.By > 0) != c.clockwise || (better.Lowest-c.lowest).Abs() > c.tolerance || better.Low != c.low || better.Far != c.far || other.Low != c.otherLow || other.Far != c.otherFar {
			t.Errorf("%s: better %+v, other %+v", c.name, better, other)
		}
	}
	// What is to show whether something moved leads back, high or low.
	if w := TurnWays(north, sky.LocalFromAltAz(30*sky.Degree, 45*sky.Degree), 30*sky.Degree, true, []sky.Angle{0, -30 * sky.Degree}); w[0].By != 30*sky.Degree {
		t.Errorf("back: %+v", w[0])
	}
	// Near the zenith the camera end comes down.
	if w := TurnWays(north, sky.LocalFromAltAz(80*sky.Degree, 0), 10*sky.Degree, false, nil); !w[0].High || w[0].Clear() {
		t.Errorf("%+v", w[0])
	}
}

// Whatever the direction, both ways are as long, opposite, and bounded by the
// circle's own extremes: the axis's altitude plus and minus the radius.
func TestTurnWaysBounds(t *testing.T) {
	angle := func(t *rapid.T, name string, lo, hi float64) sky.Angle {
		return sky.Angle(rapid.Float64Range(lo, hi).Draw(t, name)) * sky.Degree
	}
	rapid.Check(t, func(t *rapid.T) {
		axisAlt := angle(t, "axis", 0, 90)
		axis := sky.LocalFromAltAz(axisAlt, angle(t, "azimuth", 0, 360))
		sight := sky.LocalFromAltAz(angle(t, "altitude", -90, 90), angle(t, "sight azimuth", 0, 360))
		by := angle(t, "by", 0, 180)
		radius := sky.Separation(axis, sight)
		w := TurnWays(axis, sight, by, rapid.Bool().Draw(t, "back"), []sky.Angle{angle(t, "turned", -180, 180)})
		if w[0].By != -w[1].By || w[0].By.Abs() != by {
			t.Fatalf("%v and %v for %v", w[0].By, w[1].By, by)
		}
		for _, way := range w {
			if way.Lowest < axisAlt-radius-sky.Arcsecond || way.Highest > axisAlt+radius+sky.Arcsecond || way.Lowest > way.Highest {
				t.Fatalf("%+v outside %v +- %v", way, axisAlt, radius)
			}
		}
	})
}

// Clear tells that nothing speaks against the way.
func (w TurnWay) Clear() bool { return !w.Low && !w.High && !w.Far }
