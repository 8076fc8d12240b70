package residual

import (
	"math"

	"polard/solve/detect/raster"
)

// Saturation is where an image is full.
type Saturation struct {
	// Value from which a pixel is full; +Inf when unknown.
	Value float32
	img   raster.Image
	top   []float32 // highest value of each row of the image
}

const (
	// fullShare: pixels count as full a little below the stated value,
	// where response bends and calibration has moved it.
	fullShare = 0.97
	// plateauTol: pixels of one plateau agree to this part of their value.
	plateauTol = 1e-3
	// plateauPixels of the eight neighbours belong to it.
	plateauPixels = 3
	// flatPixels in the frame are needed; the top of a broad star in coarse
	// steps may have a few. Where nobody states the value and it is not found so, 25 of 150 bleeding stars are lost.
	flatPixels = 10
)

// flatTop counts pixels that are level with several neighbours, at the highest
// value at which there are any.
type flatTop struct {
	value  float32
	pixels int
}

func (f *flatTop) merge(o flatTop) {
	switch {
	case o.pixels == 0:
	case f.pixels == 0 || o.value > f.value*(1+plateauTol):
		*f = o
	case o.value >= f.value*(1-plateauTol):
		f.value = max(f.value, o.value)
		f.pixels += o.pixels
	}
}

// newSaturation takes the stated value, or finds the one at which the image saturates when nobody said so:
// many pixels are level with their neighbours, and no star is higher.
func newSaturation(img raster.Image, top []float32, flat flatTop, maxima []Maximum) Saturation {
	s := Saturation{Value: float32(math.Inf(1)), img: img, top: top}
	switch {
	case img.Saturation > 0:
		s.Value = img.Saturation * fullShare
	case flat.pixels >= flatPixels:
		for _, m := range maxima {
			if img.Value(m.Y*img.Width+m.X) > flat.value*(1+plateauTol) {
				return s
			}
		}
		s.Value = flat.value * (1 - plateauTol)
	}
	return s
}

// Known tells whether any pixel may be full.
func (s *Saturation) Known() bool { return !math.IsInf(float64(s.Value), 1) }

// InRow tells whether row y of a level holds a full pixel.
func (s *Saturation) InRow(l *Level, y int) bool {
	for _, top := range s.top[y*l.Scale : (y+1)*l.Scale] {
		if top >= s.Value && s.Known() {
			return true
		}
	}
	return false
}

// In tells whether a level's pixel holds a full one.
func (s *Saturation) In(l *Level, x, y int) bool {
	return s.inBox(x*l.Scale, y*l.Scale, (x+1)*l.Scale, (y+1)*l.Scale)
}

// Near tells whether a full pixel lies in or next to a level's pixel.
func (s *Saturation) Near(l *Level, x, y int) bool {
	if !s.Known() {
		return false
	}
	return s.inBox(max(0, (x-1)*l.Scale), max(0, (y-1)*l.Scale), min(s.img.Width, (x+2)*l.Scale), min(s.img.Height, (y+2)*l.Scale))
}

func (s *Saturation) inBox(x0, y0, x1, y1 int) bool {
	for y := y0; y < y1; y++ {
		for i := y*s.img.Width + x0; i < y*s.img.Width+x1; i++ {
			if s.img.Value(i) >= s.Value {
				return true
			}
		}
	}
	return false
}
