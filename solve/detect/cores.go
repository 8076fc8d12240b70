package detect

import (
	"context"
	"math"
	"slices"
	"sync/atomic"

	"polard/solve/detect/fit"
	"polard/solve/detect/peaks"
	"polard/solve/detect/psf"
	"polard/solve/detect/raster"
	"polard/solve/detect/residual"
	"polard/solve/parallel"
)

// Saturated stars: the core is flat and may bleed along columns or rows. Where
// the core is larger than what an ordinary fit reaches, the star is fitted on a
// wider table by the wings around the core, which no bleeding reaches.

// core is the disc of a connected area of saturated pixels.
type core struct {
	fit.Core
	area           int // number of the area; stars in one column may bleed into each other
	x0, y0, x1, y1 int // box of the area, ends included
}

const (
	// largeCore is the radius, in image pixels and in FWHM, up to which a core is
	// small enough for the ordinary fit to mask it.
	largeCore     = 1.5
	largeCoreFWHM = 0.6
	// extendedCore: what is larger than this, in image pixels, is the moon, a lamp
	// or a bright sky, and hides what is around it.
	extendedCore = 60
	// discRows of a core are those at least this share as wide as the widest; the
	// rest is bleeding.
	discRows = 0.7
	// mostCores, the largest, are looked at: what is more is no image of stars.
	mostCores = 1000
	// mostFull is the part of the image's pixels that runs of full ones may number.
	mostFull = 1.0 / 48
	// fullRows are searched at one go.
	fullRows = 64
	// checkEvery so many runs it is checked whether the context has ended.
	checkEvery = 1 << 12
)

// fullRuns are the runs of saturated pixels, none where there are more than cores of stars can have.
func fullRuns(ctx context.Context, workers int, r *residual.Image) ([]raster.Run, error) {
	img, s := r.Source, &r.Saturation
	bands := make([][]raster.Run, (img.Height+fullRows-1)/fullRows)
	rows := make([][]float32, workers)
	most := int64(mostFull * float64(img.Width*img.Height))
	var found atomic.Int64
	err := parallel.Each(ctx, workers, len(bands), func(w, i int) {
		for y := i * fullRows; y < min(img.Height, (i+1)*fullRows) && found.Load() <= most; y++ {
			if !s.InRow(r.Levels[0], y) {
				continue
			}
			was, before := false, len(bands[i])
			for x, v := range img.Row(y, 0, img.Width, &rows[w]) {
				is := v >= s.Value
				if is && !was {
					bands[i] = append(bands[i], raster.Run{Y: int32(y), X0: int32(x)})
				}
				if was = is; is {
					bands[i][len(bands[i])-1].X1 = int32(x) + 1
				}
			}
			found.Add(int64(len(bands[i]) - before))
		}
	})
	if found.Load() > most {
		return nil, err
	}
	return slices.Concat(bands...), err
}

// findCores finds the discs of saturated pixels, the largest areas first where there are many.
func findCores(ctx context.Context, workers int, r *residual.Image) ([]core, error) {
	if !r.Saturation.Known() {
		return nil, nil
	}
	runs, err := fullRuns(ctx, workers, r)
	if err != nil {
		return nil, err
	}
	region, n, err := raster.Regions(ctx, runs)
	if err != nil {
		return nil, err
	}
	areas := make([][]raster.Run, n)
	believed := make([]bool, n)
	for i, k := range region {
		if i%checkEvery == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		areas[k] = append(areas[k], runs[i])
		believed[k] = believed[k] || !r.Bad.Get(int(runs[i].X0), int(runs[i].Y))
	}
	var list []core
	for k, area := range areas {
		if k%checkEvery == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if believed[k] {
			list = append(list, newCores(area, k)...)
		}
	}
	return list, nil
}

