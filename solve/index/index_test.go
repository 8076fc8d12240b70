package index

import (
	"cmp"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"

	"polard/catalogs"
	"polard/mountmodel/sky"
	"polard/solve/camera/cameratest"

	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"
)

// TestLevelsNest: thin leans on the level's cells and the catalogue's lying within
// one another.
func TestLevelsNest(t *testing.T) {
	own := int(math.Sqrt(float64(theCatalogue().Cells() / 6)))
	if 6*own*own != theCatalogue().Cells() {
		t.Fatalf("%d cells are no cube", theCatalogue().Cells())
	}
	for _, spec := range Specs {
		if own%spec.Grid != 0 && spec.Grid%own != 0 {
			t.Errorf("level of %d cells an edge does not nest with %d", spec.Grid, own)
		}
	}
}

// TestThinKeepsTheBrightest compares with sorting the whole catalogue by
// brightness, the plain way.
func TestThinKeepsTheBrightest(t *testing.T) {
	cat := theCatalogue()
	var stars []catalogs.Star
	for cell := range cat.Cells() {
		stars = slices.AppendSeq(stars, cat.CellStars(cell))
	}
	slices.SortStableFunc(stars, func(a, b catalogs.Star) int { return cmp.Compare(a.V, b.V) })
	for _, c := range []struct{ grid, perCell int }{{12, 3}, {12, 6}, {192, 4}} {
		grid := c.grid
		used := make([]int, 6*grid*grid)
		want := map[octahedral]bool{}
		n := 0
		for _, s := range stars {
			d := s.Dir
			if k := gridCell(d, grid); used[k] < c.perCell {
				used[k]++
				want[octahedralOf(VecOf(d))] = true
				n++
			}
		}
		got, err := thin(t.Context(), cat, grid, c.perCell)
		if err != nil {
			t.Fatal(err)
		}
		if len(got) != n {
			t.Errorf("grid %d: %d stars kept, want %d", grid, len(got), n)
		}
		for _, node := range got {
			if s := node.octahedral; !want[s] {
				t.Errorf("grid %d: star at %v is not among the brightest %d of its cell", grid, s, c.perCell)
				break
			}
		}
	}
}

// levelOf is the number of a level by its grid and its stars to a cell.
func levelOf(grid, perCell int) int {
	return slices.IndexFunc(Specs, func(s Spec) bool { return s.Grid == grid && s.PerCell == perCell })
}

// lastLevel is the number of the level that holds the whole catalogue.
var lastLevel = len(Specs) - 1

