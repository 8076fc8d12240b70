package mountmodel

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"polard/mountmodel/adjust"
	"polard/mountmodel/axis"
	"polard/mountmodel/internal/simmount"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// What the stars do not tell is allowed for: with stars good to hundredths of an
// arcsecond nobody knows the axis of a tube that may hang by 20" better than that.
func TestSessionAllows(t *testing.T) {
	d := newDesk(t, 73, 48*sky.Degree, 20*sky.Degree, nil)
	d.thereAndBack()
	v := d.View()
	// The tube's sag shifts the axis in altitude by cos(distance) cos(latitude) of it.
	if got, want := v.Measured.Axis.SigmaAlt(), 20*sky.Arcsecond*sky.Angle((20*sky.Degree).Cos()*(48*sky.Degree).Cos()); got < want || got > want+4*sky.Arcsecond {
		t.Errorf("altitude known to %.1f arcsec, %.1f of it by the tube's weight", got.Arcseconds(), want.Arcseconds())
	}
	if got := v.Measured.Axis.SigmaAcross(); got < 1*sky.Arcsecond || got > 10*sky.Arcsecond {
		t.Errorf("azimuth known to %.1f arcsec", got.Arcseconds())
	}
}

func TestSessionCountsFramesWhenTold(t *testing.T) {
	d := newDesk(t, 50, 44*sky.Degree, 5*sky.Degree, func(c *Config) { c.MeasureFrames = 4 })
	for n := range 4 {
		if v := d.shoot(20 * sky.Degree); (v.Phase == Adjusting) != (n == 3) {
			t.Fatalf("after %d frames: %s", n+1, v.Phase)
		}
	}
	if v := d.shoot(20 * sky.Degree); len(v.Adjust) != 1 || v.Adjust[0].Drive != adjust.DriveTurned {
		t.Errorf("the fifth frame: %+v", v.Adjust)
	}
	// Frames at one angle do not make a measurement, however many.
	d = newDesk(t, 51, 44*sky.Degree, 5*sky.Degree, func(c *Config) { c.MeasureFrames = 2 })
	d.drive = false
	for range 3 {
		if v := d.shoot(0); v.Phase != Measuring {
			t.Fatalf("%s without any turn", v.Phase)
		}
	}
	v := d.View()
	if v.Frames[1].Status != axis.FrameSameAngle || !strings.Contains(v.Instruction, "not turned enough") {
		t.Errorf("status %q, told %q", v.Frames[1].Status, v.Instruction)
	}
}

