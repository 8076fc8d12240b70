package background

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"polard/solve/detect/raster"
	"polard/solve/parallel"
	"polard/solve/robust"
)

// Sizes of the background mesh.
const (
	// tilePixels is the side of a tile: large beside any star that a frame
	// for polar alignment shows, small beside gradients of moon, twilight and
	// vignetting.
	tilePixels = 64
	// mostTiles along the longer side: what the sky does within a frame does not grow finer with its pixels, and where it does
	// after all, Finer finds it.
	mostTiles = 64
	// minTilePixels keeps a few hundred samples in the tiles of tiny images.
	minTilePixels = 16
	// minTiles is how many tiles a side should have where the image allows.
	minTiles = 4
	// maxTileSamples bounds the pixels that speak for a tile: 1365 (every third)
	// give its median to 1.25/sqrt(1365) = 0.034 and its noise to 0.02 of the
	// pixel noise.
	maxTileSamples = 1400
	// MinSamples is the fewest valid pixels with which a tile counts;
	// others are filled in from their neighbours.
	MinSamples = 64
	// NoiseLag is the distance in columns of the pixel pairs whose difference
	// gives the noise. Differences do not see gradients; noise that interpolation
	// of a colour mosaic has made alike reaches two pixels, stars a few.
	NoiseLag = 5
)

const (
	// quantisationNoise is the standard deviation of rounding to whole steps,
	// 1/sqrt(12) of a step: no noise estimate goes below it.
	quantisationNoise = 0.2886751
	// leastRelativeNoise is the rounding of a float32, below which differences of
	// pixel values mean nothing.
	leastRelativeNoise = 1.0 / (1 << 22)
	// fullShare: pixels count as full a little below the stated value, where response bends.
	fullShare = 0.97
)

// Reasons why an image has no background.
var (
	ErrNoData   = errors.New("no usable pixels")
	ErrConstant = errors.New("all pixels have one value")
)

// tile is what was measured in one.
type tile struct {
	level, noise float32
	spread       float32 // spread of the values over their noise
	outside      float32 // part of the values that are far from the level
	valid        bool    // it has enough values
	silent       bool    // it shows no noise at all
}

// Measure takes level and noise of every tile from its clipped samples. The error is ErrNoData or
// ErrConstant when the image has none, or ctx's.
func Measure(ctx context.Context, workers int, img raster.Image) (*Map, error) {
	side := max(tilePixels, max(img.Width, img.Height)/mostTiles)
	n := func(size int) int {
		return max(1, min(size/minTilePixels, max(minTiles, (size+side/2)/side)))
	}
	m := &Map{mesh: mesh{nx: n(img.Width), ny: n(img.Height)}, values: valuesOf(img)}
	m.tileW = float64(img.Width) / float64(m.nx)
	m.tileH = float64(img.Height) / float64(m.ny)
	tiles := make([]tile, m.nx*m.ny)
	samples := make([]tileSamples, workers)
	err := parallel.Each(ctx, workers, m.ny, func(w, ty int) {
		for tx := range m.nx {
			samples[w].take(img, &m.mesh, m.values, tx, ty)
			tiles[ty*m.nx+tx] = samples[w].measure(m.values)
		}
	})
	if err != nil {
		return nil, err
	}
	m.tiles = newStructure(m.mesh, tiles)
	valid := make([]bool, len(tiles))
	silent := false
	for i, t := range tiles {
		m.level, m.noise, valid[i] = append(m.level, t.level), append(m.noise, t.noise), t.valid
		silent = silent || t.silent
	}
	if !slices.Contains(valid, true) {
		if err := checkValues(img); err != nil {
			return nil, err
		}
		return nil, fmt.Errorf("%w: too few have a value in any one part of the image", ErrNoData)
	}
	fill(m, valid)
	replaceSpoiled(m)
	m.leastNoise, m.medians = slices.Min(m.noise), newMedians(m.level, m.noise)
	if silent || img.Saturation > 0 && m.Level() >= float64(img.Saturation)*fullShare {
		if err := checkValues(img); err != nil {
			return nil, err
		}
	}
	return m, nil
}

// measure takes level and noise of the tile that was read last.
func (s *tileSamples) measure(of values) (t tile) {
	if len(s.value) < MinSamples {
		return t
	}
	level, spread := s.clip.Clipped(s.value)
	noise := spread
	if len(s.difference) >= MinSamples {
		_, pairSpread := s.clip.Clipped(s.difference)
		noise = min(spread, pairSpread/math.Sqrt2)
	}
	cutOff := float64(s.floor) > clippedShare*float64(len(s.value))
	if cutOff {
		level, noise = s.censored(of.lowest, level, noise)
	}
	t.valid, t.silent = true, noise == 0
	if noise > 0 {
		t.spread = float32(spread / noise)
	}
	t.level = float32(level)
	t.noise = max(float32(noise), quantisationNoise*of.step, leastRelativeNoise*float32(math.Abs(level)))
	if !cutOff { // what is left of a noise that is cut off lies far from its mean
		t.outside = s.outside(t.level, farSigma*t.noise)
	}
	return t
}

// checkValues says why an image whose sky looks odd cannot be used, or nil.
func checkValues(img raster.Image) error {
	first := float32(math.NaN())
	valid, full := 0, 0
	constant := true
	for _, v := range img.Pix {
		if v-v != 0 {
			continue
		}
		if valid == 0 {
			first = v
		}
		valid++
		constant = constant && v == first
		if img.Saturation > 0 && v >= img.Saturation {
			full++
		}
	}
	switch {
	case valid < MinSamples:
		return fmt.Errorf("%w: %d of %d have a value", ErrNoData, valid, len(img.Pix))
	case full > valid/10*9:
		return fmt.Errorf("%w: %d%% of the pixels are saturated: expose shorter", ErrNoData, 100*full/valid)
	case constant:
		return fmt.Errorf("%w (%g)", ErrConstant, first)
	}
	return nil
}

// fill gives tiles without data the mean of their neighbours, spreading
// outwards from the valid ones.
func fill(m *Map, valid []bool) {
	for slices.Contains(valid, false) {
		next := slices.Clone(valid)
		for i := range valid {
			if valid[i] {
				continue
			}
			var l, n float32
			k := 0
			m.around(i, func(j int) {
				if valid[j] {
					l += m.level[j]
					n += m.noise[j]
					k++
				}
			})
			if k > 0 {
				m.level[i], m.noise[i] = l/float32(k), n/float32(k)
				next[i] = true
			}
		}
		copy(valid, next)
	}
}

// spoiledExcess is how much noisier than its neighbours a tile must be to count
// as spoiled by a bright star, galaxy or lamp; the noise of 1365 samples is
// known to 2 percent, so honest tiles stay far below. Left as they are, 11 instead of 8 detections between nebulae are spurious.
const spoiledExcess = 1.5

// replaceSpoiled gives spoiled tiles the medians of their neighbours.
func replaceSpoiled(m *Map) {
	level, noise := slices.Clone(m.level), slices.Clone(m.noise)
	var ls, ns []float32
	for i := range level {
		ls, ns = ls[:0], ns[:0]
		m.around(i, func(j int) {
			ls = append(ls, level[j])
			ns = append(ns, noise[j])
		})
		if len(ns) < 3 {
			continue
		}
		if typical := robust.Median(ns); noise[i] > spoiledExcess*typical {
			m.level[i], m.noise[i] = robust.Median(ls), typical
		}
	}
}
