package solve

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"polard/mountmodel/sky"
)

func randomDirection(rng *rand.Rand) sky.ICRS {
	return sky.ICRSFromRADec(sky.Angle(rng.Float64())*sky.Turn, sky.Asin(2*rng.Float64()-1))
}

// TestLevelsNest: thin leans on the level's cells and the catalogue's lying within
// one another.
func TestLevelsNest(t *testing.T) {
	own := int(math.Sqrt(float64(theCatalogue().Cells() / 6)))
	if 6*own*own != theCatalogue().Cells() {
		t.Fatalf("%d cells are no cube", theCatalogue().Cells())
	}
	for _, spec := range levelSpecs {
		if own%spec.grid != 0 && spec.grid%own != 0 {
			t.Errorf("level of %d cells an edge does not nest with %d", spec.grid, own)
		}
	}
}

// TestThinKeepsTheBrightest compares with sorting the whole catalogue by
// brightness, the plain way.
func TestThinKeepsTheBrightest(t *testing.T) {
	cat := theCatalogue()
	order := make([]int32, cat.Len())
	v := make([]float32, cat.Len())
	for i := range order {
		order[i], v[i] = int32(i), cat.Star(int32(i)).V
	}
	slices.SortStableFunc(order, func(a, b int32) int {
		switch {
		case v[a] < v[b]:
			return -1
		case v[a] > v[b]:
			return 1
		}
		return 0
	})
	for _, grid := range []int{12, 192} {
		used := make([]int, 6*grid*grid)
		want := map[vec32]bool{}
		n := 0
		for _, id := range order {
			d := cat.Star(id).Dir
			if c := gridCell(d, grid); used[c] < starsPerCell {
				used[c]++
				want[vec32FromICRS(d)] = true
				n++
			}
		}
		got := thin(cat, grid)
		if len(got) != n {
			t.Errorf("grid %d: %d stars kept, want %d", grid, len(got), n)
		}
		for _, s := range got {
			if !want[s] {
				t.Errorf("grid %d: star at %v is not among the brightest %d of its cell", grid, s, starsPerCell)
				break
			}
		}
	}
}

// TestNeighboursAgainstBruteForce looks at every pair, for stars all over the
// sky, at the poles, and on edges and corners of the cube.
func TestNeighboursAgainstBruteForce(t *testing.T) {
	l := theSolver().levels[3]() // 41 000 stars
	stars := make([]vec32, len(l.nodes))
	for i, n := range l.nodes {
		stars[i] = n.at
	}
	rng := rand.New(rand.NewPCG(3, 1))
	at := []sky.ICRS{{Z: 1}, {Z: -1}, {X: 1}, {Y: -1}}
	for _, x := range []float64{-1, 0, 1} {
		for _, y := range []float64{-1, 1} {
			at = append(at, sky.ICRS{X: x, Y: y, Z: 1}, sky.ICRS{X: 1, Y: x, Z: y}, sky.ICRS{X: y, Y: -1, Z: x})
		}
	}
	for range 200 {
		at = append(at, randomDirection(rng))
	}
	// The search ends faceReach cells away; the ninth star of three to a cell is
	// nearer everywhere.
	for _, d := range at {
		target := vec32FromICRS(sky.Unit(d))
		best, dot := 0, float32(-1)
		for i, s := range stars {
			if c := s.dot(target); c > dot {
				best, dot = i, c
			}
		}
		want := make([]uint32, 0, len(stars))
		dist := make([]float32, len(stars))
		for i, s := range stars {
			diff := s.sub(stars[best])
			dist[i] = diff.dot(diff)
			if i != best && dist[i] < 0.05 {
				want = append(want, uint32(i))
			}
		}
		slices.SortFunc(want, func(a, b uint32) int {
			if dist[a] < dist[b] {
				return -1
			}
			return 1
		})
		for k, got := range l.nodes[best].near {
			if got == noStar || dist[got] != dist[want[k]] {
				t.Errorf("neighbour %d of the star near %v: got %d, want %d", k, d, got, want[k])
			}
		}
	}
}