// What goes wrong while measuring is named, and stops the session from going
// on by itself.
func TestSessionNamesFaults(t *testing.T) {
	has := func(v View, c axis.WarningCode, frame string) bool {
		for _, w := range v.Warnings {
			if w.Code == c && (frame == "" || w.Frame == frame) {
				return true
			}
		}
		return false
	}
	byHand := func(c *Config) { c.MeasureFrames = 50 }
	t.Run("tube", func(t *testing.T) {
		d := newDesk(t, 100, 44*sky.Degree, 20*sky.Degree, byHand)
		for i := range 6 {
			if i == 3 {
				d.m.Body = sky.RotationFromVector(r3.Scale(float64(10*sky.Arcminute), simmount.SquareTo(d.m.Rng, d.m.Axis))).Mul(d.m.Body)
			}
			d.shoot(15 * sky.Degree)
		}
		v := d.View()
		if !has(v, axis.WarnTubeMoved, "f004") || !has(v, axis.WarnNotRigid, "") {
			t.Errorf("warnings %+v", v.Warnings)
		}
	})
	t.Run("mount", func(t *testing.T) {
		d := newDesk(t, 101, 44*sky.Degree, 20*sky.Degree, nil)
		for i := range 6 {
			if i == 2 {
				d.m.TurnBolts(0, 6*sky.Arcminute, sky.Vec{})
			}
			d.shoot(15 * sky.Degree)
		}
		v := d.View()
		if v.Phase == Measuring && (!has(v, axis.WarnMountMoved, "f003") || !strings.Contains(v.Instruction, "start over")) {
			t.Errorf("told %q, warnings %+v", v.Instruction, v.Warnings)
		}
		if v.Phase != Measuring {
			t.Errorf("went on to %s", v.Phase)
		}
	})
	t.Run("one frame in the middle", func(t *testing.T) {
		d := newDesk(t, 102, 44*sky.Degree, 20*sky.Degree, byHand)
		for i := range 6 {
			keep := d.m.Ground
			if i == 2 {
				d.m.TurnBolts(0, 6*sky.Arcminute, sky.Vec{})
			}
			d.shoot(15 * sky.Degree)
			d.m.Ground = keep
		}
		v := d.View()
		if v.Frames[2].Status != axis.FrameSetAside || !has(v, axis.WarnFrameStands, "f003") || has(v, axis.WarnNotRigid, "") {
			t.Errorf("%+v, warnings %+v", v.Frames[2], v.Warnings)
		}
		if e := sky.Separation(v.Measured.Axis.Dir, d.m.AxisNow()); e > 3*sky.Arcsecond {
			t.Errorf("without it the axis is off by %.1f arcsec", e.Arcseconds())
		}
	})
	t.Run("the newest frame", func(t *testing.T) {
		d := newDesk(t, 103, 44*sky.Degree, 20*sky.Degree, byHand)
		for range 4 {
			d.shoot(15 * sky.Degree)
		}
		d.m.TurnBolts(0, 6*sky.Arcminute, sky.Vec{})
		v := d.shoot(15 * sky.Degree)
		if v.Frames[4].Status != axis.FrameSetAside || !strings.Contains(v.Frames[4].Message, "right before") {
			t.Errorf("%+v", v.Frames[4])
		}
		// The next one settles it: the mount moved.
		v = d.shoot(15 * sky.Degree)
		if !has(v, axis.WarnMountMoved, "f005") {
			t.Errorf("warnings %+v", v.Warnings)
		}
	})
	t.Run("it bends", func(t *testing.T) {
		d := newDesk(t, 104, 44*sky.Degree, 20*sky.Degree, nil)
		bend := simmount.SquareTo(d.m.Rng, d.m.Axis)
		for range 6 {
			d.m.Ground = sky.RotationFromVector(r3.Scale(float64(3*sky.Arcminute)*math.Sin(2*float64(d.m.Theta)), bend))
			d.shoot(20 * sky.Degree)
		}
		v := d.View()
		if v.Phase != Measuring || !has(v, axis.WarnFlexure, "") {
			t.Errorf("%s, warnings %+v", v.Phase, v.Warnings)
		}
		if major, _, _ := v.Measured.Axis.Ellipse(); major < 20*sky.Arcsecond {
			t.Errorf("the uncertainty of %.1f arcsec leaves the bending out", major.Arcseconds())
		}
	})
	t.Run("a jump while adjusting", func(t *testing.T) {
		d := newDesk(t, 105, 44*sky.Degree, 20*sky.Degree, nil)
		d.thereAndBack()
		d.m.Body = sky.RotationFromVector(r3.Scale(float64(12*sky.Degree), simmount.SquareTo(d.m.Rng, d.m.Axis))).Mul(d.m.Body)
		if v := d.shoot(0); !has(v, adjust.WarnAxisJumped, "f005") {
			t.Errorf("warnings %+v", v.Warnings)
		}
	})
	t.Run("near the zenith", func(t *testing.T) {
		d := newDesk(t, 106, -88*sky.Degree, 20*sky.Degree, nil)
		d.shoot(0)
		if v := d.shoot(40 * sky.Degree); !has(v, WarnNearZenith, "") {
			t.Errorf("warnings %+v", v.Warnings)
		}
	})
	// At the equator the refracted pole is known to a third of a degree, at 45 degrees to 2" (README).
	for _, c := range []struct {
		lat  sky.Angle
		pole observed.PoleKind
		says bool
	}{{0.5, observed.Refracted, true}, {-1, observed.Refracted, true}, {0.5, observed.True, false}, {10, observed.Refracted, false}, {-45, observed.Refracted, false}} {
		t.Run(fmt.Sprintf("pole in the air, latitude %g, %v pole", float64(c.lat), c.pole), func(t *testing.T) {
			d := newDesk(t, 107, c.lat*sky.Degree, 60*sky.Degree, func(cfg *Config) { cfg.Pole = c.pole })
			d.shoot(0)
			if v := d.shoot(40 * sky.Degree); v.Now == nil || has(v, WarnPoleAir, "") != c.says {
				t.Errorf("warnings %+v", v.Warnings)
			}
		})
	}
}

// A mount whose bearings wobble by the usual two arcseconds: frames taken on
// after the measurement join it, and nobody is told that bolts moved; a bolt
// that does move is seen.
func TestSessionToleratesWobble(t *testing.T) {
	joined, seen, warned := 0, 0, 0
	const nights, more = 40, 3
	for night := range nights {
		d := newDesk(t, uint64(200+night), 44*sky.Degree, 4*sky.Degree, nil)
		still := d.m.Body
		wobble := func() {
			e := sky.Vec{X: simmount.Gauss(d.m.Rng, axis.MechanicalNoise), Y: simmount.Gauss(d.m.Rng, axis.MechanicalNoise), Z: simmount.Gauss(d.m.Rng, axis.MechanicalNoise)}
			d.m.Body = still.Mul(sky.RotationFromVector(e))
		}
		for n := 0; d.Phase() != Adjusting; n++ {
			if n > 10 {
				t.Fatalf("night %d: still %s", night, d.Phase())
			}
			wobble()
			d.shoot(30 * sky.Degree)
		}
		for range more {
			wobble()
			v := d.shoot(-20 * sky.Degree)
			if len(v.Adjust) == 0 {
				joined++
			}
			for _, w := range v.Warnings {
				if w.Code == axis.WarnNotRigid {
					warned++
				}
			}
		}
		if d.state.following().Moved() {
			continue
		}
		wobble()
		d.m.TurnBolts(1*sky.Arcminute, 1*sky.Arcminute, sky.Vec{})
		if v := d.shoot(0); len(v.Adjust) > 0 {
			seen++
		} else {
			t.Errorf("night %d: a move of an arcminute went unseen", night)
		}
	}
	t.Logf("%d of %d frames joined, %d moves seen, %d warnings", joined, nights*more, seen, warned)
	if warned > nights*more/20 {
		t.Errorf("warned of the usual wobble %d times", warned)
	}
	if joined < nights*more*9/10 {
		t.Errorf("only %d of %d frames joined", joined, nights*more)
	}
}
