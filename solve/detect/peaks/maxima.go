package peaks

import (
	"context"
	"math"

	"polard/solve/detect/raster"
)

// peaks finds the maxima of an object that stand out, and tells whether it is a streak. They are of no meaning once ctx has ended.
func (o *objects) peaks(ctx context.Context, list []int32, starLength float64) []Peak {
	moments, n := o.moments(list)
	long, _ := moments.Axes()
	length := math.Sqrt(12) * long // of a uniform line
	streak := length > lineLength*starLength && length*length > lineRatio*n

	var out []Peak
	if at, one := o.single(list); one {
		out = []Peak{at}
	} else {
		out = prominent(ctx, o, list)
	}
	for i := range out {
		out[i].Blended, out[i].Streak = len(out) > 1, streak
	}
	return out
}

// moments are those of an object's pixels, and their number.
func (o *objects) moments(list []int32) (raster.Moments, float64) {
	origin := o.runs[list[0]]
	n := 0
	var sx, sy, sxx, sxy, syy float64
	for _, i := range list {
		r := o.runs[i]
		n += int(r.X1 - r.X0)
		for x := r.X0; x < r.X1; x++ {
			fx, fy := float64(x-origin.X0), float64(r.Y-origin.Y)
			sx += fx
			sy += fy
			sxx += fx * fx
			sxy += fx * fy
			syy += fy * fy
		}
	}
	f := 1 / float64(n)
	return raster.Moments{XX: sxx*f - (sx*f)*(sx*f), XY: sxy*f - sx*sy*f*f, YY: syy*f - (sy*f)*(sy*f)}, float64(n)
}

// single is the maximum of an object that has just one, as most have: no pixel of it but
// one is higher than its neighbours. Of equal pixels the first in reading order is higher. To flood these too would take 7 percent
// more processor time for all of an image (BenchmarkDetect).
func (o *objects) single(list []int32) (Peak, bool) {
	var at Peak
	found := 0
	above := -1 // the first run of the row above, by index in the list, and below
	for i, below := 0, 0; i < len(list); {
		y := o.runs[list[i]].Y
		for below < len(list) && o.runs[list[below]].Y == y {
			below++
		}
		upper, lower := list[max(above, 0):i], list[below:]
		if above < 0 {
			upper = nil
		}
		above = i
		for ; i < below; i++ {
			r, v := o.runs[list[i]], o.values(list[i])
			upper, lower = o.reaching(upper, y-1, r.X0), o.reaching(lower, y+1, r.X0)
			for k, h := range v {
				if k > 0 && v[k-1] >= h || k+1 < len(v) && v[k+1] > h {
					continue
				}
				x := r.X0 + int32(k)
				if o.higher(upper, y-1, x, h, true) || o.higher(lower, y+1, x, h, false) {
					continue
				}
				if found++; found > 1 {
					return Peak{}, false
				}
				at = Peak{X: int(x), Y: int(y), Height: h / o.noise[list[i]]}
			}
		}
	}
	return at, at.Height >= o.peak
}

// reaching drops the runs at the front of a list that end before column x-1 of row y.
func (o *objects) reaching(runs []int32, y, x int32) []int32 {
	for len(runs) > 0 && o.runs[runs[0]].Y == y && o.runs[runs[0]].X1 < x {
		runs = runs[1:]
	}
	return runs
}

// higher tells whether one of the pixels x-1 to x+1 of row y, in the runs given, is higher than h,
// or as high where that counts.
func (o *objects) higher(runs []int32, y, x int32, h float32, orEqual bool) bool {
	for _, k := range runs {
		r, vals := o.runs[k], o.values(k)
		if r.Y != y || r.X0 > x+1 {
			return false
		}
		for i := max(r.X0, x-1); i <= min(r.X1-1, x+1); i++ {
			if v := vals[i-r.X0]; v > h || orEqual && v == h {
				return true
			}
		}
	}
	return false
}
