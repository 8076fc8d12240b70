package detect

import (
	"cmp"
	"math"
	"slices"
)

// Objects: connected pixels of the filtered canvas, and the maxima in them.

// runSet is all runs of the canvas with their values.
type runSet struct {
	runs []run
	vals []float32
}

// object is the runs, by index and in reading order, of connected pixels of
// which one at least is significant.
type object []int32

// connect joins the runs of all strips into objects (8-connected).
func connect(strips []strip) (*runSet, []object) {
	rs := &runSet{}
	for _, s := range strips {
		base := int32(len(rs.vals))
		for _, r := range s.runs {
			r.val += base
			r.parent = int32(len(rs.runs))
			rs.runs = append(rs.runs, r)
		}
		rs.vals = append(rs.vals, s.vals...)
	}
	find := func(i int32) int32 {
		for rs.runs[i].parent != i {
			rs.runs[i].parent = rs.runs[rs.runs[i].parent].parent
			i = rs.runs[i].parent
		}
		return i
	}
	above, aboveEnd := 0, 0
	for i := 0; i < len(rs.runs); {
		y := rs.runs[i].y
		end := i
		for end < len(rs.runs) && rs.runs[end].y == y {
			end++
		}
		if aboveEnd > above && rs.runs[above].y == y-1 {
			for a, b := above, i; a < aboveEnd && b < end; {
				ra, rb := &rs.runs[a], &rs.runs[b]
				if ra.x0 <= rb.x1 && rb.x0 <= ra.x1 {
					pa, pb := find(int32(a)), find(int32(b))
					rs.runs[max(pa, pb)].parent = min(pa, pb)
				}
				if ra.x1 < rb.x1 {
					a++
				} else {
					b++
				}
			}
		}
		above, aboveEnd = i, end
		i = end
	}
	// number[root] is 1 + the object's index; significant roots only.
	number := make([]int32, len(rs.runs))
	for i, r := range rs.runs {
		if slices.Max(rs.vals[r.val:r.val+r.x1-r.x0]) >= peakSigma*r.noise {
			number[find(int32(i))] = -1
		}
	}
	var objects []object
	for i := range rs.runs {
		root := find(int32(i))
		if number[root] == 0 {
			continue
		}
		if number[root] < 0 {
			objects = append(objects, nil)
			number[root] = int32(len(objects))
		}
		o := &objects[number[root]-1]
		*o = append(*o, int32(i))
	}
	return rs, objects
}

// peak is a significant maximum of the filtered canvas.
type peak struct {
	x, y   int
	height float32 // noise units
	multi  bool    // its object holds other maxima
	streak bool    // its object is a long thin line
	core   *core   // the saturated core it stands for, if that is large
}

const (
	// lineLength, in long axes of the star (FWHM), and lineRatio of length over
	// width tell the trail of a satellite or an aircraft from stars.
	lineLength = 6
	lineRatio  = 5
)

// single is the maximum of an object that has just one, as most have: no pixel of it but
// one is higher than its neighbours. Of equal pixels the first in reading order is higher.
func (rs *runSet) single(o object) (peak, bool) {
	var at peak
	found := 0
	above := -1 // the first run of the row above, by index in o, and below
	for i, below := 0, 0; i < len(o); {
		y := rs.runs[o[i]].y
		for below < len(o) && rs.runs[o[below]].y == y {
			below++
		}
		upper, lower := o[max(above, 0):i], o[below:]
		if above < 0 {
			upper = nil
		}
		above = i
		for ; i < below; i++ {
			r := rs.runs[o[i]]
			v := rs.vals[r.val : r.val+r.x1-r.x0]
			upper, lower = rs.reaching(upper, y-1, r.x0), rs.reaching(lower, y+1, r.x0)
			for k, h := range v {
				if k > 0 && v[k-1] >= h || k+1 < len(v) && v[k+1] > h {
					continue
				}
				x := r.x0 + int32(k)
				if rs.higher(upper, y-1, x, h, true) || rs.higher(lower, y+1, x, h, false) {
					continue
				}
				if found++; found > 1 {
					return peak{}, false
				}
				at = peak{x: int(x), y: int(y), height: h / r.noise}
			}
		}
	}
	return at, at.height >= peakSigma
}

// reaching drops the runs at the front of a list that end before column x-1 of row y.
func (rs *runSet) reaching(runs []int32, y, x int32) []int32 {
	for len(runs) > 0 && rs.runs[runs[0]].y == y && rs.runs[runs[0]].x1 < x {
		runs = runs[1:]
	}
	return runs
}

// higher tells whether one of the pixels x-1 to x+1 of row y, in the runs given, is higher than h,
// or as high where that counts.
func (rs *runSet) higher(runs []int32, y, x int32, h float32, orEqual bool) bool {
	for _, k := range runs {
		r := rs.runs[k]
		if r.y != y || r.x0 > x+1 {
			return false
		}
		for i := max(r.x0, x-1); i <= min(r.x1-1, x+1); i++ {
			if v := rs.vals[r.val+i-r.x0]; v > h || orEqual && v == h {
				return true
			}
		}
	}
	return false
}

