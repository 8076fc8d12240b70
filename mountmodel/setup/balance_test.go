package setup

import (
	"math"
	"strings"
	"testing"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"
)

// By hand, with the law of the lever (Archimedes, On the Equilibrium of Planes I, 6-7).
func TestBalanceByHand(t *testing.T) {
	tube := Part{Name: "tube", MassKg: 8, ShaftMm: 200}
	shaft := Shaft{NearestMm: 120, FarthestMm: 400}
	for _, c := range []struct {
		name     string
		rig      Rig
		verdict  Verdict
		wanted   float64
		leftKgMm float64
		leftNm   float64
	}{
		// 8 x 200 = 5 x 320
		{"fits", Rig{Parts: []Part{tube}, SlidingKg: 5, Shaft: shaft}, Balanced, 320, 0, 0},
		// 8 x 200 = 3 x 533.3; at 400: 400 kg mm left, 3.9227 N m
		{"short", Rig{Parts: []Part{tube}, SlidingKg: 3, Shaft: shaft}, ShaftShort, 1600.0 / 3, 400, 3.92266},
		// ... at altitude 60 degrees half of that
		{"short, inclined", Rig{Parts: []Part{tube}, SlidingKg: 3, Shaft: shaft, AxisAltitude: 60 * sky.Degree}, ShaftShort, 1600.0 / 3, 400, 1.96133},
		// 8 x 200 = 20 x 80; at 120: 800 too much
		{"heavy", Rig{Parts: []Part{tube}, SlidingKg: 20, Shaft: shaft}, WeightsHeavy, 80, -800, -7.84532},
		// 8 x 200 - 1 x 200 (bar) - 5 x 150 (fixed) = 2 x 325
		{"several", Rig{Parts: []Part{tube}, SlidingKg: 2, Weights: []Weight{{5, 150}},
			Shaft: Shaft{MassKg: 1, MiddleMm: 200, NearestMm: 120, FarthestMm: 400}}, Balanced, 325, 0, 0},
		{"none", Rig{Parts: []Part{tube}, Shaft: shaft}, NoWeight, math.NaN(), 1600, 15.69064},
		{"fixed ones do", Rig{Parts: []Part{tube}, Weights: []Weight{{4, 400}}}, Balanced, math.NaN(), 0, 0},
	} {
		b, err := NewBalance(c.rig)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		same := func(a, b float64) bool { return math.Abs(a-b) < 1e-5 || math.IsNaN(a) && math.IsNaN(b) }
		if b.RA.Verdict != c.verdict || !same(b.RA.WantedMm, c.wanted) || !same(b.RA.LeftOverKgMm, c.leftKgMm) || !same(b.RA.LeftOverNm, c.leftNm) {
			t.Errorf("%s: %+v", c.name, b.RA)
		}
	}
	// The masses that do: 1600/400 = 4 kg at the far end, 1600/120 = 13.33 kg at the near one.
	b, err := NewBalance(Rig{Parts: []Part{tube}, SlidingKg: 3, Shaft: shaft})
	if err != nil || math.Abs(b.RA.LeastKg-4) > 1e-9 || math.Abs(b.RA.MostKg-40.0/3) > 1e-9 {
		t.Errorf("%+v, %v", b.RA, err)
	}
	// A camera of 1 kg, 450 mm behind the declination axis, on a tube of 8 kg whose own middle is
	// 20 mm before it: 160 - 450 = -290 kg mm, to be shifted 290/9 = 32.2 mm towards the sky.
	rig := Rig{Parts: []Part{{MassKg: 8, ShaftMm: 200, TubeMm: 20}, {MassKg: 1, ShaftMm: 200, TubeMm: -450, SideMm: 30}}, SlidingKg: 6, Shaft: shaft}
	b, err = NewBalance(rig)
	if err != nil || b.Dec.Verdict != Balanced || math.Abs(b.Dec.ShiftMm-290.0/9) > 1e-9 || math.Abs(b.Dec.SideNm-0.2941995) > 1e-7 {
		t.Errorf("%+v, %v", b.Dec, err)
	}
	// The saddle allows 20 of them: -290 + 180 = -110 kg mm stay.
	rig.TubeSlideMm = 20
	b, err = NewBalance(rig)
	if err != nil || b.Dec.Verdict != SaddleShort || math.Abs(b.Dec.LeftOverNm+1.0787315) > 1e-7 {
		t.Errorf("%+v, %v", b.Dec, err)
	}
}

