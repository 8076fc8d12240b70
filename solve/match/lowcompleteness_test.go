package match

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// The low-completeness pass forms each group of four stars whose sides are within reach once, by its
// central star: held against all groups of four, one by one.
func TestGrowingPatterns(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 1))
	d := &growingPatterns{reach: 70}
	for range 40 {
		d.at = append(d.at, complex(300*rng.Float64(), 200*rng.Float64()))
	}
	name := func(p []int) string {
		slices.Sort(p[1:])
		return fmt.Sprint(p)
	}
	want := map[string]bool{}
	within := func(a, b int) bool {
		r := math.Sqrt(norm2(d.at[a] - d.at[b]))
		return r >= shortestSide && r <= d.reach
	}
	for pivot := range d.at {
		for i := range d.at {
			for j := range i {
				for k := range j {
					if i == pivot || j == pivot || k == pivot || !within(pivot, i) || !within(pivot, j) || !within(pivot, k) {
						continue
					}
					middle := (d.at[pivot] + d.at[i] + d.at[j] + d.at[k]) / 4
					from := func(a int) float64 { return norm2(d.at[a] - middle) }
					if from(pivot) <= min(from(i), from(j), from(k)) {
						want[name([]int{pivot, i, j, k})] = true
					}
				}
			}
		}
	}
	deepest := uint16(0)
	n := 0
	for ps := d.more(); ps != nil; ps = d.more() {
		for _, p := range ps {
			if last := slices.Max(p[:]); last < deepest {
				t.Fatalf("%v comes after star %d", p, deepest)
			} else {
				deepest = last
			}
			key := name([]int{int(p[0]), int(p[1]), int(p[2]), int(p[3])})
			if !want[key] {
				t.Fatalf("%s is not to be formed, or twice", key)
			}
			delete(want, key)
			n++
		}
	}
	if len(want) > 0 || n < 100 {
		t.Errorf("%d formed, %d missing", n, len(want))
	}
}

// A clump of detections costs no memory.
func TestGrowingPatternsOfAClump(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 2))
	d := &growingPatterns{reach: 100}
	for range 1000 {
		d.at = append(d.at, complex(50*rng.Float64(), 50*rng.Float64()))
	}
	for ps := d.more(); ps != nil; ps = d.more() {
		if len(ps) > mostWithinReach*mostWithinReach*mostWithinReach {
			t.Fatalf("%d patterns at once", len(ps))
		}
	}
}

// For levels whose pivots are the faintest stars of their patterns, the pivot comes last.
func TestGrowingPatternsByTheLast(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	d := &growingPatterns{reach: 70, last: true}
	for range 40 {
		d.at = append(d.at, complex(300*rng.Float64(), 200*rng.Float64()))
	}
	want := 0
	for i := range d.at {
		near := 0
		for j := range i {
			if r := math.Sqrt(norm2(d.at[i] - d.at[j])); r >= shortestSide && r <= d.reach {
				near++
			}
		}
		want += near * (near - 1) * (near - 2) / 6
	}
	n := 0
	for ps := d.more(); ps != nil; ps = d.more() {
		n += len(ps)
		for _, p := range ps {
			if p[0] != slices.Max(p[:]) {
				t.Fatalf("pivot of %v", p)
			}
		}
	}
	if n != want || n < 100 {
		t.Errorf("%d patterns, want %d", n, want)
	}
}
