package deep

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"polard/catalogs"
	"polard/catalogs/extract"
	"polard/mountmodel/sky"

	"pgregory.net/rapid"
)

// fewBundled is a bundled catalogue of some thousand stars, some without motion.
var fewBundled = sync.OnceValue(func() *catalogs.Catalogue {
	rng := rand.New(rand.NewPCG(1, 2))
	var stars []catalogs.Star
	for i := range 4000 {
		s := catalogs.Star{Dir: randomDirection(rng), V: float32(4 + 8*math.Sqrt(rng.Float64())), HasPM: i%20 != 0}
		if s.HasPM {
			s.PMRA, s.PMDec = float32(rng.NormFloat64()*20), float32(rng.NormFloat64()*20)
		}
		stars = append(stars, s)
	}
	file, err := catalogs.Encode(stars, [32]byte{9})
	if err != nil {
		panic(err)
	}
	c, err := catalogs.Parse(file)
	if err != nil {
		panic(err)
	}
	return c
})

func randomDirection(rng *rand.Rand) sky.ICRS {
	return sky.Unit(sky.ICRS{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()})
}

// build adds tables one after the other, each as polard would, and opens the result.
func build(t testing.TB, tables ...string) *Catalogue {
	t.Helper()
	folder := t.TempDir()
	path := filepath.Join(folder, "deep")
	for _, table := range tables {
		if err := addTable(folder, path, table); err != nil {
			t.Fatal(err)
		}
	}
	left, err := os.ReadDir(folder)
	if err != nil || len(left) != 1 {
		t.Fatalf("the folder holds %v (%v)", left, err)
	}
	c, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	if err := c.Verify(); err != nil {
		t.Fatal(err)
	}
	return c
}

func addTable(folder, path, table string) (err error) {
	b, err := NewBuilder(folder, fewBundled())
	if err != nil {
		return err
	}
	defer b.Discard()
	if old, err := Open(path); err == nil {
		defer old.Close()
		if err := b.Keep(context.Background(), old); err != nil {
			return err
		}
	}
	in, err := extract.Open(strings.NewReader(table), nil)
	if err != nil {
		return err
	}
	if _, err := b.AddTable(context.Background(), in, 2016, func(int64) {}); err != nil {
		return err
	}
	_, err = b.Finish(context.Background(), path, []Source{{File: "x"}})
	return err
}

const top = "ra,dec,pmra,pmdec,parallax,phot_g_mean_mag\n"

func line(d sky.ICRS, pmra, pmdec, parallax, g float64) string {
	ra, dec := sky.RADecFromICRS(d)
	return fmt.Sprintf("%.13f,%.13f,%g,%g,%g,%g\n", ra.Degrees(), dec.Degrees(), pmra, pmdec, parallax, g)
}