// TestEveryTriangleFiledOnce lists the triangles the plain way.
func TestEveryTriangleFiledOnce(t *testing.T) {
	for _, i := range []int{0, 2} {
		l := theSolver().levels[i]()
		want := map[[3]int]bool{}
		for a := range l.nodes {
			near := l.nodes[a].near[:triangleNeighbours]
			for j, c := range near {
				for _, b := range near[:j] {
					side := func(p, q uint32) float64 {
						d := l.nodes[p].at.sub(l.nodes[q].at)
						return math.Sqrt(float64(d.dot(d)))
					}
					s := []float64{side(b, c), side(uint32(a), c), side(uint32(a), b)}
					slices.Sort(s)
					size := l.bins.sizeBin(s[2])
					if 1-s[1]/s[2] >= leastShapeGap && (s[1]-s[0])/s[2] >= leastShapeGap && size >= 0 && size < l.bins.nsize {
						want[sorted3(a, int(b), int(c))] = true
					}
				}
			}
		}
		got := map[[3]int]bool{}
		for b := range l.bins.buckets() {
			for _, e := range l.entry[l.starts[b]:l.starts[b+1]] {
				_, v := l.triangle(e)
				key := sorted3(int(v[0]), int(v[1]), int(v[2]))
				if got[key] {
					t.Fatalf("level %d: triangle %v is filed twice", i, key)
				}
				got[key] = true
				if !want[key] {
					t.Fatalf("level %d: triangle %v should not be there", i, key)
				}
				// It lies in the bucket of its own shape, its corners in order.
				p, q, r := l.nodes[v[0]].at, l.nodes[v[1]].at, l.nodes[v[2]].at
				length := func(d vec32) float64 { return math.Sqrt(float64(d.dot(d))) }
				long, middle, short := length(q.sub(r)), length(p.sub(r)), length(p.sub(q))
				if !(long > middle && middle > short) {
					t.Fatalf("level %d: sides %g %g %g out of order", i, long, middle, short)
				}
				if own := l.bins.bucket(middle/long, short/long, l.bins.sizeBin(long)); own != b {
					t.Fatalf("level %d: triangle of bucket %d filed in %d", i, own, b)
				}
			}
		}
		if len(got) != len(want) {
			t.Errorf("level %d: %d triangles filed, want %d", i, len(got), len(want))
		}
	}
}

// TestShapeBinsCover: whatever the shape and size, its bucket exists, and
// larger sizes never come in smaller bins.
func TestShapeBinsCover(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 2))
	for _, spec := range levelSpecs {
		b := newShapeBins(spec)
		cell := spec.cellSide().Radians()
		for range 20000 {
			x := 0.5 + 0.5*rng.Float64()
			y := 1 - x + (2*x-1)*rng.Float64()
			long := cell * smallestSize * math.Pow(largestSize/smallestSize, rng.Float64())
			size := b.sizeBin(long)
			if k := b.bucket(x, y, size); size < 0 || size >= b.nsize || k < 0 || k >= b.buckets() {
				t.Fatalf("grid %d: shape %g %g size %g cells has bucket %d of %d, size bin %d of %d",
					spec.grid, x, y, long/cell, k, b.buckets(), size, b.nsize)
			}
			if b.sizeBin(long*1.0001) < size || b.sizeBin(long*1.125) <= size {
				t.Fatalf("grid %d: size bins do not grow at %g cells", spec.grid, long/cell)
			}
		}
		if b.sizeBin(cell*smallestSize*0.999) >= 0 {
			t.Errorf("grid %d: a triangle smaller than the smallest has a bin", spec.grid)
		}
	}
}

func TestShapeNamesTheCorners(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	for range 1000 {
		side := [3]float64{rng.Float64() + 0.01, rng.Float64() + 0.01, rng.Float64() + 0.01}
		x, y, order, ok := shape(side)
		o := vertexOrders[order]
		a, b, c := side[o[0]], side[o[1]], side[o[2]]
		if a < b || b < c || x != b/a || y != c/a {
			t.Fatalf("sides %v: order %v, x %g, y %g", side, o, x, y)
		}
		if ok != (1-x >= leastShapeGap && x-y >= leastShapeGap) {
			t.Fatalf("sides %v: ok is %v", side, ok)
		}
	}
}
