package setup

import (
	"errors"
	"fmt"
	"math"

	"polard/mountmodel/sky"
)

// standardGravity is in m/s^2 (3rd CGPM, 1901). The real one differs by up to
// 0.3 per cent over the Earth.
const standardGravity = 9.80665

// Part is something that turns with the tube: the tube itself with its rings and
// plate, a camera, a guide scope. Lengths say where its centre of mass sits.
type Part struct {
	Name   string
	MassKg float64
	// ShaftMm is the distance from the right ascension axis along the
	// declination axis, towards the tube positive.
	ShaftMm float64
	// TubeMm is the distance from the declination axis along the tube, towards the
	// sky positive.
	TubeMm float64
	// SideMm is the distance from the declination axis across the tube, to either
	// side.
	SideMm float64
}

// Weight is a counterweight that stays where it is, its middle AtMm from the
// right ascension axis, away from the tube.
type Weight struct {
	MassKg, AtMm float64
}

// Shaft is the bar that carries the counterweights. Distances are from the
// right ascension axis, away from the tube.
type Shaft struct {
	MassKg, MiddleMm float64 // of the bar itself; mass 0 when not known
	// NearestMm and FarthestMm are where the middle of the sliding weight can sit.
	NearestMm, FarthestMm float64
}

// Rig is what is to be balanced.
type Rig struct {
	Parts     []Part
	Weights   []Weight // those that are not moved
	SlidingKg float64  // the counterweight whose place is looked for
	Shaft     Shaft
	// TubeSlideMm is how far the tube can be shifted in its saddle, either way; 0
	// when not known: then no limit is checked.
	TubeSlideMm float64
	// AxisAltitude is that of the right ascension axis, about the latitude. Gravity
	// turns an inclined axis with its cosine only.
	AxisAltitude sky.Angle
}

// Limits of a rig that a person sets up.
const (
	heaviestKg = 2000
	longestMm  = 20000
)

// Check says what is wrong with the rig, or nil.
func (r Rig) Check() error {
	mass := func(what string, kg float64) error {
		if !(kg >= 0 && kg <= heaviestKg) {
			return fmt.Errorf("%s has a mass of %g kg: give it in kilograms, 0 to %d", what, kg, heaviestKg)
		}
		return nil
	}
	length := func(what string, mm, least float64) error {
		if !(mm >= least && mm <= longestMm) {
			return fmt.Errorf("%s is %g mm: give millimetres, %g to %d", what, mm, least, longestMm)
		}
		return nil
	}
	var err error
	try := func(e error) {
		if err == nil {
			err = e
		}
	}
	total := 0.0
	for i, p := range r.Parts {
		name := p.Name
		if name == "" {
			name = fmt.Sprintf("part %d", i+1)
		}
		try(mass(name, p.MassKg))
		try(length("the distance of "+name+" along the shaft", p.ShaftMm, -longestMm))
		try(length("the distance of "+name+" along the tube", p.TubeMm, -longestMm))
		try(length("the distance of "+name+" across the tube", p.SideMm, -longestMm))
		total += p.MassKg
	}
	for i, w := range r.Weights {
		name := fmt.Sprintf("counterweight %d", i+1)
		try(mass(name, w.MassKg))
		try(length("the place of "+name, w.AtMm, 0))
	}
	try(mass("the sliding counterweight", r.SlidingKg))
	try(mass("the shaft", r.Shaft.MassKg))
	try(length("the middle of the shaft", r.Shaft.MiddleMm, 0))
	try(length("the nearest place on the shaft", r.Shaft.NearestMm, 0))
	try(length("the farthest place on the shaft", r.Shaft.FarthestMm, 0))
	try(length("the way the tube can be shifted", r.TubeSlideMm, 0))
	switch {
	case err != nil:
		return err
	case !(total > 0):
		return errors.New("nothing to balance: give at least the tube, with its mass")
	case r.SlidingKg > 0 && !(r.Shaft.FarthestMm > r.Shaft.NearestMm):
		return fmt.Errorf("the shaft takes weights from %g to %g mm: the second must be larger", r.Shaft.NearestMm, r.Shaft.FarthestMm)
	case !(r.AxisAltitude >= 0 && r.AxisAltitude <= 90*sky.Degree):
		return fmt.Errorf("the axis stands at altitude %g degrees: give 0 to 90", r.AxisAltitude.Degrees())
	}
	return nil
}

// Verdict says how a balance comes out.
type Verdict string

const (
	Balanced     Verdict = "balanced"
	ShaftShort   Verdict = "shaft too short"   // heavier weights, a longer shaft, or the tube closer
	WeightsHeavy Verdict = "weights too heavy" // even at the nearest place
	NoWeight     Verdict = "no sliding weight"
	SaddleShort  Verdict = "saddle too short" // the tube cannot be shifted as far as it needs
)

