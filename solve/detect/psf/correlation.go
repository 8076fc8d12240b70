package psf

import (
	"math"

	"polard/solve/detect/background"
	"polard/solve/detect/raster"
	"polard/solve/robust"
)

// Correlation is the correlation of the noise of pixels 0, 1 and 2 columns
// and rows apart: 1, 0, 0 for independent pixels. Interpolated colour mosaics
// and resampled frames differ from that.
type Correlation struct {
	x, y [3]float64
}

const (
	correlationSamples = 8192
	// leastCorrelation: the estimate is good to 0.02, and faint stars in crowded
	// fields make 0.1; smaller ones are taken as none.
	leastCorrelation = 0.15
	// correlatedFar is the most that pixels two apart are correlated, as a part of what neighbours are.
	correlatedFar = 0.35
)

// MeasureCorrelation compares differences of pixels 1 and 2 apart with those
// background.NoiseLag apart, on pixels spread over the frame.
func MeasureCorrelation(img raster.Image, sky *background.Map) Correlation {
	stride := max(1, len(img.Pix)/correlationSamples) | 1
	// Only where it is quiet: a landscape or clouds in the frame are alike over
	// many pixels.
	quiet := 1.5 * sky.LowerQuartileNoise()
	type sample struct {
		at    int
		noise float32
	}
	var samples []sample
	for at := 0; at < len(img.Pix); at += stride {
		level, n := sky.At(float64(at%img.Width), float64(at/img.Width))
		if n <= quiet && math.Abs(float64(img.Value(at))-level) <= robust.ClipSigma*n {
			samples = append(samples, sample{at, float32(n)})
		}
	}
	along := func(step int) [3]float64 {
		var spread [3]float64 // of differences at lags background.NoiseLag, 1, 2
		var clip robust.Clipper
		v := make([]float32, 0, len(samples))
		for i, lag := range [3]int{background.NoiseLag, 1, 2} {
			v = v[:0]
			for _, s := range samples {
				x, y := s.at%img.Width, s.at/img.Width
				if s.at+background.NoiseLag*step >= len(img.Pix) || step == 1 && x+background.NoiseLag >= img.Width {
					continue
				}
				d := img.Value(s.at+lag*step) - img.Value(s.at)
				if d-d != 0 {
					continue
				}
				d += sky.Dither(x, y, x+lag*step, y+1)
				v = append(v, d/s.noise)
			}
			if len(v) < background.MinSamples {
				return [3]float64{1, 0, 0}
			}
			_, spread[i] = clip.Clipped(v)
		}
		// Interpolation makes next neighbours far more alike than the next but one ([1 2 1] four times
		// as much, linear ones leave none); stars in a crowded field make both alike.
		r1, r2 := 1-sq(spread[1]/spread[0]), 1-sq(spread[2]/spread[0])
		if math.Abs(r1) < leastCorrelation || r2 > correlatedFar*r1 {
			return [3]float64{1, 0, 0}
		}
		return [3]float64{1, min(r1, 1), r2}
	}
	return Correlation{x: along(1), y: along(img.Width)}
}

// leastFactor: noise that alternates cancels in sums, but not for long.
const leastFactor = 0.25

// white is that of independent pixels.
var white = Correlation{x: [3]float64{1, 0, 0}, y: [3]float64{1, 0, 0}}

// White tells whether pixels are independent.
func (n Correlation) White() bool {
	return n == white
}

// Factor is how much larger the variance of the sum of pixels with the weights
// w (side by side squares) is than for independent pixels.
func (n Correlation) Factor(w []float32, side int) float64 {
	if n.White() {
		return 1
	}
	var sum, self float64
	for y := range side {
		for x := range side {
			v := float64(w[y*side+x])
			if v == 0 {
				continue
			}
			self += v * v
			for j := max(0, y-2); j <= min(side-1, y+2); j++ {
				for i := max(0, x-2); i <= min(side-1, x+2); i++ {
					sum += v * float64(w[j*side+i]) * n.x[max(i-x, x-i)] * n.y[max(j-y, y-j)]
				}
			}
		}
	}
	if self == 0 {
		return 1
	}
	return max(leastFactor, sum/self)
}
