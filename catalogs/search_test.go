package catalogs_test

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"testing"

	"polard/catalogs"
	"polard/mountmodel/sky"

	"pgregory.net/rapid"
)

// border is the width about the edge of a cone within which rounding may put
// a star on either side: far above the rounding of a separation (1e-16, at the
// antipode of a chord 1e-8), far below a step of place (2.5e-7).
const border = 3e-8 * sky.Radian

// bruteCone looks at every star; borderline ones are given apart.
func bruteCone(stars []catalogs.Star, center sky.ICRS, radius sky.Angle, faintest float64) (inside, borderline []int32) {
	for _, s := range stars {
		if !(float64(s.V) <= faintest) {
			continue
		}
		switch sep := sky.Separation(s.Dir, center); {
		case (sep - radius).Abs() <= border:
			borderline = append(borderline, s.ID)
		case sep < radius:
			inside = append(inside, s.ID)
		}
	}
	return inside, borderline
}

func allStars(c *catalogs.Catalogue) []catalogs.Star {
	stars := make([]catalogs.Star, c.Len())
	for i := range stars {
		stars[i] = c.Star(int32(i))
	}
	return stars
}

// compareCone tells how a cone search differs from looking at every star.
func compareCone(c *catalogs.Catalogue, stars []catalogs.Star, center sky.ICRS, radius sky.Angle, faintest float64) error {
	inside, borderline := bruteCone(stars, center, radius, faintest)
	var got []int32
	var odd error
	c.Cone(center, radius, faintest, func(s catalogs.Star) {
		if s != stars[s.ID] {
			odd = fmt.Errorf("Cone gives %+v, Star gives %+v", s, stars[s.ID])
		}
		if _, doubtful := slices.BinarySearch(borderline, s.ID); !doubtful {
			got = append(got, s.ID)
		}
	})
	if odd != nil {
		return odd
	}
	if !slices.Equal(got, inside) {
		return fmt.Errorf("Cone gives %d stars, %d lie in the cone (and %d on its edge)", len(got), len(inside), len(borderline))
	}
	return nil
}

func TestConeAgainstEveryStar(t *testing.T) {
	c := open(t)
	stars := allStars(c)
	corner := sky.Unit(sky.ICRS{X: 1, Y: -1, Z: 1})
	for _, k := range []struct {
		name     string
		center   sky.ICRS
		radius   sky.Angle
		faintest float64
	}{
		{"a place of no note", sky.ICRSFromRADec(123.4*sky.Degree, 33*sky.Degree), 2 * sky.Degree, math.Inf(1)},
		{"north pole", sky.ICRS{Z: 1}, 3 * sky.Degree, math.Inf(1)},
		{"near the south pole", sky.ICRSFromRADec(200*sky.Degree, -89.5*sky.Degree), 1 * sky.Degree, 11},
		{"corner of the cube", corner, 1.5 * sky.Degree, math.Inf(1)},
		{"opposite corner, wide", sky.ICRS{X: -corner.X, Y: -corner.Y, Z: -corner.Z}, 40 * sky.Degree, 10},
		{"edge of the cube, right ascension 315", sky.ICRS{X: math.Sqrt2 / 2, Y: -math.Sqrt2 / 2}, 5 * sky.Degree, 12},
		{"edge of the cube, upper face", sky.ICRS{X: -math.Sqrt2 / 2, Z: math.Sqrt2 / 2}, 0.2 * sky.Degree, math.Inf(1)},
		{"a cell's size", sky.ICRSFromRADec(0, 0), 0.5 * sky.Degree, math.Inf(1)},
		{"half the sky", sky.ICRSFromRADec(10*sky.Degree, 20*sky.Degree), 90 * sky.Degree, math.Inf(1)},
		{"all but a cap", sky.ICRSFromRADec(270*sky.Degree, -66*sky.Degree), 178 * sky.Degree, math.Inf(1)},
		{"the whole sky", sky.ICRSFromRADec(50*sky.Degree, 5*sky.Degree), 180 * sky.Degree, math.Inf(1)},
	} {
		if err := compareCone(c, stars, k.center, k.radius, k.faintest); err != nil {
			t.Errorf("%s: %v", k.name, err)
		}
	}
	n := 0
	c.Cone(sky.ICRS{Z: 1}, 2*sky.Turn, math.Inf(1), func(catalogs.Star) { n++ })
	if n != c.Len() {
		t.Errorf("the whole sky has %d stars of %d", n, c.Len())
	}
}

