package index

import (
	"cmp"
	"context"
	"math"
	"runtime"
	"slices"

	"polard/catalogs"
	"polard/catalogs/cells"
	"polard/mountmodel/sky"
	"polard/solve/parallel"
)

// thin keeps the brightest perCell of every cell of the level's grid, in
// the catalogue's own order, which keeps neighbours in the sky near each other
// in memory. The catalogue's cells lie within the level's or the level's within
// them, and hold their stars brightest first.
func thin(ctx context.Context, cat *catalogs.Catalogue, grid, perCell int) ([]node, error) {
	own := int(math.Round(math.Sqrt(float64(cat.Cells()) / 6))) // cells along an edge of the catalogue's cube
	if grid < own {
		return thinCoarse(ctx, cat, grid, perCell)
	}
	k := grid / own
	workers := runtime.GOMAXPROCS(0)
	chunk := (cat.Cells() + workers - 1) / workers
	// Each worker writes where its stars would begin if every cell held as many as
	// it may; a level never lies in memory twice.
	var begin []int
	most := 0
	for c := range cat.Cells() {
		if c%chunk == 0 {
			begin = append(begin, most)
		}
		lo, hi := cat.CellRange(c)
		most += min(int(hi-lo), k*k*perCell)
	}
	nodes := make([]node, most)
	end := slices.Clone(begin)
	err := parallel.Each(ctx, workers, len(begin), func(_, w int) {
		used := make([]uint8, k*k)
		for c := w * chunk; c < min((w+1)*chunk, cat.Cells()) && ctx.Err() == nil; c++ {
			clear(used)
			full := 0
			for s := range cat.CellStars(c) {
				g := gridCell(s.Dir, grid)
				// the place within the catalogue's cell
				sub := g/grid%k*k + g%k
				if int(used[sub]) == perCell {
					continue
				}
				nodes[end[w]].octahedral = octahedralOf(VecOf(s.Dir))
				end[w]++
				if used[sub]++; int(used[sub]) == perCell {
					if full++; full == len(used) {
						break
					}
				}
			}
		}
	})
	if err != nil {
		return nil, err
	}
	total := 0
	for w := range begin {
		total += copy(nodes[total:], nodes[begin[w]:end[w]])
	}
	return nodes[:total], nil
}

// thinCoarse is thin for cells that hold several of the catalogue's.
func thinCoarse(ctx context.Context, cat *catalogs.Catalogue, grid, perCell int) ([]node, error) {
	// The catalogue numbers the faces otherwise, but one after the other as well.
	perFace := cat.Cells() / 6
	var faces [6][]catalogs.Star
	err := parallel.Each(ctx, runtime.GOMAXPROCS(0), len(faces), func(_, face int) {
		brightest := make([][]catalogs.Star, grid*grid) // brightest first
		for c := face * perFace; c < (face+1)*perFace && ctx.Err() == nil; c++ {
			kept := &brightest[gridCell(cat.CellCenter(c), grid)%len(brightest)]
			for s := range cat.CellStars(c) {
				n := len(*kept)
				if n == perCell && (*kept)[n-1].V <= s.V {
					break // the rest of the catalogue's cell is no brighter
				}
				k, _ := slices.BinarySearchFunc(*kept, s, catalogs.ByBrightness)
				if n == perCell {
					*kept = (*kept)[:n-1]
				}
				*kept = slices.Insert(*kept, k, s)
			}
		}
		faces[face] = slices.Concat(brightest...)
		slices.SortFunc(faces[face], func(a, b catalogs.Star) int { return cmp.Compare(a.ID, b.ID) })
	})
	if err != nil {
		return nil, err
	}
	kept := slices.Concat(faces[:]...)
	nodes := make([]node, len(kept))
	for i, s := range kept {
		nodes[i].octahedral = octahedralOf(VecOf(s.Dir))
	}
	return nodes, nil
}

// gridCell is the cell of a grid of n by n equal angles on each cube face.
func gridCell(d sky.ICRS, n int) int {
	face, u, v := cells.Locate(sky.Vec(d), int64(n))
	return (face*n+int(u))*n + int(v)
}

// starsTo gives the catalogue's stars to a magnitude as nodes, in its own order, and their
// magnitudes.
func starsTo(ctx context.Context, cat *catalogs.Catalogue, faintest float64) ([]node, []float32, error) {
	begin := make([]int, cat.Cells()+1)
	for c := range cat.Cells() {
		lo, hi := cat.CellRangeTo(c, faintest)
		begin[c+1] = begin[c] + int(hi-lo)
	}
	total := begin[cat.Cells()]
	nodes, mags := make([]node, total), make([]float32, total)
	err := parallel.Each(ctx, runtime.GOMAXPROCS(0), cat.Cells(), func(_, c int) {
		i := begin[c]
		if i == begin[c+1] {
			return
		}
		for s := range cat.CellStars(c) {
			nodes[i].octahedral, mags[i] = octahedralOf(VecOf(s.Dir)), s.V
			if i++; i == begin[c+1] {
				break
			}
		}
	})
	return nodes, mags, err
}
