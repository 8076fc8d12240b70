package observed

import (
	"math"
	"testing"

	"polard/mountmodel/sky"
)

// Meeus, Astronomical Algorithms (2nd ed. 1998), example 22.a: 1987 April 10,
// 0h TD: nutation in longitude -3.788, in obliquity +9.443 arcsec, true
// obliquity 23 26' 36.850". The book has IAU 1980, of which 2000B differs by some
// hundredths of an arcsecond in longitude, less in obliquity; the mean obliquity
// of 1976 is 0.04 arcsec larger than that of 2006 (84381.448 - 84381.406).
func TestNutationMeeus(t *testing.T) {
	c := (2446895.5 - 2451545) / daysPerCentury
	psi, eps := nutation(c)
	if off := psi + 3.788*sky.Arcsecond; off.Abs() > 0.05*sky.Arcsecond {
		t.Errorf("nutation in longitude %.4f arcsec, want -3.788", psi.Arcseconds())
	}
	if off := eps - 9.443*sky.Arcsecond; off.Abs() > 0.02*sky.Arcsecond {
		t.Errorf("nutation in obliquity %.4f arcsec, want 9.443", eps.Arcseconds())
	}
	oblique := meanObliquity(c) + eps
	want := 23*sky.Degree + 26*sky.Arcminute + 36.850*sky.Arcsecond
	if off := oblique - want; off.Abs() > 0.06*sky.Arcsecond {
		t.Errorf("true obliquity %.4f arcsec from the book", off.Arcseconds())
	}
}

// ERFA's own test values (t_erfa_c.c): t_nut00b, TT 2453736.5, to its tolerance
// of 1e-13; t_obl06, 2454388.5; t_era00, UT1 2454388.5; t_gmst06, UT1 and TT
// 2453736.5.
func TestAgainstERFAsOwnValues(t *testing.T) {
	psi, eps := nutation((2453736.5 - 2451545) / daysPerCentury)
	at := func(day float64) julianDate { return julianDate{Day: math.Floor(day), Fraction: day - math.Floor(day)} }
	t2006 := at(2453736.5 - 2451545)
	t2007 := at(2454388.5 - 2451545)
	for _, c := range []struct {
		name         string
		got          sky.Angle
		want, within float64
	}{
		{"nut00b psi", psi, -0.9632552291148362783e-5, 1e-13},
		{"nut00b eps", eps, 0.4063197106621159367e-4, 1e-13},
		{"obl06", meanObliquity(t2007.centuries()), 0.4090749229387258204, 1e-14},
		{"era00", earthRotationAngle(t2007), 0.4022837240028158102, 1e-12},
		{"gmst06", greenwichMean(t2006, t2006.centuries()), 1.754174971870091203, 1e-12},
		// gst06 has nutation 2000A; 1 mas in longitude is 5e-9 radians.
		{"gst06a", greenwichApparent(t2006, t2006.centuries(), psi), 1.754166137675019159, 5e-9},
	} {
		if math.Abs(c.got.Radians()-c.want) > c.within {
			t.Errorf("%s: %.16f, want %.16f", c.name, c.got.Radians(), c.want)
		}
	}
}

// The matrix against ERFA's t_pnm06a (TT 2450123.9999 = 2400000.5 + 50123.9999):
// elements to 1 mas, the difference between nutation 2000B and 2000A.
func TestCelestialToTrueAgainstERFA(t *testing.T) {
	const within = 5e-9
	want := sky.Matrix{
		{0.9999995832794205484, 0.8372382772630962111e-3, 0.3639684771140623099e-3},
		{-0.8372533744743683605e-3, 0.9999996486492861646, 0.4132905944611019498e-4},
		{-0.3639337469629464969e-3, -0.4163377605910663999e-4, 0.9999999329094260057},
	}
	c := (2400000.5 + 50123.9999 - 2451545) / daysPerCentury
	psi, eps := nutation(c)
	got := celestialToTrue(c, psi, eps)
	for i := range 3 {
		for j := range 3 {
			if math.Abs(got[i][j]-want[i][j]) > within {
				t.Errorf("element %d,%d: %.12f, want %.12f", i, j, got[i][j], want[i][j])
			}
		}
	}
	if p := got.Mul(got.Transpose()); math.Abs(p[0][0]-1)+math.Abs(p[0][1])+math.Abs(p[1][2]) > 1e-14 {
		t.Error("the matrix is not orthogonal")
	}
}