// drawCatalogue makes a small catalogue of stars at chosen places.
func drawCatalogue(t *rapid.T) *catalogs.Catalogue {
	n := rapid.IntRange(0, 60).Draw(t, "stars")
	stars := make([]catalogs.Star, n)
	for i := range stars {
		stars[i] = drawStar(t, fmt.Sprintf("star %d", i))
	}
	return mustParse(t, mustEncode(t, stars))
}

func drawStar(t *rapid.T, name string) catalogs.Star {
	s := catalogs.Star{
		Dir:   direction(t, name),
		V:     float32(rapid.Float64Range(-1.5, 15.5).Draw(t, name+" V")),
		HasPM: rapid.Bool().Draw(t, name+" moves"),
	}
	if s.HasPM {
		limit := rapid.SampledFrom([]float64{10, 200, 12000}).Draw(t, name+" speed")
		s.PMRA = float32(rapid.Float64Range(-limit, limit).Draw(t, name+" motion in right ascension"))
		s.PMDec = float32(rapid.Float64Range(-limit, limit).Draw(t, name+" motion in declination"))
	}
	return s
}

func drawCone(t *rapid.T) (sky.ICRS, sky.Angle) {
	radius := rapid.OneOf(
		rapid.Float64Range(0, math.Pi),
		rapid.Float64Range(0, 0.05),
		rapid.SampledFrom([]float64{0, 1e-6, math.Pi / 4, math.Pi / 2, math.Pi}),
	).Draw(t, "radius")
	return direction(t, "centre"), sky.Angle(radius)
}

func TestConeProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCatalogue(t)
		center, radius := drawCone(t)
		faintest := rapid.SampledFrom([]float64{math.Inf(-1), 3, 9.5, 12, math.Inf(1)}).Draw(t, "faintest")
		if err := compareCone(c, allStars(c), center, radius, faintest); err != nil {
			t.Fatal(err)
		}
	})
}

func TestBrightestAgainstSorting(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCatalogue(t)
		center, radius := drawCone(t)
		n := rapid.IntRange(-1, 70).Draw(t, "n")
		var want []catalogs.Star
		c.Cone(center, radius, math.Inf(1), func(s catalogs.Star) { want = append(want, s) })
		slices.SortStableFunc(want, func(a, b catalogs.Star) int {
			switch {
			case a.V < b.V:
				return -1
			case a.V > b.V:
				return 1
			}
			return int(a.ID - b.ID)
		})
		want = want[:min(max(n, 0), len(want))]
		if got := c.Brightest(center, radius, n); !slices.Equal(got, want) {
			t.Fatalf("got %v, want %v", got, want)
		}
	})
}

// TestBrightestOfWideCones: of the real sky, where the brightest are kept unpacked.
func TestBrightestOfWideCones(t *testing.T) {
	c := open(t)
	rapid.Check(t, func(t *rapid.T) {
		center, _ := drawCone(t)
		radius := sky.Angle(rapid.Float64Range(5, 90).Draw(t, "degrees")) * sky.Degree
		n := rapid.IntRange(1, 400).Draw(t, "n")
		var want []catalogs.Star
		for faintest := 4.0; len(want) < n; faintest++ {
			want = want[:0]
			c.Cone(center, radius, faintest, func(s catalogs.Star) { want = append(want, s) })
		}
		slices.SortFunc(want, func(a, b catalogs.Star) int { return cmp.Or(cmp.Compare(a.V, b.V), cmp.Compare(a.ID, b.ID)) })
		if got := c.Brightest(center, radius, n); !slices.Equal(got, want[:n]) {
			t.Fatalf("the %d brightest within %v of %v differ", n, radius, center)
		}
	})
}

func TestBrightestOfTheSky(t *testing.T) {
	c := open(t)
	stars := slices.DeleteFunc(allStars(c), func(s catalogs.Star) bool { return s.V > 8 })
	slices.SortStableFunc(stars, func(a, b catalogs.Star) int {
		if a.V != b.V {
			return int(math.Copysign(1, float64(a.V-b.V)))
		}
		return int(a.ID - b.ID)
	})
	const n = 3000
	got := c.Brightest(sky.ICRS{Z: -1}, 180*sky.Degree, n)
	if !slices.Equal(got, stars[:n]) {
		t.Errorf("the %d brightest stars are not those of the sorted catalogue", n)
	}
}