// The torque of gravity about both axes, from the places of all masses in space, with the
// mount turned to any hour angle and declination: nothing when balanced, and otherwise never more
// than was told, and as much somewhere.
func TestBalanceInSpace(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var rig Rig
		for range rapid.IntRange(1, 4).Draw(t, "parts") {
			rig.Parts = append(rig.Parts, Part{
				MassKg:  rapid.Float64Range(0.1, 20).Draw(t, "kg"),
				ShaftMm: rapid.Float64Range(50, 500).Draw(t, "x"),
				TubeMm:  rapid.Float64Range(-500, 500).Draw(t, "y"),
			})
		}
		rig.SlidingKg = rapid.Float64Range(1, 30).Draw(t, "sliding")
		rig.Weights = []Weight{{rapid.Float64Range(0, 10).Draw(t, "fixed"), 150}}
		rig.Shaft = Shaft{MassKg: 1.5, MiddleMm: 220, NearestMm: 100, FarthestMm: 420}
		rig.AxisAltitude = sky.Angle(rapid.Float64Range(0, 85).Draw(t, "axis")) * sky.Degree
		b, err := NewBalance(rig)
		if err != nil {
			t.Fatal(err)
		}
		torques := func(hour, dec sky.Angle) (ra, de float64) {
			axis := sky.Vec{Y: rig.AxisAltitude.Cos(), Z: rig.AxisAltitude.Sin()}
			turn := sky.Rotation(axis, hour)
			shaft := turn.Apply(sky.Vec{X: 1})           // the declination axis, towards the tube
			tube := sky.Rotation(shaft, dec).Apply(axis) // along the axis, then turned
			pull := func(kg float64, at sky.Vec) {
				force := sky.Vec{Z: -standardGravity * kg}
				moment := r3.Scale(1e-3, r3.Cross(at, force))
				ra += r3.Dot(moment, axis)
			}
			for _, p := range rig.Parts {
				at := r3.Add(r3.Scale(p.ShaftMm, shaft), r3.Scale(p.TubeMm+b.Dec.ShiftMm, tube))
				pull(p.MassKg, at)
				de += r3.Dot(r3.Scale(1e-3, r3.Cross(at, sky.Vec{Z: -standardGravity * p.MassKg})), shaft)
			}
			for _, w := range rig.Weights {
				pull(w.MassKg, r3.Scale(-w.AtMm, shaft))
			}
			pull(rig.Shaft.MassKg, r3.Scale(-rig.Shaft.MiddleMm, shaft))
			pull(rig.SlidingKg, r3.Scale(-b.RA.AtMm, shaft))
			return ra, de
		}
		const rounding = 1e-9 // newton metres, of sums of some hundreds
		most := 0.0
		for i := range 72 {
			hour := sky.Angle(5*i) * sky.Degree
			ra, de := torques(hour, sky.Angle(rapid.Float64Range(0, 360).Draw(t, "dec"))*sky.Degree)
			most = max(most, math.Abs(ra))
			if math.Abs(de) > rounding {
				t.Fatalf("%g N m about the declination axis", de)
			}
		}
		told := math.Abs(b.RA.LeftOverNm)
		// With the shaft level, which is among the 72, all of it is felt.
		if math.Abs(most-told) > rounding {
			t.Fatalf("%s: %g N m about the right ascension axis, told %g", b.RA.Verdict, most, told)
		}
		if b.RA.Verdict == Balanced && math.Abs(b.RA.AtMm-b.RA.WantedMm)*rig.SlidingKg > balancedKgMm {
			t.Fatalf("%+v", b.RA)
		}
		if b.RA.Verdict != Balanced && rig.Shaft.FarthestMm*b.RA.LeastKg > 0 {
			// A weight within the told masses does balance.
			rig.SlidingKg = (b.RA.LeastKg + b.RA.MostKg) / 2
			again, err := NewBalance(rig)
			if err != nil || again.RA.Verdict != Balanced {
				t.Fatalf("%g kg: %+v, %v", rig.SlidingKg, again.RA, err)
			}
		}
	})
}

func TestBalanceRefusals(t *testing.T) {
	good := func() Rig {
		return Rig{Parts: []Part{{Name: "tube", MassKg: 8, ShaftMm: 200}}, SlidingKg: 5, Shaft: Shaft{NearestMm: 100, FarthestMm: 400}}
	}
	if _, err := NewBalance(good()); err != nil {
		t.Fatal(err)
	}
	nan := math.NaN()
	for word, spoil := range map[string]func(*Rig){
		"nothing to balance":     func(r *Rig) { r.Parts = nil },
		"tube has a mass":        func(r *Rig) { r.Parts[0].MassKg = nan },
		"along the shaft":        func(r *Rig) { r.Parts[0].ShaftMm = math.Inf(1) },
		"along the tube":         func(r *Rig) { r.Parts[0].TubeMm = nan },
		"across the tube":        func(r *Rig) { r.Parts[0].SideMm = 1e9 },
		"counterweight 1 has":    func(r *Rig) { r.Weights = []Weight{{-1, 100}} },
		"place of counterweight": func(r *Rig) { r.Weights = []Weight{{1, -100}} },
		"sliding counterweight":  func(r *Rig) { r.SlidingKg = -1 },
		"the shaft has":          func(r *Rig) { r.Shaft.MassKg = nan },
		"middle of the shaft":    func(r *Rig) { r.Shaft.MiddleMm = -1 },
		"nearest place":          func(r *Rig) { r.Shaft.NearestMm = nan },
		"farthest place":         func(r *Rig) { r.Shaft.FarthestMm = -4 },
		"must be larger":         func(r *Rig) { r.Shaft.FarthestMm = 100 },
		"can be shifted":         func(r *Rig) { r.TubeSlideMm = nan },
		"altitude":               func(r *Rig) { r.AxisAltitude = -1 * sky.Degree },
	} {
		r := good()
		spoil(&r)
		if _, err := NewBalance(r); err == nil || !strings.Contains(err.Error(), word) {
			t.Errorf("want an error with %q, got %v", word, err)
		}
	}
}
