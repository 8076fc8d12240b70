package sky_test

import (
	"math"
	"testing"

	"polard/mountmodel/sky"

	"pgregory.net/rapid"
)

func TestSignedAndPositive(t *testing.T) {
	for _, c := range []struct{ in, positive, signed float64 }{
		{0, 0, 0}, {360, 0, 0}, {-1, 359, -1}, {181, 181, -179}, {180, 180, -180}, {-720.5, 359.5, -0.5},
	} {
		a := sky.Angle(c.in) * sky.Degree
		if got := a.Positive().Degrees(); math.Abs(got-c.positive) > 1e-9 {
			t.Errorf("Positive(%g) = %g, want %g", c.in, got, c.positive)
		}
		if got := a.Signed().Degrees(); math.Abs(got-c.signed) > 1e-9 {
			t.Errorf("Signed(%g) = %g, want %g", c.in, got, c.signed)
		}
	}
}

// The separation of Arcturus and Spica: Meeus, Astronomical Algorithms (2nd
// ed. 1998), example 17.a: 32.7930 degrees.
func TestSeparation(t *testing.T) {
	arcturus := sky.ICRSFromRADec(213.9154*sky.Degree, 19.1825*sky.Degree)
	spica := sky.ICRSFromRADec(201.2983*sky.Degree, -11.1614*sky.Degree)
	if got := sky.Separation(arcturus, spica).Degrees(); math.Abs(got-32.7930) > 5e-5 {
		t.Errorf("separation %.5f, want 32.7930", got)
	}
}

func unitVector(t *rapid.T, name string) sky.Vec {
	lon := rapid.Float64Range(-math.Pi, math.Pi).Draw(t, name+" longitude")
	z := rapid.Float64Range(-1, 1).Draw(t, name+" height")
	s := math.Sqrt(1 - z*z)
	return sky.Vec{X: s * math.Cos(lon), Y: s * math.Sin(lon), Z: z}
}

func TestRotationVectorRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		axis := unitVector(t, "axis")
		angle := rapid.Float64Range(0, math.Pi-1e-7).Draw(t, "angle")
		m := sky.Rotation(axis, sky.Angle(angle))
		v := sky.VectorFromRotation(m)
		back := sky.RotationFromVector(v)
		for i := range 3 {
			for j := range 3 {
				if math.Abs(m[i][j]-back[i][j]) > 1e-13 {
					t.Fatalf("element %d,%d: %g became %g", i, j, m[i][j], back[i][j])
				}
			}
		}
		if math.Abs(m.Det()-1) > 1e-13 {
			t.Fatalf("determinant %g", m.Det())
		}
	})
}

// Small turns must not lose digits: a turn of 1e-9 radians comes back as such.
func TestRotationVectorSmall(t *testing.T) {
	v := sky.Vec{X: 1e-9, Y: -2e-9, Z: 3e-9}
	got := sky.VectorFromRotation(sky.RotationFromVector(v))
	if math.Abs(got.X-v.X) > 1e-18 || math.Abs(got.Y-v.Y) > 1e-18 || math.Abs(got.Z-v.Z) > 1e-18 {
		t.Errorf("got %v, want %v", got, v)
	}
}

func TestWahbaRecoversAttitude(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := sky.Rotation(unitVector(t, "axis"), sky.Angle(rapid.Float64Range(0, math.Pi).Draw(t, "angle")))
		det := 1.0
		if rapid.Bool().Draw(t, "left-handed") {
			r = r.Mul(sky.Matrix{{1, 0, 0}, {0, -1, 0}, {0, 0, 1}})
			det = -1
		}
		field := rapid.Float64Range(1e-3, 0.5).Draw(t, "field")
		var a, b []sky.Vec
		var w []float64
		for _, p := range [][2]float64{{1, 0.2}, {-0.7, 0.9}, {0.1, -1}, {0.5, 0.5}} {
			v := sky.Unit(sky.Vec{X: p[0] * field, Y: p[1] * field, Z: 1})
			a, b, w = append(a, v), append(b, r.Apply(v)), append(w, 1)
		}
		got, err := sky.Wahba(a, b, w, det)
		if err != nil {
			t.Fatal(err)
		}
		if e := sky.VectorFromRotation(got.Mul(r.Transpose())); math.Abs(e.X)+math.Abs(e.Y)+math.Abs(e.Z) > 1e-9 {
			t.Fatalf("off by %v", e)
		}
	})
}

func TestWahbaRefusesWhatDoesNotFix(t *testing.T) {
	z := sky.Vec{Z: 1}
	if _, err := sky.Wahba([]sky.Vec{z}, []sky.Vec{z}, []float64{1}, 1); err == nil {
		t.Error("one direction was taken as an attitude")
	}
	if _, err := sky.Wahba([]sky.Vec{z, z}, []sky.Vec{z, z}, []float64{1, 1}, 1); err == nil {
		t.Error("two equal directions were taken as an attitude")
	}
}

// Standard atmosphere at 1000 and 3000 m: 898.76 and 701.21 hPa (ICAO Doc
// 7488, table of the standard atmosphere; values from memory).
func TestStandardAir(t *testing.T) {
	for _, c := range []struct{ h, p float64 }{{0, 1013.25}, {1000, 898.76}, {3000, 701.21}} {
		if got := sky.StandardAir(c.h).PressureHPa; math.Abs(got-c.p) > 0.3 {
			t.Errorf("pressure at %g m is %.2f, want %.2f", c.h, got, c.p)
		}
	}
}

// The smallest doubles make unit vectors, and rotations that do nothing, and
// no NaN.
func TestUnitOfTheSmallest(t *testing.T) {
	for _, length := range []float64{5e-324, 1.8e-309, 1e-301, 1e-290} {
		v := sky.Vec{Y: -length}
		if u := sky.Unit(v); !(math.Abs(u.Y+1) <= 1e-15) {
			t.Errorf("unit of %g is %v", length, u)
		}
		if m := sky.RotationFromVector(v); !(math.Abs(m.Det()-1) <= 1e-15) {
			t.Errorf("rotation by %g is %v", length, m)
		}
	}
}
