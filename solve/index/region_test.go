package index

import (
	"cmp"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// drawnRegion is a region of stars scattered over a degree or crowded in a row or a corner of it, all of them pivots.
func drawnRegion(t *rapid.T) *Region {
	rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
	r := &Region{}
	width, height := rapid.SampledFrom([]float64{0, 1e-5, 0.02}).Draw(t, "width"), rapid.SampledFrom([]float64{0, 1e-3, 0.02}).Draw(t, "height")
	for range rapid.IntRange(0, 100).Draw(t, "stars") {
		r.read = append(r.read, regionStar{x: float32(width * (rng.Float64() - 0.5)), y: float32(height * (rng.Float64() - 0.5)), mag: uint16(rng.IntN(200)), own: true})
	}
	r.file()
	return r
}

// brighter gives a star's nearest brighter ones within reach by looking at all, nearest first, with the squares of their distances.
func (r *Region) brighter(star uint32, wanted int, reach2 float32) (dist []float32, ids []uint32) {
	own := r.stars[star]
	type other struct {
		d  float32
		id uint32
	}
	var all []other
	for i, o := range r.stars {
		dx, dy := o.x-own.x, o.y-own.y
		if d := dx*dx + dy*dy; uint32(i) != star && o.mag <= own.mag && d < reach2 {
			all = append(all, other{d, uint32(i)})
		}
	}
	slices.SortFunc(all, func(a, b other) int { return cmp.Compare(a.d, b.d) })
	for _, o := range all[:min(wanted, len(all))] {
		dist, ids = append(dist, o.d), append(ids, o.id)
	}
	return dist, ids
}

func TestRegionNeighboursAgainstBruteForce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := drawnRegion(t)
		if len(r.stars) != len(r.read) {
			t.Fatalf("%d of %d stars filed", len(r.stars), len(r.read))
		}
		wanted := rapid.IntRange(1, Neighbours).Draw(t, "wanted")
		reach2 := float32(rapid.SampledFrom([]float64{1e-9, 1e-5, 1}).Draw(t, "reach2"))
		for i := range r.stars {
			near := r.nearest(uint32(i), wanted, reach2)
			want, _ := r.brighter(uint32(i), wanted, reach2)
			if got := near.dist[:near.n]; !slices.Equal(got, want) { // of stars equally far either will do
				t.Fatalf("star %d: %v, want %v", i, got, want)
			}
		}
	})
}

// Every pattern of a star and three of its nearest brighter ones is found by its shape and size, in either sense, with no
// other star in it; and none by another size.
func TestRegionPatternsAreFound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := drawnRegion(t)
		var shapes []Shape
		var patterns [][4]uint32
		for i := range r.stars {
			dist, ids := r.brighter(uint32(i), regionNearest, 1)
			side := func(k int) complex128 {
				return complex(float64(r.stars[ids[k]].x-r.stars[i].x), float64(r.stars[ids[k]].y-r.stars[i].y))
			}
			for _, t := range neighbourTriples {
				if int(t[0]) >= len(dist) {
					break
				}
				if dist[t[2]] == dist[t[1]] || dist[t[1]] == dist[t[0]] || dist[t[0]] == 0 {
					continue // either may be the longer side
				}
				u, v := side(int(t[1]))/side(int(t[0])), side(int(t[2]))/side(int(t[0]))
				if imag(u) < 0 {
					u, v = cmplx.Conj(u), cmplx.Conj(v)
				}
				length := math.Sqrt(float64(dist[t[0]]))
				patterns = append(patterns, [4]uint32{uint32(i), ids[t[0]], ids[t[1]], ids[t[2]]})
				shapes = append(shapes, Shape{U: u, V: v, Tol: 1e-3, Shortest: 0.99 * length, Longest: 1.01 * length})
			}
		}
		if len(shapes) == 0 {
			return
		}
		found := make([]bool, len(shapes))
		r.Match(NewShapes(shapes), func(shape int, stars [4]uint32) { found[shape] = found[shape] || stars == patterns[shape] })
		if i := slices.Index(found, false); i >= 0 {
			t.Fatalf("pattern %v of shape %+v is not found", patterns[i], shapes[i])
		}
		for i := range shapes {
			shapes[i].Shortest, shapes[i].Longest = 1.2*shapes[i].Longest, 1.3*shapes[i].Longest
		}
		r.Match(NewShapes(shapes), func(shape int, stars [4]uint32) {
			if stars == patterns[shape] {
				t.Fatalf("pattern %v is found by a larger size", stars)
			}
		})
	})
}
