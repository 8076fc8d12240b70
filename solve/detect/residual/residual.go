package residual

import (
	"context"
	"math/bits"

	"polard/solve/detect/background"
	"polard/solve/detect/raster"
	"polard/solve/parallel"
)

// Image is the residual image.
type Image struct {
	Source     raster.Image
	Sky        *background.Map
	Levels     []*Level    // Levels[i].Scale is 1<<i
	Bad        raster.Mask // pixels without a usable value: missing, dead, hot
	Hot        int         // single bright pixels that were replaced
	High, Low  int         // pixels in company far above the sky, and far below it
	Saturation Saturation

	maxima   []Maximum // of the finest level
	suspects []suspect
}

const (
	// brightSigma is the height, in noise of a pixel, from which single pixels
	// are looked at: one in 3.5 million does so by chance.
	brightSigma = 5
	// bandRows is the height of the bands that are shared out; a multiple of
	// the coarsest level's pixel.
	bandRows = 64
	// noiseRows share a row of noise, which changes little over a tile.
	noiseRows = 8
	// checkEvery so many suspects it is checked whether the context has ended.
	checkEvery = 1 << 14
)

// New takes the background off an image and replaces missing, single bright and single dark pixels. What lay in the
// room before is of no use afterwards. The error is ctx's.
func New(ctx context.Context, workers int, img raster.Image, sky *background.Map, room *Room) (*Image, error) {
	r := &Image{Source: img, Sky: sky, Bad: raster.NewMask(img.Width, img.Height), Levels: room.levels(img.Width, img.Height)}
	top := make([]float32, img.Height)
	bands := make([]band, (img.Height+bandRows-1)/bandRows)
	cleaners := make([]*cleaner, workers)
	err := parallel.Each(ctx, workers, len(bands), func(w, i int) {
		if cleaners[w] == nil {
			cleaners[w] = newCleaner(img, sky, r.Bad)
		}
		c := cleaners[w]
		c.band = newBand(img.Width)
		y0, y1 := i*bandRows, min(img.Height, (i+1)*bandRows)
		for y := y0; y < y1 && ctx.Err() == nil; y++ {
			if (y-y0)%noiseRows == 0 {
				sky.NoiseRow(min(y+noiseRows/2, img.Height-1), c.noise)
			}
			top[y] = c.row(y, r.Levels[0].Pix[y*img.Width:(y+1)*img.Width])
		}
		for k := 1; k < len(r.Levels); k++ {
			halve(r.Levels[k-1], r.Levels[k], y0>>k, min(y1>>k, r.Levels[k].Height))
		}
		bands[i] = c.band.finished()
	})
	if err != nil {
		return nil, err
	}
	var flat flatTop
	for _, b := range bands {
		r.suspects = append(r.suspects, b.suspects...)
		r.maxima = append(r.maxima, b.smooth.list...)
		r.maxima = append(r.maxima, b.structured.list...)
		r.Hot += b.hot
		r.High += b.high
		r.Low += b.low
		flat.merge(b.flat)
	}
	r.Saturation = newSaturation(img, top, flat, r.maxima)
	return r, nil
}

// Level is the one of the given scale.
func (r *Image) Level(scale int) *Level { return r.Levels[bits.TrailingZeros(uint(scale))] }

// WithoutSharp is the image with the pixels replaced whose neighbours hold less than share of them, now that the
// narrowest possible star is known. It takes over the memory of r, which is of no use afterwards. The error is ctx's.
func (r *Image) WithoutSharp(ctx context.Context, share float32) (*Image, error) {
	out := *r
	l := r.Levels[0]
	for k, s := range r.suspects {
		if k%checkEvery == 0 && ctx.Err() != nil {
			break
		}
		x, y := int(s.x), int(s.y)
		if r.Bad.Get(x, y) || x == 0 || y == 0 || x == l.Width-1 || y == l.Height-1 {
			continue
		}
		i := y*l.Width + x
		v := l.Pix
		// Once more on the cleaned level: a neighbour may have been replaced.
		if min(max(v[i-1], v[i+1]), max(v[i-l.Width], v[i+l.Width])) >= share*v[i] {
			continue
		}
		r.Bad.Set(x, y)
		out.Hot++
		v[i] = (v[i-1] + v[i+1] + v[i-l.Width] + v[i+l.Width]) / 4
	}
	out.suspects = nil
	return &out, ctx.Err()
}
