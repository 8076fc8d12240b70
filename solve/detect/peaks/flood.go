package peaks

import (
	"cmp"
	"context"
	"math"
	"slices"

	"polard/solve/detect/raster"
)

const (
	// prominenceSigma and prominencePart are how far a secondary maximum must
	// stand above its saddle, in noise units and as part of the saddle's height
	// (shot noise and the wings of bright stars are about as rough as that).
	prominenceSigma = 3.5
	prominencePart  = 0.04
	// mostFlooded is the part of a level's pixels that one object may have to be looked at whole.
	mostFlooded = 1.0 / 12
	// checkEvery so many pixels it is checked whether the context has ended.
	checkEvery = 1 << 14
)

// basin is the surroundings of a maximum.
type basin struct {
	parent int32 // itself when a root
	keep   bool  // stood out when it met a higher one
	x, y   int32
	height float32
	noise  float32
}

// flood is the merge tree of an object in the making: pixels are taken
// in falling order and joined; where two basins meet, the lower one's
// prominence is known. Pixels are numbered in reading order.
type flood struct {
	runs    []raster.Run // of the object
	noise   []float32    // of the runs
	first   []int32      // number of the first pixel of each run, and of all pixels
	rowOf   []int32      // of each row of the object: its first run
	vals    []float32    // of the pixels
	basins  []basin      // from 1
	basinOf []int32      // of the pixels, 0 for none
}

// prominent finds the maxima of an object that stand out over their saddles. They are of no meaning once ctx has ended.
func prominent(ctx context.Context, o *objects, list []int32) []Peak {
	least := floor(o, list)
	f := newFlood(o, list, least)
	order, spare := falling(ctx, f.vals)
	f.basinOf = spare
	clear(f.basinOf)
	for i, at := range order {
		if i%checkEvery == 0 && ctx.Err() != nil {
			return nil
		}
		f.take(at)
	}
	var out []Peak
	for i, b := range f.basins[1:] {
		if least > 0 && b.parent == int32(i+1) && b.height-least < standOut(least, b.noise) {
			continue
		}
		if b.keep && b.height >= o.peak*b.noise {
			out = append(out, Peak{X: int(b.x), Y: int(b.y), Height: b.height / b.noise})
		}
	}
	return out
}

// standOut is how far a maximum must stand above a saddle of value v.
func standOut(v, noise float32) float32 { return max(prominenceSigma*noise, prominencePart*v) }

// floor is the value down to which an object is flooded, 0 for all of it: of one that is too large only the highest pixels are.
func floor(o *objects, list []int32) float32 {
	if o.pixels(list) <= o.most {
		return 0
	}
	var h heights
	for _, k := range list {
		for _, v := range o.values(k) {
			h.add(v)
		}
	}
	return h.top(o.most)
}

// newFlood takes the pixels of an object from least upwards.
func newFlood(o *objects, list []int32, least float32) *flood {
	f := &flood{basins: []basin{{}}, rowOf: []int32{0}, first: []int32{0}}
	f.vals = make([]float32, 0, min(o.pixels(list), o.most))
	for _, k := range list {
		r := o.runs[k]
		open := false
		for i, v := range o.values(k) {
			if v < least {
				open = false
				continue
			}
			if !open {
				open = true
				for len(f.runs) > 0 && r.Y > f.runs[0].Y+int32(len(f.rowOf))-1 {
					f.rowOf = append(f.rowOf, int32(len(f.runs)))
				}
				f.runs = append(f.runs, raster.Run{Y: r.Y, X0: r.X0 + int32(i)})
				f.noise = append(f.noise, o.noise[k])
				f.first = append(f.first, f.first[len(f.first)-1])
			}
			f.runs[len(f.runs)-1].X1 = r.X0 + int32(i) + 1
			f.first[len(f.first)-1]++
			f.vals = append(f.vals, v)
		}
	}
	f.rowOf = append(f.rowOf, int32(len(f.runs)))
	return f
}

// falling numbers values from the highest to the lowest, of equal ones the first first; spare is as long, and free for use.
func falling(ctx context.Context, vals []float32) (order, spare []int32) {
	n := len(vals)
	order, spare = make([]int32, n), make([]int32, n)
	for i := range order {
		order[i] = int32(i)
	}
	const few = 1 << 10
	if n < few {
		slices.SortFunc(order, func(a, b int32) int { return cmp.Or(cmp.Compare(vals[b], vals[a]), cmp.Compare(a, b)) })
		return order, spare
	}
	// Sorted digit by digit (Knuth 1998, The Art of Computer Programming 3, section 5.2.5): in time that grows with n
	// alone. The bits of positive numbers are in their order.
	const digit, digits = 11, 3
	for d := range digits {
		var start [1 << digit]int32
		key := func(i int32) uint32 { return ^math.Float32bits(vals[i]) >> (d * digit) % (1 << digit) }
		for i := range vals {
			if i%checkEvery == 0 && ctx.Err() != nil {
				break
			}
			start[key(int32(i))]++
		}
		sum := int32(0)
		for k, c := range start {
			start[k] = sum
			sum += c
		}
		for i, at := range order {
			if i%checkEvery == 0 && ctx.Err() != nil {
				break
			}
			k := key(at)
			spare[start[k]] = at
			start[k]++
		}
		order, spare = spare, order
	}
	return order, spare
}

// take adds the next lower pixel.
func (f *flood) take(at int32) {
	i, found := slices.BinarySearch(f.first, at)
	if !found {
		i--
	}
	r := &f.runs[i]
	v, noise, x := f.vals[at], f.noise[i], r.X0+at-f.first[i]
	home := int32(0)
	if x > r.X0 {
		home = f.meet(home, at-1, v, noise)
	}
	if x < r.X1-1 {
		home = f.meet(home, at+1, v, noise)
	}
	for _, row := range [2]int32{r.Y - 1 - f.runs[0].Y, r.Y + 1 - f.runs[0].Y} {
		if row < 0 || int(row) >= len(f.rowOf)-1 {
			continue
		}
		lo, hi := f.rowOf[row], f.rowOf[row+1]
		// The first run of that row that ends beyond x-1.
		i, _ := slices.BinarySearchFunc(f.runs[lo:hi], x, func(q raster.Run, x int32) int { return cmp.Compare(q.X1, x) })
		for i := lo + int32(i); i < hi && f.runs[i].X0 <= x+1; i++ {
			q := &f.runs[i]
			for k := max(q.X0, x-1); k <= min(q.X1-1, x+1); k++ {
				home = f.meet(home, f.first[i]+k-q.X0, v, noise)
			}
		}
	}
	if home == 0 {
		home = int32(len(f.basins))
		f.basins = append(f.basins, basin{parent: home, keep: true, x: x, y: r.Y, height: v, noise: noise})
	}
	f.basinOf[at] = home
}

// meet joins the basin of a neighbour to that of a pixel of value v, if it has one, and gives what the pixel then lies in.
func (f *flood) meet(home, neighbour int32, v, noise float32) int32 {
	b := f.basinOf[neighbour]
	if b == 0 {
		return home
	}
	b = f.root(b)
	if home == 0 || b == home {
		return b
	}
	if f.basins[b].height > f.basins[home].height {
		home, b = b, home
	}
	f.basins[b].keep = f.basins[b].height-v >= standOut(v, noise)
	f.basins[b].parent = home
	return home
}

func (f *flood) root(i int32) int32 {
	for f.basins[i].parent != i {
		f.basins[i].parent = f.basins[f.basins[i].parent].parent
		i = f.basins[i].parent
	}
	return i
}