func TestRecordKeepsWhatItPromises(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		coordinate := rapid.Float64Range(-1, 1)
		d := sky.ICRS{X: coordinate.Draw(t, "x"), Y: coordinate.Draw(t, "y"), Z: coordinate.Draw(t, "z")}
		// So near to a pole that 0.1 mas turn the meridian by a ten-thousandth, components of motion mean little.
		if math.Hypot(d.X, d.Y) < 1e-3*math.Max(math.Abs(d.Z), 1) {
			d = sky.ICRS{X: 0.001, Z: 1}
		}
		s := catalogs.Star{Dir: sky.Unit(d), V: float32(rapid.Float64Range(brightest, faintest).Draw(t, "mag")), HasPM: rapid.Bool().Draw(t, "moves")}
		if s.HasPM {
			s.PMRA, s.PMDec = float32(rapid.Float64Range(-10_400, 10_400).Draw(t, "pmra")), float32(rapid.Float64Range(-10_400, 10_400).Draw(t, "pmdec"))
		}
		s.Parallax = float32(rapid.Float64Range(0, 800).Draw(t, "parallax"))
		bundled := rapid.Bool().Draw(t, "bundled")
		r, err := pack(&s, bundled)
		if err != nil {
			t.Fatal(err)
		}
		var p [recordSize]byte
		r.put(p[:])
		back := getRecord(p[:], r.cell())
		if back != r {
			t.Fatalf("%x comes back as %x", r, back)
		}
		f := grid.Frame(r.cell())
		at := r.direction(&f, grid.Step(1<<placeBits))
		if sep := sky.Separation(sky.ICRS(at), s.Dir); sep > 1e-4*sky.Arcsecond {
			t.Errorf("place off by %g arcsec", sep.Arcseconds())
		}
		if grid.CellOf(s.Dir) != r.cell() {
			t.Errorf("cell %d, should be %d", r.cell(), grid.CellOf(s.Dir))
		}
		got := r.star(7, at)
		j2000 := catalogs.FromEpoch(s, yearOfPlaces)
		// 0.2 mas/yr in each component and 0.05 mas of parallax, ten years after the places and 26 after J2000.0.
		if sep := sky.Separation(got.At(2026), j2000.At(2026)); sep > 3.2e-3*sky.Arcsecond {
			t.Errorf("in 2026 off by %g arcsec", sep.Arcseconds())
		}
		if got.HasPM != s.HasPM ||
			math.Abs(float64(got.Parallax-s.Parallax)) > 0.0501 || math.Abs(float64(got.V-s.V)) > 0.000503 || got.Fine == bundled || r.bundled() != bundled {
			t.Errorf("%+v comes back as %+v", j2000, got)
		}
	})
}

// A cone gives what looking at every star gives.
func TestConeAgainstAll(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	middle := randomDirection(rng)
	var table strings.Builder
	table.WriteString(top)
	var all []sky.ICRS
	var mags []float64
	for range 3000 {
		d := sky.Unit(sky.ICRS{X: middle.X + rng.NormFloat64()*0.02, Y: middle.Y + rng.NormFloat64()*0.02, Z: middle.Z + rng.NormFloat64()*0.02})
		g := 14 + 4*rng.Float64()
		table.WriteString(line(d, 0, 0, 0, math.Round(g*1000)/1000))
		all, mags = append(all, d), append(mags, math.Round(g*1000)/1000)
	}
	c := build(t, table.String())
	for range 40 {
		at := sky.Unit(sky.ICRS{X: middle.X + rng.NormFloat64()*0.02, Y: middle.Y + rng.NormFloat64()*0.02, Z: middle.Z + rng.NormFloat64()*0.02})
		radius, limit := sky.Angle(rng.Float64()*2)*sky.Degree, 14.0005+4*rng.Float64()
		want := 0
		for i, d := range all {
			if sky.Separation(d, at) <= radius && mags[i] <= limit {
				want++
			}
		}
		got := 0
		var brightestFirst []catalogs.Star
		c.Cone(at, radius, limit, func(s catalogs.Star) {
			if s.Fine {
				got++
			}
			brightestFirst = append(brightestFirst, s)
		})
		if got != want {
			t.Errorf("%d stars within %g degrees to %g, want %d", got, radius.Degrees(), limit, want)
		}
		if n := c.Count(at, radius, limit); n != len(brightestFirst) {
			t.Errorf("Count gives %d of %d", n, len(brightestFirst))
		}
		slices.SortFunc(brightestFirst, catalogs.ByBrightness)
		n := min(1+rng.IntN(50), len(brightestFirst))
		few := c.Brightest(at, radius, n)
		if !slices.Equal(few, brightestFirst[:n]) {
			t.Errorf("Brightest gives other stars than the %d brightest of Cone", n)
		}
		if d, ok := c.Depth(middle); !ok || d < 17 || d > 18.1 {
			t.Errorf("depth %g, %v", d, ok)
		}
	}
}