func TestNoCone(t *testing.T) {
	c := open(t)
	nan := math.NaN()
	for _, k := range []struct {
		name     string
		center   sky.ICRS
		radius   sky.Angle
		faintest float64
	}{
		{"negative radius", sky.ICRS{Z: 1}, -1 * sky.Degree, 20},
		{"radius NaN", sky.ICRS{Z: 1}, sky.Angle(nan), 20},
		{"zero centre", sky.ICRS{}, 10 * sky.Degree, 20},
		{"centre NaN", sky.ICRS{X: nan, Z: 1}, 10 * sky.Degree, 20},
		{"centre infinite", sky.ICRS{X: math.Inf(1)}, 10 * sky.Degree, 20},
		{"faintest NaN", sky.ICRS{Z: 1}, 10 * sky.Degree, nan},
		{"nothing so bright", sky.ICRS{Z: 1}, 180 * sky.Degree, -3},
	} {
		c.Cone(k.center, k.radius, k.faintest, func(s catalogs.Star) { t.Errorf("%s: visits %v", k.name, s) })
	}
	if got := c.Brightest(sky.ICRS{}, 10*sky.Degree, 5); got != nil {
		t.Errorf("zero centre: %v", got)
	}
}

// The centre counts as a direction: its length has no part.
func TestConeTakesAnyLength(t *testing.T) {
	c := open(t)
	a := c.Brightest(sky.ICRS{X: 0.3, Y: 0.2, Z: 0.1}, sky.Degree, 50)
	b := c.Brightest(sky.ICRS{X: 3000, Y: 2000, Z: 1000}, sky.Degree, 50)
	if len(a) != 50 || !slices.Equal(a, b) {
		t.Errorf("%d and %d stars differ", len(a), len(b))
	}
}

func TestCellsOfTheCatalogue(t *testing.T) {
	c := open(t)
	next := int32(0)
	for cell := range c.Cells() {
		lo, hi := c.CellRange(cell)
		if lo != next || hi < lo {
			t.Fatalf("cell %d holds %d to %d, the one before ends at %d", cell, lo, hi, next)
		}
		next = hi
		if got := c.CellOf(c.CellCenter(cell)); got != cell {
			t.Fatalf("the centre of cell %d lies in cell %d", cell, got)
		}
		before := float32(math.Inf(-1))
		center, radius := c.CellCenter(cell), c.CellRadius(cell)
		for i := lo; i < hi; i++ {
			s := c.Star(i)
			if s.ID != i || s.V < before {
				t.Fatalf("cell %d: star %d has index %d and V %g after %g", cell, i, s.ID, s.V, before)
			}
			before = s.V
			if got := c.CellOf(s.Dir); got != cell {
				t.Fatalf("star %d of cell %d lies in cell %d", i, cell, got)
			}
			if sep := sky.Separation(center, s.Dir); sep > radius {
				t.Fatalf("star %d is %v from the centre of its cell of radius %v", i, sep, radius)
			}
		}
	}
	if next != int32(c.Len()) {
		t.Errorf("the cells hold %d stars of %d", next, c.Len())
	}
	for _, cell := range []int{-1, c.Cells()} {
		if lo, hi := c.CellRange(cell); lo != hi {
			t.Errorf("cell %d holds stars %d to %d", cell, lo, hi)
		}
	}
	for _, d := range []sky.ICRS{{}, {X: math.NaN()}, {Y: math.Inf(-1)}} {
		if got := c.CellOf(d); got != -1 {
			t.Errorf("%v lies in cell %d", d, got)
		}
	}
}

