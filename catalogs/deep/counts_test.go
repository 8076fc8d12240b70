package deep

import (
	"math"
	"strings"
	"testing"

	"polard/catalogs"
	"polard/mountmodel/sky"
)

func bundledTycho(t testing.TB) *catalogs.Catalogue {
	t.Helper()
	cat, err := catalogs.Open()
	if err != nil {
		t.Fatal(err)
	}
	return cat
}

// The whole sky by samples, against the numbers of stars that Gaia DR3 lists: 1.81 thousand million to about G = 21
// (Gaia Collaboration, Vallenari et al. 2023, A&A 674, A1), and 33.8 million with radial velocities, most of those to
// G = 14 or so and some beyond (Katz et al. 2023, A&A 674, A5). Counts vary by half between models of dust.
func TestCounts(t *testing.T) {
	cat := bundledTycho(t)
	all := func(v float64) float64 {
		n := 0.0
		places := Region{South: -90 * sky.Degree, North: 90 * sky.Degree}.samples()
		for _, at := range places {
			n += starsPerSquareDegree(cat, v, at)
		}
		return n / float64(len(places)) * 129600 / math.Pi
	}
	if n := all(21); n < 1.2e9 || n > 2.7e9 {
		t.Errorf("%.3g stars to V = 21", n)
	}
	if n := all(15); n < 2.0e7 || n > 6e7 {
		t.Errorf("%.3g stars to V = 15", n)
	}
	n := 0
	cat.Cone(sky.ICRS{Z: 1}, 180*sky.Degree, 11, func(catalogs.Star) { n++ })
	if got := all(11); math.Abs(got/float64(n)-1) > 0.12 { // 150 samples of 4 degrees hold a fifth of the sky
		t.Errorf("%.3g stars to V = 11, the catalogue has %d", got, n)
	}
}

func TestPlan(t *testing.T) {
	cat := bundledTycho(t)
	whole := Region{South: -90 * sky.Degree, North: 90 * sky.Degree}
	before := 0.0
	for _, field := range []float64{3, 1, 0.5, 0.3, 0.2, 0.1} {
		p := PlanFor(cat, sky.Angle(field)*sky.Degree, whole)
		if p.G < before || p.Enough != (field > 1.3) || p.InField < wantedInField != p.Short {
			t.Errorf("%g degrees: %+v", field, p)
		}
		before = p.G
		if len(p.Queries) != max(int(math.Ceil(p.Stars/mostRows)), 1) {
			t.Errorf("%g degrees: %d queries for %.3g stars", field, len(p.Queries), p.Stars)
		}
	}
	near := PlanFor(cat, 0.3*sky.Degree, Region{Center: sky.ICRSFromRADec(83*sky.Degree, -5*sky.Degree), Radius: 2 * sky.Degree})
	if len(near.Queries) != 1 || !strings.Contains(near.Queries[0], "CIRCLE('ICRS', 83.0000, -5.0000, 2.000)") {
		t.Errorf("%+v", near)
	}
	if rich := PlanFor(cat, 0.3*sky.Degree, Region{Center: sky.ICRSFromRADec(290*sky.Degree, 10*sky.Degree), Radius: 2 * sky.Degree}); rich.G >= near.G {
		t.Errorf("in the Milky Way G = %g, beside it %g", rich.G, near.G)
	}
}

// The parts of a query meet and do not overlap, and the last holds the pole.
func TestQueriesMeet(t *testing.T) {
	q := Region{South: -90 * sky.Degree, North: 90 * sky.Degree}.queries(15, 7)
	for i := 1; i < len(q); i++ {
		_, end, _ := strings.Cut(q[i-1], "dec < ")
		if !strings.Contains(q[i], "dec >= "+end+" ") {
			t.Errorf("after %q comes %q", q[i-1], q[i])
		}
	}
	if !strings.Contains(q[6], "dec < 90.0001") {
		t.Errorf("the last part is %q", q[6])
	}
}