// Added twice, from overlapping tables, across cells' edges, with other digits: each star is there once.
func TestNoStarTwice(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	var first, second strings.Builder
	first.WriteString(top)
	second.WriteString(top)
	n := 2000
	for i := range n {
		d := randomDirection(rng)
		if i%2 == 0 { // on the edge of a cell
			face, u, v := i/2%6, rng.IntN(perEdge), rng.IntN(perEdge)
			f := grid.Frame(grid.Cell(face, u, v))
			half := math.Pi / 4 / perEdge
			d = sky.ICRS(f.Direction(half*(1+1e-9*rng.NormFloat64()), half*(2*rng.Float64()-1)))
		}
		g := 14 + 3*rng.Float64()
		first.WriteString(line(d, 3, 4, 5, g))
		moved := sky.Unit(sky.ICRS{X: d.X + 2e-7*rng.NormFloat64(), Y: d.Y + 2e-7*rng.NormFloat64(), Z: d.Z + 2e-7*rng.NormFloat64()}) // 0.04 arcsec
		second.WriteString(line(moved, 3, 4, 5, g+0.01*rng.NormFloat64()))
	}
	c := build(t, first.String(), first.String(), second.String())
	added := 0
	c.Cone(sky.ICRS{Z: 1}, 180*sky.Degree, math.Inf(1), func(s catalogs.Star) {
		if s.Fine {
			added++
		}
	})
	if added != n {
		t.Errorf("%d stars are there, want %d", added, n)
	}
	if c.Len() != n+fewBundled().Len() {
		t.Errorf("%d stars, want %d added and %d bundled", c.Len(), n, fewBundled().Len())
	}
}

// Of the bundled stars those that a table holds are replaced by it, and the others stay.
func TestBundledOnce(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	var table strings.Builder
	table.WriteString(top)
	want, n := fewBundled().Len(), 0
	for cell := range fewBundled().Cells() {
		for s := range fewBundled().CellStars(cell) {
			if rng.IntN(3) > 0 {
				continue
			}
			n++
			d := s.At(yearOfPlaces)
			pmra, pmdec := float64(s.PMRA), float64(s.PMDec)
			if !s.HasPM { // it has gone on since
				moving := s
				moving.HasPM, moving.PMRA, moving.PMDec = true, 500, -800
				pmra, pmdec = 500, -800
				d = moving.At(catalogs.Epoch + yearOfPlaces - unmovedYear)
			}
			off := 0.3 * sky.Arcsecond.Radians()
			d = sky.Unit(sky.ICRS{X: d.X + off*rng.NormFloat64(), Y: d.Y + off*rng.NormFloat64(), Z: d.Z + off*rng.NormFloat64()})
			table.WriteString(line(d, pmra, pmdec, 1, float64(s.V)-0.3+0.2*rng.NormFloat64()))
			if n%10 == 0 { // and a faint one beside it that is another
				table.WriteString(line(sky.Unit(sky.ICRS{X: d.X + 1e-5, Y: d.Y, Z: d.Z + 1e-5}), 0, 0, 1, float64(s.V)+5))
				want++
			}
		}
	}
	c := build(t, table.String())
	if c.Len() != want {
		t.Errorf("%d stars, want %d", c.Len(), want)
	}
	again := build(t, table.String(), top+line(sky.ICRS{X: 1}, 1, 1, 1, 15))
	if again.Len() != want+1 {
		t.Errorf("with another table: %d stars, want %d", again.Len(), want+1)
	}
}

