package raster

import "context"

// Run is a stretch of one row: columns X0 to X1-1.
type Run struct{ Y, X0, X1 int32 }

// Regions joins the pixels of runs, which come in reading order, where they touch by a side or a corner. It gives
// the region of each run, numbered in reading order of their first pixels, and how many there are (union-find with path
// halving: Tarjan 1975, J. ACM 22, 215). The error is ctx's.
func Regions(ctx context.Context, runs []Run) (region []int32, n int, err error) {
	parent := make([]int32, len(runs))
	for i := range parent {
		parent[i] = int32(i)
	}
	find := func(i int32) int32 {
		for parent[i] != i {
			parent[i] = parent[parent[i]]
			i = parent[i]
		}
		return i
	}
	above, aboveEnd := 0, 0
	for i := 0; i < len(runs); {
		if err := ctx.Err(); err != nil {
			return nil, 0, err
		}
		y := runs[i].Y
		end := i
		for end < len(runs) && runs[end].Y == y {
			end++
		}
		if aboveEnd > above && runs[above].Y == y-1 {
			for a, b := above, i; a < aboveEnd && b < end; {
				ra, rb := &runs[a], &runs[b]
				if ra.X0 <= rb.X1 && rb.X0 <= ra.X1 {
					pa, pb := find(int32(a)), find(int32(b))
					parent[max(pa, pb)] = min(pa, pb)
				}
				if ra.X1 < rb.X1 {
					a++
				} else {
					b++
				}
			}
		}
		above, aboveEnd = i, end
		i = end
	}
	// The parent of a region is its first run, and comes before the others.
	for i := range parent {
		parent[i] = parent[parent[i]]
	}
	for i, p := range parent {
		if int(p) == i {
			parent[i] = int32(n)
			n++
		} else {
			parent[i] = parent[p]
		}
	}
	return parent, n, nil
}