// RABalance is the balance about the right ascension axis.
type RABalance struct {
	Verdict Verdict
	// WantedMm is where the sliding weight would balance, on the shaft or not; NaN
	// without a sliding weight. AtMm is the nearest place to it on the shaft.
	WantedMm, AtMm float64
	// LeftOverKgMm is the moment left with the weight at AtMm, positive when the tube's
	// side is the heavy one, and LeftOverNm the largest torque that it puts on the axis
	// as the mount turns, newton metres.
	LeftOverKgMm, LeftOverNm float64
	// LeastKg and MostKg are the masses of a sliding weight that balances at the far and at
	// the near end of the shaft. MostKg is +Inf when the near end is at the axis; both
	// are 0 when what is fixed balances or outweighs the tube.
	LeastKg, MostKg float64
}

// DecBalance is the balance about the declination axis.
type DecBalance struct {
	Verdict Verdict
	// ShiftMm is how far the tube with all that is on it is to be shifted towards the
	// sky, negative towards the ground end.
	ShiftMm float64
	// LeftOverNm is the largest torque that stays after the shift that the saddle
	// allows, and SideNm that of what sits to a side, which no shift takes away.
	// SideNm is positive towards the side that SideMm calls positive; LeftOverNm
	// towards the sky end.
	LeftOverNm, SideNm float64
}

// Balance is both.
type Balance struct {
	TubeKg float64 // all that turns with the tube
	RA     RABalance
	Dec    DecBalance
}

// balancedKgMm is what counts as nothing left: a gram at a metre.
const balancedKgMm = 1

// NewBalance applies the law of the lever. With masses m in kg, and distances from
// the right ascension axis x in mm, towards the tube positive:
//
//	sum over the tube's parts of m x  =  m_shaft d_shaft + sum of m_i d_i + m d
//
// gives the place d of the sliding weight. About the declination axis the tube's parts
// are to have sum of m y = 0 along the tube and sum of m z = 0 across it; shifting the
// tube by s adds s to every y. What is left, a moment M in kg mm, is a torque of at
// most g M / 1000 newton metres about a level axis, and of g M cos(h) / 1000 about one
// that is inclined by h, as the right ascension axis is. Weights and shaft are taken to lie
// on the declination axis.
func NewBalance(r Rig) (Balance, error) {
	if err := r.Check(); err != nil {
		return Balance{}, err
	}
	var b Balance
	var x, y, z float64
	for _, p := range r.Parts {
		b.TubeKg += p.MassKg
		x += p.MassKg * p.ShaftMm
		y += p.MassKg * p.TubeMm
		z += p.MassKg * p.SideMm
	}
	fixed := r.Shaft.MassKg * r.Shaft.MiddleMm
	for _, w := range r.Weights {
		fixed += w.MassKg * w.AtMm
	}
	open := x - fixed
	b.RA = raBalance(open, r)
	b.Dec = decBalance(y, z, b.TubeKg, r)
	return b, nil
}

func raBalance(open float64, r Rig) RABalance {
	b := RABalance{WantedMm: math.NaN(), AtMm: math.NaN(), LeftOverKgMm: open}
	if open > 0 && r.Shaft.FarthestMm > 0 {
		b.LeastKg, b.MostKg = open/r.Shaft.FarthestMm, open/r.Shaft.NearestMm
	}
	if r.SlidingKg > 0 {
		b.WantedMm = open / r.SlidingKg
		b.AtMm = min(max(b.WantedMm, r.Shaft.NearestMm), r.Shaft.FarthestMm)
		b.LeftOverKgMm = open - r.SlidingKg*b.AtMm
	}
	b.LeftOverNm = standardGravity * b.LeftOverKgMm / 1000 * r.AxisAltitude.Cos()
	switch {
	case math.Abs(b.LeftOverKgMm) < balancedKgMm:
		b.Verdict = Balanced
	case b.LeftOverKgMm < 0:
		b.Verdict = WeightsHeavy
	case r.SlidingKg == 0:
		b.Verdict = NoWeight
	default:
		b.Verdict = ShaftShort
	}
	return b
}

func decBalance(y, z, tube float64, r Rig) DecBalance {
	b := DecBalance{Verdict: Balanced, ShiftMm: -y / tube, SideNm: standardGravity * z / 1000}
	if r.TubeSlideMm > 0 && math.Abs(b.ShiftMm) > r.TubeSlideMm {
		b.Verdict = SaddleShort
		left := y + tube*math.Copysign(r.TubeSlideMm, b.ShiftMm)
		b.LeftOverNm = standardGravity * left / 1000
	}
	return b
}