// peaks finds the maxima of an object that stand out, and tells whether it is a streak.
func (rs *runSet) peaks(o object, starLength float64) []peak {
	y0 := rs.runs[o[0]].y
	n := 0
	var sx, sy, sxx, sxy, syy float64
	for _, i := range o {
		r := rs.runs[i]
		n += int(r.x1 - r.x0)
		for x := r.x0; x < r.x1; x++ {
			fx, fy := float64(x-rs.runs[o[0]].x0), float64(r.y-y0)
			sx += fx
			sy += fy
			sxx += fx * fx
			sxy += fx * fy
			syy += fy * fy
		}
	}
	f := 1 / float64(n)
	long, _ := ellipseAxes(sxx*f-sq(sx*f), sxy*f-sx*sy*f*f, syy*f-sq(sy*f))
	length := math.Sqrt(12) * long // of a uniform line
	streak := length > lineLength*starLength && length*length > lineRatio*float64(n)

	var out []peak
	if at, one := rs.single(o); one {
		out = []peak{at}
	} else {
		out = rs.maxima(o)
	}
	for i := range out {
		out[i].multi, out[i].streak = len(out) > 1, streak
	}
	return out
}

// maxima finds those of an object that stand out over their saddles: pixels are taken
// in falling order and joined; where two basins meet, the lower one's
// prominence is known (the merge tree of the superlevel sets).
func (rs *runSet) maxima(o object) []peak {
	y0, y1 := rs.runs[o[0]].y, rs.runs[o[len(o)-1]].y
	n := 0
	for _, i := range o {
		n += int(rs.runs[i].x1 - rs.runs[i].x0)
	}

	// Pixels are numbered in reading order; first[i] is the number of the first
	// pixel of run i, and rowOf[y-y0] the first run of row y.
	type pixel struct {
		run, x, at int32
		v          float32
	}
	pix := make([]pixel, 0, n)
	first := make([]int32, len(o))
	rowOf := make([]int32, y1-y0+2)
	for i, k := range o {
		r := rs.runs[k]
		first[i] = int32(len(pix))
		rowOf[r.y-y0+1] = int32(i + 1)
		for j, v := range rs.vals[r.val : r.val+r.x1-r.x0] {
			pix = append(pix, pixel{int32(i), r.x0 + int32(j), int32(len(pix)), v})
		}
	}
	slices.SortFunc(pix, func(a, b pixel) int {
		switch {
		case a.v > b.v:
			return -1
		case a.v < b.v:
			return 1
		}
		return int(a.at - b.at)
	})
	type basin struct {
		parent int32 // itself when a root
		keep   bool  // stood out when it met a higher one
		x, y   int32
		height float32
		noise  float32
	}
	basins := []basin{{}} // index 0 is none
	find := func(i int32) int32 {
		for basins[i].parent != i {
			basins[i].parent = basins[basins[i].parent].parent
			i = basins[i].parent
		}
		return i
	}
	basinOf := make([]int32, n)
	for _, p := range pix {
		r := rs.runs[o[p.run]]
		home := int32(0)
		meet := func(at int32) {
			b := basinOf[at]
			if b == 0 {
				return
			}
			b = find(b)
			if home == 0 || b == home {
				home = b
				return
			}
			if basins[b].height > basins[home].height {
				home, b = b, home
			}
			basins[b].keep = basins[b].height-p.v >= max(prominenceSigma*r.noise, prominencePart*p.v)
			basins[b].parent = home
		}
		if p.x > r.x0 {
			meet(p.at - 1)
		}
		if p.x < r.x1-1 {
			meet(p.at + 1)
		}
		for _, y := range [2]int32{r.y - 1, r.y + 1} {
			if y < y0 || y > y1 {
				continue
			}
			lo, hi := rowOf[y-y0], rowOf[y-y0+1]
			// The first run of that row that ends beyond x-1.
			i, _ := slices.BinarySearchFunc(o[lo:hi], p.x, func(k, x int32) int { return cmp.Compare(rs.runs[k].x1, x) })
			for i := lo + int32(i); i < hi && rs.runs[o[i]].x0 <= p.x+1; i++ {
				q := rs.runs[o[i]]
				for x := max(q.x0, p.x-1); x <= min(q.x1-1, p.x+1); x++ {
					meet(first[i] + x - q.x0)
				}
			}
		}
		if home == 0 {
			home = int32(len(basins))
			basins = append(basins, basin{parent: home, keep: true, x: p.x, y: r.y, height: p.v, noise: r.noise})
		}
		basinOf[p.at] = home
	}
	var out []peak
	for _, b := range basins[1:] {
		if b.keep && b.height >= peakSigma*b.noise {
			out = append(out, peak{x: int(b.x), y: int(b.y), height: b.height / b.noise})
		}
	}
	return out
}
