package peaks

import (
	"context"
	"slices"

	"polard/solve/detect/raster"
)

// objects are connected pixels of the filtered level of which one at least is significant.
type objects struct {
	strips []strip
	runs   []raster.Run
	first  []int32   // as in the strips
	noise  []float32 // as in the strips
	list   [][]int32 // of each object its runs, by index and in reading order
	peak   float32   // height of a significant pixel, in noise
	most   int       // pixels of an object that are flooded
}

// values are those of run i.
func (o *objects) values(i int32) []float32 {
	r := &o.runs[i]
	return o.strips[r.Y/stripRows].vals[o.first[i]:][:r.X1-r.X0]
}

// pixels is the number of those of an object.
func (o *objects) pixels(list []int32) (n int) {
	for _, i := range list {
		n += int(o.runs[i].X1 - o.runs[i].X0)
	}
	return n
}

// connect joins the runs of all strips into objects (8-connected); the strips keep their values alone. The error is ctx's.
func connect(ctx context.Context, strips []strip, peak float32, most int) (*objects, error) {
	n := 0
	for i := range strips {
		n += len(strips[i].runs)
	}
	o := &objects{strips: strips, runs: make([]raster.Run, 0, n), first: make([]int32, 0, n), noise: make([]float32, 0, n), peak: peak, most: most}
	for i := range strips {
		s := &strips[i]
		o.runs, o.first, o.noise = append(o.runs, s.runs...), append(o.first, s.first...), append(o.noise, s.noise...)
		s.runs, s.first, s.noise = nil, nil, nil
	}
	region, regions, err := raster.Regions(ctx, o.runs)
	if err != nil {
		return nil, err
	}
	// count is that of the runs of a region, 0 where nothing is significant.
	count := make([]int32, regions)
	for i := range o.runs {
		if i%checkEvery == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if slices.Max(o.values(int32(i))) >= peak*o.noise[i] {
			count[region[i]] = 1
		}
	}
	total := 0
	for _, k := range region {
		if count[k] > 0 {
			count[k]++
			total++
		}
	}
	runs := make([]int32, 0, total)
	object := make([]int32, regions)
	for k, c := range count {
		if c > 0 {
			object[k] = int32(len(o.list))
			o.list = append(o.list, runs[len(runs):len(runs):len(runs)+int(c-1)])
			runs = runs[:len(runs)+int(c-1)]
		}
	}
	for i, k := range region {
		if count[k] > 0 {
			l := &o.list[object[k]]
			*l = append(*l, int32(i))
		}
	}
	return o, nil
}
