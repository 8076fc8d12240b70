package background

import (
	"context"
	"math"
	"slices"

	"polard/solve/detect/raster"
	"polard/solve/parallel"
	"polard/solve/robust"
)

// Banding: rows or columns whose level differs from their neighbours', by the
// read-out of the sensor or by interference. A tenth of the pixel noise is already
// harmful, since a row's offset does not average out over a star.

const (
	// bandSamples speak for one row or column; their clipped mean is good to
	// 1/sqrt(512) = 0.044 of the pixel noise.
	bandSamples = 512
	// bandGroups of bandGroup neighbouring rows are tried, on fewer samples,
	// before all are measured.
	bandGroups, bandGroup = 10, 6
	triedSamples          = 128
	// bandShare is the least pattern, root mean square in noise of a pixel, that
	// is worth correcting, and bandSigma its least significance.
	bandShare = 0.08
	bandSigma = 5
)

// WithLines is the map with the offsets of rows and of columns where there is a pattern, else the map itself. The error is ctx's.
func WithLines(ctx context.Context, workers int, img raster.Image, m *Map) (*Map, error) {
	s := lineSampler{img, m}
	rows, err := s.offsets(ctx, workers, true)
	if err != nil {
		return nil, err
	}
	columns, err := s.offsets(ctx, workers, false)
	if err != nil || rows == nil && columns == nil {
		return m, err
	}
	out := *m
	out.rows, out.columns = rows, columns
	if columns != nil {
		out.noise = noiseWithout(m.noise, columns)
		out.leastNoise, out.medians = slices.Min(out.noise), newMedians(out.level, out.noise)
	}
	return &out, nil
}

// lineSampler reads rows and columns of an image above its map.
type lineSampler struct {
	img raster.Image
	m   *Map
}

// offsets measures the offsets of all rows, or of all columns. The halves of
// a line speak separately first: a pattern moves both, stars only one.
func (s lineSampler) offsets(ctx context.Context, workers int, rows bool) ([]float32, error) {
	n := s.img.Width
	if rows {
		n = s.img.Height
	}
	if n < 4*bandGroup {
		return nil, nil
	}
	var groups [bandGroups]bandHalves
	err := parallel.Each(ctx, workers, bandGroups, func(_, g int) {
		groups[g] = s.halves(rows, g*(n-bandGroup)/(bandGroups-1))
	})
	if err != nil || !patterned(groups[:]) {
		return nil, err
	}
	offsets := make([]float32, n)
	err = parallel.Each(ctx, workers, n, func(_, i int) {
		if l, _, ok := s.line(rows, i, wholeLine, bandSamples); ok {
			offsets[i] = float32(l)
		}
	})
	return offsets, err
}

// patterned tells whether neighbouring lines differ in both halves alike.
func patterned(groups []bandHalves) bool {
	var common, first2, second2 float64 // moments of the halves, in pixel noise
	free := 0.0
	for _, g := range groups {
		if !g.usable {
			continue
		}
		free += bandGroup - 1
		for k := range bandGroup {
			p, q := g.half[0][k]-g.mean[0], g.half[1][k]-g.mean[1]
			common += p * q
			first2 += p * p
			second2 += q * q
		}
	}
	return free >= bandGroups && common > bandSigma*math.Sqrt(first2*second2/free) && common/free >= bandShare*bandShare
}

// bandHalves are the levels of both halves of neighbouring lines, in noise of a pixel.
type bandHalves struct {
	half   [2][bandGroup]float64
	mean   [2]float64
	usable bool // all of them
}

func (s lineSampler) halves(rows bool, from int) bandHalves {
	g := bandHalves{usable: true}
	for k := range bandGroup {
		for h := range g.half {
			l, noise, ok := s.line(rows, from+k, h, triedSamples)
			g.usable = g.usable && ok && noise > 0
			g.half[h][k] = l / noise
			g.mean[h] += g.half[h][k] / bandGroup
		}
	}
	return g
}

// noiseWithout is what is left of the noise when the columns' offsets have been taken
// off: a pixel's noise comes from pairs along rows, which hold those of two columns.
func noiseWithout(noise, offsets []float32) []float32 {
	var power float64
	for _, v := range offsets {
		power += sq(float64(v)) / float64(len(offsets))
	}
	out := slices.Clone(noise)
	for i, n := range out {
		out[i] = n * float32(math.Sqrt(max(1-power/sq(float64(n)), sq(leastUnbanded))))
	}
	return out
}

func sq(x float64) float64 { return x * x }

// leastUnbanded is the part of a pixel's noise that is left at least.
const leastUnbanded = 0.3

// wholeLine asks for both halves of a line.
const wholeLine = 2

// line is the mean of a row or column, or of its first or second half, above the
// sky map, from the given number of samples, and the noise of a pixel in it.
func (s lineSampler) line(row bool, i, half, samples int) (level, noise float64, ok bool) {
	n := s.img.Height
	if row {
		n = s.img.Width
	}
	from, to := 0, n
	switch half {
	case 0:
		to = n / 2
	case 1:
		from = n / 2
	}
	var values [bandSamples]float64
	k := 0
	stride := max(1, (to-from)/samples)
	for j := from + i%stride; j < to && k < samples; j += stride {
		x, y := i, j
		if row {
			x, y = j, i
		}
		v := float64(s.img.Value(y*s.img.Width + x))
		if v-v != 0 {
			continue
		}
		l, noise := s.m.At(float64(x), float64(y))
		if d := (v - l) / noise; math.Abs(d) < bandClip {
			values[k] = v - l
			k++
		}
	}
	if k < MinSamples {
		return 0, 0, false
	}
	// The median finds the middle, the mean of what is near it is more exact.
	slices.Sort(values[:k])
	mid := values[k/2]
	width := (values[k*84/100] - values[k*16/100]) / 2
	var sum, sum2, m float64
	for _, v := range values[:k] {
		if d := v - mid; math.Abs(d) <= robust.ClipSigma*width {
			sum += d
			sum2 += d * d
			m++
		}
	}
	if m < 2 {
		return 0, 0, false
	}
	mean := sum / m
	return mid + mean, math.Sqrt(max(0, sum2/m-mean*mean)), true
}

// bandClip, in noise of a pixel, keeps stars out of a line and the line's own
// offset in.
const bandClip = 6
