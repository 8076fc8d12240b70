package peaks

import (
	"context"
	"math"
	"slices"
	"sync/atomic"

	"polard/solve/detect/background"
	"polard/solve/detect/raster"
	"polard/solve/detect/residual"
	"polard/solve/parallel"
	"polard/solve/robust"
)

// strip is what stands out of a band of rows of the filtered level.
type strip struct {
	runs  []raster.Run
	first []int32   // of each run: index of its first value
	noise []float32 // of each run: that of the filtered level where it begins
	vals  []float32 // filtered level, of all runs
}

const (
	// noiseBlock is the side of the blocks in which the noise of the filtered
	// level is measured.
	noiseBlock = 64
	// noiseGrid is how many samples of a block lie along each side.
	noiseGrid = 16
	// structuredBlock: the noise of 256 samples is known to about 5 percent; only
	// beyond three times that does it replace the expectation. Without that, 1801 instead of 7 detections on a horizon
	// are spurious, in mosaics 140 instead of 5.
	structuredBlock = 1.15
	// plainPart of that allows for what a clipped spread is raised by, 1.4 percent, and for its bins.
	plainPart = 0.97
	// noiseCell is the side of the squares that share one value of noise.
	noiseCell = 16
)

// Bounds of what may stand out, as parts of a level's pixels. They bound memory and time; full fields of stars stay below half of them.
const (
	mostPixels = 1.0 / 6
	mostRuns   = 1.0 / 32
)

// leastBound is the least that may stand out of a small level, pixels or runs.
const leastBound = 1 << 14

// filtered is a level and how it is filtered; its rows are made when they are needed.
type filtered struct {
	workers int
	sky     *background.Map
	level   *residual.Level
	kernel  *kernel
	white   float64 // noise of the filtered level over the map's, if that were white
}

func newFiltered(workers int, r *residual.Image, l *residual.Level, k *kernel) *filtered {
	return &filtered{workers: workers, sky: r.Sky, level: l, kernel: k, white: r.NoiseFactor(l) / float64(l.Scale) * k.unitSum}
}

// bound is a part of the level's pixels.
func (f *filtered) bound(part float64) int {
	return max(leastBound, int(part*float64(len(f.level.Pix))))
}

// strips filters the level, strip by strip, and does something with each.
func (f *filtered) strips(ctx context.Context, do func(worker, i int, t *thresholder, y0, y1 int)) error {
	thresholds := make([]*thresholder, f.workers)
	return parallel.Each(ctx, f.workers, f.count(), func(w, i int) {
		if thresholds[w] == nil {
			thresholds[w] = newThresholder(f)
		}
		y0, y1 := i*stripRows, min(f.level.Height, (i+1)*stripRows)
		thresholds[w].band.run(ctx, f.level, f.kernel, y0, y1)
		do(w, i, thresholds[w], y0, y1)
	})
}

// count is the number of strips.
func (f *filtered) count() int { return (f.level.Height + stripRows - 1) / stripRows }

// above collects all runs above the foot, in noise. It gives nil when these are more
// than may stand out. The error is ctx's.
func (f *filtered) above(ctx context.Context, foot float32) ([]strip, error) {
	strips := make([]strip, f.count())
	var pixels, runs atomic.Int64
	tooMuch := func() bool {
		return pixels.Load() > int64(f.bound(mostPixels)) || runs.Load() > int64(f.bound(mostRuns))
	}
	err := f.strips(ctx, func(_, i int, t *thresholder, y0, y1 int) {
		if !tooMuch() {
			strips[i] = t.collect(ctx, foot, y0, y1)
			pixels.Add(int64(len(strips[i].vals)))
			runs.Add(int64(len(strips[i].runs)))
		}
	})
	if err != nil || tooMuch() {
		return nil, err
	}
	return strips, nil
}

// quantile is a height, in noise, that no more pixels reach than there may be runs. The error is ctx's.
func (f *filtered) quantile(ctx context.Context) (float32, error) {
	counts := make([]heights, f.workers)
	err := f.strips(ctx, func(w, _ int, t *thresholder, y0, y1 int) {
		t.each(ctx, y0, y1, func(row, noise []float32, _ int) {
			for x, v := range row {
				counts[w].add(v / noise[x/noiseCell])
			}
		})
	})
	for i := 1; i < len(counts); i++ {
		for k, n := range counts[i] {
			counts[0][k] += n
		}
	}
	return counts[0].top(f.bound(mostRuns)), err
}

// heights counts positive numbers by their upper bits, which are in the numbers' order.
type heights [1 << (31 - heightBits)]int