// newCores measures an area: a disc is where it is widest across the direction
// in which it bleeds, its longer side. Stars in one column may bleed into each
// other: each stretch of wide rows is one.
func newCores(area []raster.Run, number int) []core {
	box := core{area: number, x0: int(area[0].X0), x1: int(area[0].X0), y0: int(area[0].Y), y1: int(area[len(area)-1].Y)}
	for _, r := range area {
		box.x0, box.x1 = min(box.x0, int(r.X0)), max(box.x1, int(r.X1)-1)
		box.Pixels += int(r.X1 - r.X0)
	}
	columns := box.x1-box.x0 > box.y1-box.y0 // it bleeds along rows, so that the disc is looked for column by column
	from, n := box.y0, box.y1-box.y0+1
	if columns {
		from, n = box.x0, box.x1-box.x0+1
	}
	count, sum := make([]int, n), make([]int, n)
	for _, r := range area {
		if !columns {
			k := int(r.X1 - r.X0)
			count[int(r.Y)-from] += k
			sum[int(r.Y)-from] += k * int(r.X0+r.X1-1) / 2
			continue
		}
		for x := int(r.X0); x < int(r.X1); x++ {
			count[x-from]++
			sum[x-from] += int(r.Y)
		}
	}
	least := discRows * float64(slices.Max(count))
	var list []core
	for i := 0; i < n; i++ {
		if float64(count[i]) < least {
			continue
		}
		c := box
		var w, sa, sc float64
		widest := 0
		for ; i < n && float64(count[i]) >= least; i++ {
			k := float64(count[i])
			w += k
			sa += k * float64(i+from)
			sc += float64(sum[i])
			widest = max(widest, count[i])
		}
		c.Radius = float64(widest) / 2
		c.X, c.Y = sc/w, sa/w
		if columns {
			c.X, c.Y = c.Y, c.X
		}
		list = append(list, c)
	}
	return list
}

// withCores gives the peaks as candidates, those in and around large cores replaced by one for each star, and
// without those in the glare of extended saturated sources. The error is ctx's.
func withCores(ctx context.Context, workers int, r *residual.Image, m *psf.Model, found []peaks.Peak) (candidates []fit.Candidate, err error) {
	cores, err := findCores(ctx, workers, r)
	if err != nil {
		return nil, err
	}
	fwhm := m.ImageFWHM()
	cores = slices.DeleteFunc(cores, func(c core) bool { return c.Radius <= max(largeCore, largeCoreFWHM*fwhm) })
	if len(cores) > mostCores {
		slices.SortStableFunc(cores, func(a, b core) int { return b.Pixels - a.Pixels })
		cores = cores[:mostCores]
	}
	l := r.Level(m.Scale)
	height := make(map[int]float32) // of the highest maximum in an area so far
	for i := range cores {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		c := &cores[i]
		highest := height[c.area]
		found = slices.DeleteFunc(found, func(k peaks.Peak) bool {
			if !c.covers(l, fwhm, k) {
				return false
			}
			highest = max(highest, k.Height)
			return true
		})
		if c.Radius <= extendedCore && highest > 0 {
			height[c.area] = highest
			candidates = append(candidates, fit.Candidate{
				Peak: peaks.Peak{X: int(math.Round(l.LevelPixel(c.X))), Y: int(math.Round(l.LevelPixel(c.Y))), Height: highest},
				Core: &c.Core,
			})
		}
	}
	for _, k := range found {
		candidates = append(candidates, fit.Candidate{Peak: k})
	}
	return candidates, nil
}

// covers tells whether a maximum of a level lies in or next to the core or its bleeding.
func (c *core) covers(l *residual.Level, fwhm float64, k peaks.Peak) bool {
	x, y := l.ImagePixel(float64(k.X)), l.ImagePixel(float64(k.Y))
	return x >= float64(c.x0)-fwhm && x <= float64(c.x1)+fwhm && y >= float64(c.y0)-fwhm && y <= float64(c.y1)+fwhm ||
		math.Hypot(x-c.X, y-c.Y) < c.Radius+fwhm
}
