package catalogs_test

import (
	"math"
	"testing"

	"polard/catalogs"
	"polard/mountmodel/sky"

	"pgregory.net/rapid"
)

// Places at other epochs by ERFA 2.0.0 pmsafe (testdata/catalogs/make_checks.py):
// Barnard's and Kapteyn's stars, random ones, and stars 3.6 and 0.36 arcseconds
// from the poles.
func TestAtAgainstERFA(t *testing.T) {
	// float32 holds 10277.3 mas/yr to 5e-4, which 100 years make 0.05 mas. ERFA
	// also follows the light that comes from a changing distance; the script
	// keeps that below 0.005 mas.
	const tolerance = 1e-4 * sky.Arcsecond
	for _, r := range table(t, "../testdata/catalogs/motion.tsv") {
		s := catalogs.Star{
			Dir:   r.place(t, "ra_deg", "dec_deg"),
			PMRA:  float32(r.number(t, "pmra_mas")),
			PMDec: float32(r.number(t, "pmdec_mas")),
			HasPM: true,
		}
		want := r.place(t, "ra_then_deg", "dec_then_deg")
		if sep := sky.Separation(s.At(r.number(t, "julian_year")), want); sep > tolerance {
			t.Errorf("%v: %.6f arcsec from ERFA", r, sep.Arcseconds())
		}
	}
}

// Carrying a star to J2000.0 and letting it move back must end where it began:
// place and motion belong to one great circle.
func TestFromEpochIsTheInverseOfAt(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := catalogs.Star{
			Dir:   direction(t, "place"),
			PMRA:  float32(rapid.Float64Range(-10000, 10000).Draw(t, "motion in right ascension")),
			PMDec: float32(rapid.Float64Range(-10000, 10000).Draw(t, "motion in declination")),
			HasPM: rapid.Bool().Draw(t, "known"),
		}
		epoch := rapid.Float64Range(1990, 2010).Draw(t, "epoch")
		moved := catalogs.FromEpoch(s, epoch)
		if !s.HasPM {
			if moved != s {
				t.Fatalf("a star without motion moved: %v", moved)
			}
			return
		}
		back := moved.At(epoch)
		// Without a radial velocity the way back starts along the tangent at
		// the far end and is short by theta^3: 14142 mas/yr over 10 years are
		// 6.9e-4 radian, cubed 0.07 mas. float32 holds 10000 mas/yr to 5e-4.
		const tolerance = 1e-4 * sky.Arcsecond
		if sep := sky.Separation(back, s.Dir); sep > tolerance {
			t.Fatalf("%.6f arcsec off after there and back", sep.Arcseconds())
		}
	})
}

// direction draws unit vectors, often at the places where grids and right
// ascension go wrong.
func direction(t *rapid.T, name string) sky.ICRS {
	special := []sky.Vec{
		{Z: 1}, {Z: -1}, {X: 1}, {X: -1}, {Y: 1}, {Y: -1},
		{X: 1, Y: 1, Z: 1}, {X: -1, Y: 1, Z: 1}, {X: 1, Y: -1, Z: 1}, {X: 1, Y: 1, Z: -1},
		{X: -1, Y: -1, Z: 1}, {X: -1, Y: 1, Z: -1}, {X: 1, Y: -1, Z: -1}, {X: -1, Y: -1, Z: -1},
		{X: 1, Y: 1}, {X: 1, Y: -1}, {Y: 1, Z: 1}, {Y: 1, Z: -1}, {X: -1, Z: 1}, {X: -1, Z: -1},
	}
	k := rapid.IntRange(-len(special), len(special)-1).Draw(t, name+" kind")
	v := sky.Vec{
		X: rapid.Float64Range(-1, 1).Draw(t, name+" x"),
		Y: rapid.Float64Range(-1, 1).Draw(t, name+" y"),
		Z: rapid.Float64Range(-1, 1).Draw(t, name+" z"),
	}
	if k >= 0 {
		// At the special place or some way from it, evenly in the logarithm.
		off := 0.0
		if e := rapid.IntRange(-10, 0).Draw(t, name+" distance"); e > -10 {
			off = math.Pow(10, float64(e)/2)
		}
		p := special[k]
		v = sky.Vec{X: p.X + off*v.X, Y: p.Y + off*v.Y, Z: p.Z + off*v.Z}
	}
	d := sky.Unit(sky.ICRS(v))
	if n := d.X*d.X + d.Y*d.Y + d.Z*d.Z; !(math.Abs(n-1) < 1e-9) {
		return sky.ICRS{Z: 1}
	}
	return d
}