// TestNeighboursAgainstBruteForce looks at every pair, for stars all over the
// sky, at the poles, and on edges and corners of the cube.
func TestNeighboursAgainstBruteForce(t *testing.T) {
	at := []sky.ICRS{{Z: 1}, {Z: -1}, {X: 1}, {Y: -1}}
	for _, x := range []float64{-1, 0, 1} {
		for _, y := range []float64{-1, 1} {
			at = append(at, sky.ICRS{X: x, Y: y, Z: 1}, sky.ICRS{X: 1, Y: x, Z: y}, sky.ICRS{X: y, Y: -1, Z: x})
		}
	}
	rng := rand.New(rand.NewPCG(3, 1))
	for range 200 {
		at = append(at, cameratest.Direction(rng))
	}
	magsOf := func(level int) []float32 {
		_, mags, _ := starsTo(t.Context(), theCatalogue(), Specs[level].faintest)
		return mags
	}
	for _, c := range []struct {
		level int
		mags  []float32
		tries int
	}{{levelOf(48, 3), nil, len(at)}, {levelOf(12, 6), nil, len(at)}, {0, magsOf(0), len(at)}, {levelOf(24, 0), magsOf(levelOf(24, 0)), len(at)}, {lastLevel, magsOf(lastLevel), 60}} {
		if c.level == lastLevel && (testing.Short() || raceEnabled) {
			continue
		}
		l := levelNumbered(t, c.level)
		stars := make([]Vec32, len(l.nodes))
		for i, n := range l.nodes {
			stars[i] = n.vec()
		}
		// The search ends faceReach cells away, which are nearest in the corners of the cube. The
		// seventh star of three to a cell is nearer everywhere; the brighter neighbours of a bright
		// star may be missing.
		const cornerCell = 0.5
		reach := sq(faceReach * cornerCell * l.Spec.CellSide().Radians())
		seen := 0
		for _, d := range at[:c.tries] {
			target := VecOf(sky.Unit(d))
			best, dot := 0, float32(-1)
			for i, s := range stars {
				if c := s.Dot(target); c > dot {
					best, dot = i, c
				}
			}
			var want []float32
			for i, s := range stars {
				diff := s.Sub(stars[best])
				if r := diff.Dot(diff); i != best && r < 0.05 && (c.mags == nil || c.mags[i] <= c.mags[best]) {
					want = append(want, r)
				}
			}
			slices.Sort(want)
			for k := range min(Neighbours, len(want)) {
				if c.mags != nil && !l.Spec.pivot(c.mags[best]) {
					if _, ok := l.Neighbour(uint32(best), k); ok {
						t.Errorf("level %d: the bright star near %v has neighbours", c.level, d)
					}
					continue
				}
				if c.mags != nil && float64(want[k]) > reach {
					break
				}
				got, ok := l.Neighbour(uint32(best), k)
				if !ok {
					t.Errorf("level %d: neighbour %d of the star near %v is missing", c.level, k, d)
					continue
				}
				diff := stars[got].Sub(stars[best])
				if r := diff.Dot(diff); r != want[k] {
					t.Errorf("level %d: neighbour %d of the star near %v is %g away, want %g", c.level, k, d, r, want[k])
				}
				seen++
			}
		}
		if seen < 3*c.tries {
			t.Errorf("level %d: only %d neighbours seen", c.level, seen)
		}
	}
}

// TestEveryPatternFiledOnce lists the patterns the plain way: each star with three of
// its neighbours; in a level of even density, where it lies nearest to the middle of the four.
func TestEveryPatternFiledOnce(t *testing.T) {
	for _, i := range []int{0, levelOf(6, 3), levelOf(24, 3), levelOf(96, 3)} {
		l := levelNumbered(t, i)
		vec := func(k uint32) sky.Vec {
			v := l.nodes[k].vec()
			return sky.Vec{X: float64(v.x), Y: float64(v.y), Z: float64(v.z)}
		}
		want, doubtful := map[[4]uint32]bool{}, map[[4]uint32]bool{}
		for pivot := range uint32(len(l.nodes)) {
			var near []uint32
			for k := range l.Spec.nearest {
				if j, ok := l.Neighbour(pivot, k); ok {
					near = append(near, j)
				}
			}
			for a := range near {
				for b := range a {
					for c := range b {
						p := [4]uint32{pivot, near[a], near[b], near[c]}
						middle := sky.Vec{}
						for _, k := range p {
							middle = r3.Add(middle, r3.Scale(0.25, vec(k)))
						}
						own := r3.Norm(r3.Sub(vec(pivot), middle))
						gap := math.Inf(1)
						if !l.Spec.Thinned() {
							own = math.Inf(-1)
						}
						for _, k := range p[1:] {
							gap = min(gap, r3.Norm(r3.Sub(vec(k), middle))-own)
						}
						length := r3.Norm(r3.Sub(vec(p[1]), vec(pivot)))
						size := l.bins.sizeBin(length)
						// Single precision may decide either way in a tie.
						if math.Abs(gap) < 1e-6 || size != l.bins.sizeBin(length*(1+1e-6)) || size != l.bins.sizeBin(length*(1-1e-6)) {
							doubtful[p] = true
						} else if gap > 0 && size >= 0 && size < sizeBins && length < longestSide {
							want[p] = true
						}
					}
				}
			}
		}
		got := map[[4]uint32]bool{}
		for _, e := range l.entry {
			p := l.Pattern(e)
			if got[p] {
				t.Fatalf("level %d: pattern %v is filed twice", i, p)
			}
			got[p] = true
			if !want[p] && !doubtful[p] {
				t.Fatalf("level %d: pattern %v should not be there", i, p)
			}
		}
		for p := range want {
			if !got[p] {
				t.Fatalf("level %d: pattern %v is missing", i, p)
			}
		}
		if len(doubtful) > len(want)/100 {
			t.Errorf("level %d: %d of %d patterns are doubtful", i, len(doubtful), len(want))
		}
	}
}