// TestCellStars: the stars of a cell one after the other are those of its range, and those to a
// magnitude the first of them.
func TestCellStars(t *testing.T) {
	c := open(t)
	rapid.Check(t, func(t *rapid.T) {
		cell := rapid.IntRange(-1, c.Cells()).Draw(t, "cell")
		faintest := rapid.Float64Range(-2, 16).Draw(t, "faintest")
		next, _ := c.CellRange(cell)
		lo, end := c.CellRangeTo(cell, faintest)
		if lo != next {
			t.Errorf("the stars to a magnitude begin at %d, all at %d", lo, next)
		}
		for s := range c.CellStars(cell) {
			if s != c.Star(next) {
				t.Errorf("CellStars gives %+v, Star gives %+v", s, c.Star(next))
			}
			if bright := float64(s.V) <= faintest; bright != (next < end) {
				t.Errorf("star %d of V = %g is among those to %g: %v", next, s.V, faintest, !bright)
			}
			next++
		}
		if _, hi := c.CellRange(cell); next != hi {
			t.Errorf("the cell ends at %d, its stars at %d", hi, next)
		}
	})
}

// Every point of a cone lies in one of its cells, and no cell of a cone is
// farther from it than its own size.
func TestCellsInConeProperty(t *testing.T) {
	c := open(t)
	rapid.Check(t, func(t *rapid.T) {
		center, radius := drawCone(t)
		cells := slices.Collect(c.CellsInCone(center, radius))
		for i, cell := range cells {
			if i > 0 && cell <= cells[i-1] {
				t.Fatalf("cell %d after cell %d", cell, cells[i-1])
			}
			if sep := sky.Separation(c.CellCenter(cell), center); sep > radius+c.CellRadius(cell)+1e-5*sky.Degree {
				t.Fatalf("cell %d is %.4f degrees away from a cone of %.4f", cell, sep.Degrees(), radius.Degrees())
			}
		}
		// Points inside: by turning the centre about a line across it.
		for i := range 10 {
			axis := sky.Vec(direction(t, fmt.Sprintf("axis %d", i)))
			u := sky.Vec(center)
			across := sky.Vec{X: u.Y*axis.Z - u.Z*axis.Y, Y: u.Z*axis.X - u.X*axis.Z, Z: u.X*axis.Y - u.Y*axis.X}
			if across == (sky.Vec{}) {
				continue
			}
			turn := radius * sky.Angle(rapid.Float64Range(0, 1).Draw(t, fmt.Sprintf("part of the radius %d", i)))
			p := sky.ICRS(sky.Rotation(across, turn).Apply(u))
			if _, ok := slices.BinarySearch(cells, c.CellOf(p)); !ok {
				t.Fatalf("%v, %.6f degrees from the centre, lies in cell %d, which is not in the cone", p, turn.Degrees(), c.CellOf(p))
			}
		}
	})
}

// A loop over cells may stop.
func TestCellsInConeStops(t *testing.T) {
	c := open(t)
	n := 0
	for range c.CellsInCone(sky.ICRS{Z: 1}, 180*sky.Degree) {
		if n++; n == 7 {
			break
		}
	}
	if n != 7 {
		t.Errorf("%d cells", n)
	}
}

func BenchmarkOpen(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := catalogs.Open(); err != nil {
			b.Fatal(err)
		}
	}
}

func benchmarkCone(b *testing.B, radius sky.Angle) {
	c := open(b)
	center := sky.ICRSFromRADec(300*sky.Degree, 35*sky.Degree) // in the Milky Way
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		n = 0
		c.Cone(center, radius, math.Inf(1), func(catalogs.Star) { n++ })
	}
	b.ReportMetric(float64(n), "stars")
}

func BenchmarkCone1Degree(b *testing.B)   { benchmarkCone(b, 1*sky.Degree) }
func BenchmarkCone10Degrees(b *testing.B) { benchmarkCone(b, 10*sky.Degree) }
func BenchmarkConeWholeSky(b *testing.B)  { benchmarkCone(b, 180*sky.Degree) }

func BenchmarkBrightest150In35Degrees(b *testing.B) {
	c := open(b)
	for b.Loop() {
		c.Brightest(sky.ICRS{X: 1}, 35*sky.Degree, 150)
	}
}

func BenchmarkBrightest100In10Degrees(b *testing.B) {
	c := open(b)
	center := sky.ICRSFromRADec(300*sky.Degree, 35*sky.Degree)
	b.ReportAllocs()
	for b.Loop() {
		if len(c.Brightest(center, 10*sky.Degree, 100)) != 100 {
			b.Fatal("too few stars")
		}
	}
}