const heightBits = 16

func (h *heights) add(v float32) {
	if v > 0 {
		h[math.Float32bits(v)>>heightBits]++
	}
}

// top is a number that at most so many reach, and as many as may be.
func (h *heights) top(most int) float32 {
	n := 0
	for i := len(h) - 1; i >= 0; i-- {
		if n += h[i]; n > most {
			return math.Float32frombits(uint32(i+1) << heightBits)
		}
	}
	return 0
}

// thresholder measures noise and collects what stands out, with the work space of one goroutine.
type thresholder struct {
	*filtered
	band   *band
	noise  []float32 // of the cells of a row
	factor []float32 // of the blocks: by how much noise goes beyond what is expected
	sample []float32
	clip   robust.Clipper
	strip  strip
}

func newThresholder(f *filtered) *thresholder {
	w := f.level.Width
	return &thresholder{filtered: f, band: newBand(w, f.kernel), noise: make([]float32, (w+noiseCell-1)/noiseCell), factor: make([]float32, (w+noiseBlock-1)/noiseBlock)}
}

// collect gives the runs of rows y0 to y1-1 above the foot.
func (t *thresholder) collect(ctx context.Context, foot float32, y0, y1 int) strip {
	s := &t.strip
	s.runs, s.first, s.noise, s.vals = s.runs[:0], s.first[:0], s.noise[:0], s.vals[:0]
	t.each(ctx, y0, y1, func(row, noise []float32, y int) { s.add(row, noise, foot, y) })
	return strip{slices.Clone(s.runs), slices.Clone(s.first), slices.Clone(s.noise), slices.Clone(s.vals)}
}

// each visits the filtered rows y0 to y1-1, with the noise of their cells, measured block by block.
func (t *thresholder) each(ctx context.Context, y0, y1 int, visit func(row, noise []float32, y int)) {
	for from := y0; from < y1; from += noiseBlock {
		to := min(from+noiseBlock, y1)
		t.measureBlocks(y0, from, to)
		for y := from; y < to && ctx.Err() == nil; y++ {
			if (y-y0)%noiseCell == 0 {
				for x := 0; x < t.level.Width; x += noiseCell {
					end := min(x+noiseCell, t.level.Width)
					_, n := t.sky.At(t.level.ImagePixel(float64(x+end)/2), t.level.ImagePixel(float64(y)+noiseCell/2))
					t.noise[x/noiseCell] = float32(n * t.white * float64(t.factor[x/noiseBlock]))
				}
			}
			visit(t.band.row(y-y0), t.noise, y)
		}
	}
}

// measureBlocks sets the factors of the blocks in rows from to to-1 of the level; y0 is the band's first.
func (t *thresholder) measureBlocks(y0, from, to int) {
	const grid = noiseBlock / noiseGrid
	l := t.level
	for i := range t.factor {
		t.sample = t.sample[:0]
		power := float32(0)
		x0, x1 := i*noiseBlock, min(l.Width, (i+1)*noiseBlock)
		for y := from - y0; y < to-y0; y += grid {
			row := t.band.row(y)
			for x := x0 + y%grid; x < x1; x += grid {
				t.sample = append(t.sample, row[x])
				power += row[x] * row[x]
			}
		}
		t.factor[i] = 1
		if len(t.sample) < background.MinSamples {
			continue
		}
		_, n := t.sky.At(l.ImagePixel(float64(x0+x1)/2), l.ImagePixel(float64(from+to)/2))
		// Clipping lowers a spread, so that most blocks need none.
		if math.Sqrt(float64(power)/float64(len(t.sample))) < plainPart*structuredBlock*n*t.white {
			continue
		}
		_, spread := t.clip.Clipped(t.sample)
		if f := spread / (n * t.white); f > structuredBlock {
			t.factor[i] = float32(f)
		}
	}
}

// add appends the runs of row y above the foot; noise is that of its cells.
func (s *strip) add(row, noise []float32, footSigma float32, y int) {
	end := -1 // where the open run ends
	for cell, n := range noise {
		x0 := cell * noiseCell
		foot := footSigma * n
		for i, v := range row[x0:min(len(row), x0+noiseCell)] {
			if v < foot {
				continue
			}
			x := x0 + i
			if x != end {
				s.runs = append(s.runs, raster.Run{Y: int32(y), X0: int32(x)})
				s.first = append(s.first, int32(len(s.vals)))
				s.noise = append(s.noise, n)
			}
			end = x + 1
			s.runs[len(s.runs)-1].X1 = int32(end)
			s.vals = append(s.vals, v)
		}
	}
}