// TestShapeBinsCover: whatever the shape and size, its bucket exists, and
// larger sizes never come in smaller bins.
func TestShapeBinsCover(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 2))
	for _, spec := range Specs {
		b := newShapeBins(spec)
		cell := spec.CellSide().Radians()
		for range 20000 {
			u := cmplx.Rect(rng.Float64(), math.Pi*rng.Float64())
			v := cmplx.Rect(rng.Float64(), 2*math.Pi*rng.Float64())
			if k := b.bucket(u, v); k < 0 || k >= b.buckets() {
				t.Fatalf("grid %d: shape %v %v has bucket %d of %d", spec.Grid, u, v, k, b.buckets())
			}
			long := cell * smallestSize * math.Pow(2, float64(sizeBins)/4*rng.Float64())
			size := b.sizeBin(long)
			if size < 0 || size >= sizeBins {
				t.Fatalf("grid %d: size %g cells has bin %d of %d", spec.Grid, long/cell, size, sizeBins)
			}
			if b.sizeBin(long*1.0001) < size || b.sizeBin(long*1.25) <= size {
				t.Fatalf("grid %d: size bins do not grow at %g cells", spec.Grid, long/cell)
			}
		}
		if b.sizeBin(cell*smallestSize*0.999) >= 0 {
			t.Errorf("grid %d: a pattern smaller than the smallest has a bin", spec.Grid)
		}
	}
}

// TestEntriesHoldWhatTheyMust: pivot, sides and size fit into an entry, every level's
// pivots do, and levels that are not thinned are of about the stated size.
func TestEntriesHoldWhatTheyMust(t *testing.T) {
	for _, s := range Specs {
		n := 6 * s.Grid * s.Grid * s.PerCell
		if !s.Thinned() {
			nodes, _, _ := starsTo(t.Context(), theCatalogue(), s.faintest)
			n = len(nodes)
			if math.Abs(float64(n)/float64(s.stars)-1) > 0.05 {
				t.Errorf("grid %d: %d stars, not about %d", s.Grid, n, s.stars)
			}
		}
		if n > s.mostPivots() {
			t.Errorf("grid %d: %d stars do not fit an entry, which holds %d", s.Grid, n, s.mostPivots())
		}
		if s.nearest > mostNeighbours || s.triples() > len(neighbourTriples) {
			t.Errorf("grid %d: %d sides of %d neighbours", s.Grid, s.nearest, mostNeighbours)
		}
		if s.nearest > Neighbours && n > sweptStars {
			t.Errorf("grid %d: %d sides, of which all but %d take room in a map", s.Grid, s.nearest, Neighbours)
		}
	}
}

// TestPlaces: the octahedral map keeps a direction to 0.06 arcsec, wherever it points.
func TestPlaces(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.Float64Range(-1, 1)
		d := sky.Vec{X: c.Draw(t, "x"), Y: c.Draw(t, "y"), Z: c.Draw(t, "z")}
		if r3.Norm(d) < 1e-3 {
			t.Skip("no direction")
		}
		d = sky.Unit(d)
		v := octahedralOf(VecOf(sky.ICRS(d))).vec()
		got := sky.Vec{X: float64(v.x), Y: float64(v.y), Z: float64(v.z)}
		if off := sky.Angle(r3.Norm(r3.Sub(got, d))); off > 0.06*sky.Arcsecond {
			t.Errorf("%v came back as %v, %g arcsec off", d, got, off.Arcseconds())
		}
	})
}
