package index

import (
	"cmp"
	"context"
	"math"
	"runtime"
	"slices"

	"polard/catalogs"
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
				nodes[end[w]].octaPlace = octaPlaceOf(VecOf(s.Dir))
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
		cells := make([][]catalogs.Star, grid*grid) // brightest first
		for c := face * perFace; c < (face+1)*perFace && ctx.Err() == nil; c++ {
			kept := &cells[gridCell(cat.CellCenter(c), grid)%len(cells)]
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
		faces[face] = slices.Concat(cells...)
		slices.SortFunc(faces[face], func(a, b catalogs.Star) int { return cmp.Compare(a.ID, b.ID) })
	})
	if err != nil {
		return nil, err
	}
	kept := slices.Concat(faces[:]...)
	nodes := make([]node, len(kept))
	for i, s := range kept {
		nodes[i].octaPlace = octaPlaceOf(VecOf(s.Dir))
	}
	return nodes, nil
}

// faceOf tells which face of the cube around the sphere a direction pierces
// (0, 1, 2 for +x, +y, +z; 3, 4, 5 for the opposite ones) and where, as
// tangents of the angles from the face's centre.
func faceOf(x, y, z float64) (face int, u, v float64) {
	ax, ay, az := math.Abs(x), math.Abs(y), math.Abs(z)
	switch {
	case ax >= ay && ax >= az:
		face, u, v = 0, y/ax, z/ax
		if x < 0 {
			face = 3
		}
	case ay >= az:
		face, u, v = 1, z/ay, x/ay
		if y < 0 {
			face = 4
		}
	default:
		face, u, v = 2, x/az, y/az
		if z < 0 {
			face = 5
		}
	}
	return face, u, v
}

// gridCell is the cell of a grid of n by n equal angles on each cube face.
func gridCell(d sky.ICRS, n int) int {
	face, u, v := faceOf(d.X, d.Y, d.Z)
	return (face*n+equalAngle(u, n))*n + equalAngle(v, n)
}

func equalAngle(tan float64, n int) int {
	i := int((math.Atan(tan)*(4/math.Pi) + 1) / 2 * float64(n))
	return min(max(i, 0), n-1)
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
			nodes[i].octaPlace, mags[i] = octaPlaceOf(VecOf(s.Dir)), s.V
			if i++; i == begin[c+1] {
				break
			}
		}
	})
	return nodes, mags, err
}