func TestBadLineLeavesNothing(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "deep")
	err := addTable(folder, path, top+line(sky.ICRS{X: 1}, 1, 1, 1, 15)+"1,2,x,4,5,6\n")
	if err == nil || !strings.Contains(err.Error(), "line 3") {
		t.Errorf("error %v", err)
	}
	if left, err := os.ReadDir(folder); err != nil || len(left) != 0 {
		t.Errorf("the folder holds %v (%v)", left, err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	b, err := NewBuilder(folder, fewBundled())
	if err != nil {
		t.Fatal(err)
	}
	if err := b.put(record{}, sky.Vec{X: 1}); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Finish(ctx, path, nil); err == nil {
		t.Error("a stopped import came to its end")
	}
	if err := b.Discard(); err != nil {
		t.Error(err)
	}
	if left, err := os.ReadDir(folder); err != nil || len(left) != 0 {
		t.Errorf("the folder holds %v (%v)", left, err)
	}
}

func TestDamage(t *testing.T) {
	c := build(t, top+line(sky.ICRS{X: 1}, 1, 1, 1, 15))
	whole := slices.Clone([]byte(c.mapped))
	for _, n := range []int{0, 10, headerSize, len(whole) / 2, len(whole) - 1} {
		if _, err := parse(whole[:n]); err == nil {
			t.Errorf("%d of %d bytes pass", n, len(whole))
		}
	}
	rng := rand.New(rand.NewPCG(1, 1))
	for range 200 {
		bad := slices.Clone(whole)
		bad[rng.IntN(len(bad)-c.Len()*recordSize)] ^= 1 << rng.IntN(8)
		if _, err := parse(bad); err == nil {
			t.Error("a changed bit of the tables passes")
		}
	}
	bad := slices.Clone(whole)
	bad[len(bad)-3] ^= 4
	if d, err := parse(bad); err != nil || d.Verify() == nil {
		t.Errorf("a changed star passes (%v)", err)
	}
}

// Stars of any bits are read without harm.
func FuzzStars(f *testing.F) {
	f.Add([]byte("12345678901234"), 0.5, 0.5)
	f.Add(bytes.Repeat([]byte{0xff}, 28), -1.0, 2.0)
	first := make([]uint32, cellCount+1)
	f.Fuzz(func(t *testing.T, stars []byte, x, y float64) {
		n := len(stars) / recordSize
		if n == 0 || n > 1000 {
			return
		}
		cell := grid.CellOf(sky.ICRS{X: 1, Y: x, Z: y})
		if cell < 0 {
			return
		}
		clear(first)
		for i := cell + 1; i <= cellCount; i++ {
			first[i] = uint32(n)
		}
		top, err := head(nil, uint32(n), 0, [32]byte{}, make([]byte, cellCount), first)
		if err != nil {
			t.Fatal(err)
		}
		c, err := parse(append(top, stars[:n*recordSize]...))
		if err != nil {
			t.Fatal(err)
		}
		seen := 0
		c.Cone(sky.ICRS{Z: 1}, 180*sky.Degree, math.Inf(1), func(s catalogs.Star) {
			if !(math.Abs(math.Sqrt(s.Dir.X*s.Dir.X+s.Dir.Y*s.Dir.Y+s.Dir.Z*s.Dir.Z)-1) < 1e-9) {
				t.Errorf("direction %v", s.Dir)
			}
			seen++
		})
		if seen > n {
			t.Errorf("%d of %d stars", seen, n)
		}
		c.Brightest(sky.ICRS{X: 1, Y: x, Z: y}, sky.Degree, 5)
	})
}

func TestArea(t *testing.T) {
	var all float64
	for cell := range cellCount {
		all += cellArea(cell)
	}
	if want := 129600 / math.Pi; math.Abs(all/want-1) > 1e-5 {
		t.Errorf("the cells have %g square degrees, the sky has %g", all, want)
	}
}

func TestVFromGaia(t *testing.T) {
	// The Sun: G - V = -0.20 or so at BP - RP = 0.82 (Casagrande and VandenBerg 2018, MNRAS 479, L102: G = 4.67,
	// BP - RP = 0.82 with V = 4.81; from memory).
	if v := vFromGaia(4.67, 0.82, 0); math.Abs(v-4.81) > 0.04 {
		t.Errorf("V of the Sun is %.3f", v)
	}
}
