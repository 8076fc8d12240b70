package mountmodel

import (
	"math"

	"polard/mountmodel/adjust"
	"polard/mountmodel/axis"
	"polard/mountmodel/sky"
)

// Slot is the error of one bolt up to which it may be left alone, on the sky: total^2
// = alt^2 + (az cos alt)^2 for small offsets, so that two bolts inside 1/sqrt(2) of
// the tolerance each leave a total inside it.
func Slot(tolerance sky.Angle) sky.Angle { return sky.Angle(float64(tolerance) / math.Sqrt2) }

// OnSky is the error that a bolt has to take away, as an angle on the sky; the pole is
// the one aimed at.
func OnSky(m axis.Move, bolt adjust.Bolt, pole sky.Local) sky.Angle {
	if bolt == adjust.AltitudeBolt {
		return m.Alt.Abs()
	}
	return sky.Angle(float64(m.Az.Abs()) * math.Hypot(pole.X, pole.Y))
}

// turning is the bolt that the person is to turn now. It stays the same, whichever
// error is the larger, until a frame shows it in its slot or the person changes over:
// an instruction that goes from one bolt to the other while a hand is on one of them
// has the wrong one turned.
type turning struct {
	bolt adjust.Bolt // empty: neither
	// seenOut: a frame showed it out of its slot since it was chosen. One that the person
	// chose although it is in its slot is not taken away from them.
	seenOut bool
}

// after is which bolt to turn once a frame has shown how the axis stands.
func (t turning) after(m axis.Move, pole sky.Local, tolerance sky.Angle) turning {
	slot := Slot(tolerance)
	if t.bolt != "" {
		if OnSky(m, t.bolt, pole) > slot {
			return turning{t.bolt, true}
		}
		if !t.seenOut {
			return t
		}
	}
	alt, az := OnSky(m, adjust.AltitudeBolt, pole), OnSky(m, adjust.AzimuthBolt, pole)
	switch {
	case alt <= slot && az <= slot:
		return turning{}
	case az > alt:
		return turning{adjust.AzimuthBolt, true}
	}
	return turning{adjust.AltitudeBolt, true}
}
