package setup

import (
	"math"
	"testing"

	"polard/mountmodel/sky"

	"pgregory.net/rapid"
)

// A star a quarter turn from straight up, eastwards. Facing north, east is on the right;
// facing south, on the left. A straight-through astronomical finder turns the picture by half a
// turn; a star diagonal shows it upright with left and right exchanged (common practice,
// and the optics of one lens and of one mirror).
func TestSeen(t *testing.T) {
	s := StarOffset{Distance: 30 * sky.Arcminute, PositionAngle: 60 * sky.Degree,
		East: 30 * sky.Arcminute * sky.Angle(math.Sqrt(3)/2), Up: 15 * sky.Arcminute}
	for _, c := range []struct {
		through   Optics
		south     bool
		clock     float64
		right, up float64 // signs
	}{
		{NakedEye, false, 2, 1, 1}, {UprightFinder, false, 2, 1, 1}, {InvertingFinder, false, 8, -1, -1}, {MirroredEyepiece, false, 10, -1, 1},
		{NakedEye, true, 10, -1, 1}, {UprightFinder, true, 10, -1, 1}, {InvertingFinder, true, 4, 1, -1}, {MirroredEyepiece, true, 2, 1, 1},
	} {
		v, err := s.Seen(c.through, c.south)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(v.Clock-c.clock) > 1e-9 || float64(v.Right)*c.right <= 0 || float64(v.Up)*c.up <= 0 {
			t.Errorf("%s, south %v: %+v, want %g o'clock", c.through, c.south, v, c.clock)
		}
	}
	if _, err := s.Seen("periscope", false); err == nil {
		t.Error("periscope taken")
	}
}

// The clock and the two coordinates say the same.
func TestSeenConsistent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		site, air := drawSite(t)
		places, err := poleStarsAt(site, air, drawTime(t))
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range places {
			for _, through := range AllOptics() {
				v, err := p.FromRefracted.Seen(through, site.South())
				if err != nil {
					t.Fatal(err)
				}
				if !(v.Clock >= 0 && v.Clock < 12) {
					t.Fatalf("%g o'clock", v.Clock)
				}
				clock := sky.Angle(v.Clock*30) * sky.Degree
				if off := (sky.Atan2(v.Right.Tan(), v.Up.Tan()) - clock).Signed().Abs(); off > 1e-6*sky.Degree {
					t.Fatalf("%s: %+v", through, v)
				}
			}
		}
	})
}

func TestTrueField(t *testing.T) {
	for _, c := range []struct {
		e       Eyepiece
		wantDeg float64
	}{
		// 50 degrees at 40 times.
		{Eyepiece{TelescopeFocalMm: 1000, FocalMm: 25}, 1.25},
		{Eyepiece{TelescopeFocalMm: 1000, FocalMm: 25, ApparentField: 68 * sky.Degree}, 1.7},
		// 2 atan(27/2000) = 1.5469 degrees
		{Eyepiece{TelescopeFocalMm: 1000, FocalMm: 25, FieldStopMm: 27}, 1.5469},
	} {
		got, err := c.e.TrueField()
		if err != nil || math.Abs(got.Degrees()-c.wantDeg) > 5e-5 {
			t.Errorf("%+v: %g degrees, %v; want %g", c.e, got.Degrees(), err, c.wantDeg)
		}
	}
	nan := math.NaN()
	for _, e := range []Eyepiece{
		{}, {TelescopeFocalMm: 1000}, {FocalMm: 25}, {TelescopeFocalMm: -1, FocalMm: 25}, {TelescopeFocalMm: nan, FocalMm: 25},
		{TelescopeFocalMm: 1000, FocalMm: nan}, {TelescopeFocalMm: 1000, FocalMm: 25, FieldStopMm: -2}, {TelescopeFocalMm: 1000, FocalMm: 25, FieldStopMm: nan},
		{TelescopeFocalMm: 1000, FocalMm: 25, ApparentField: 170 * sky.Degree}, {TelescopeFocalMm: 1000, FocalMm: 25, ApparentField: sky.Angle(nan)},
		{TelescopeFocalMm: 4, FocalMm: 25},
	} {
		if got, err := e.TrueField(); err == nil {
			t.Errorf("%+v taken: %g degrees", e, got.Degrees())
		}
	}
	if !Holds(80*sky.Arcminute, 39*sky.Arcminute) || Holds(70*sky.Arcminute, 39*sky.Arcminute) {
		t.Error("a field of 80 arcminutes holds a star at 39 from its middle, one of 70 does not")
	}
}
