package fit

import (
	"context"
	"math"
	"slices"

	"polard/solve/detect/psf"
	"polard/solve/parallel"
)

// Noise is the variance of a pixel in a star's light: that of the sky, plus
// shot times the star's value there, plus PSFError2 times the square of half the star's peak.
// Shot is the inverse gain: pixel values for each electron. The last term stands
// for how stars differ from the PSF (a PSF that changes over the field, pixels
// that are not alike, drift): errors as large in the flanks as in the middle,
// which for the place of the star act like noise.
type Noise struct {
	Shot, PSFError2 float64
}

const (
	// noiseStars clean stars show shot noise and error of the PSF: the brightest, and
	// as many spread over the rest, since the one grows with the light and the
	// other with its square.
	noiseStars = 64
	// noiseStarSigma: fainter ones are all sky noise.
	noiseStarSigma = 6
	noiseRounds    = 8
	// noiseClip bounds one pixel's squared residual in units of its variance, so
	// that a neighbour or a cosmic ray does not speak for all; the mean of chi^2
	// clipped there is noiseClipMean.
	noiseClip     = 12.0
	noiseClipMean = 0.9943
	// firstPSFError is assumed until it is measured.
	firstPSFError = 0.02
)

// FirstNoise is assumed until it is measured.
var FirstNoise = Noise{PSFError2: firstPSFError * firstPSFError}

// residualSum is what the pixels of a star leave in one sum over them, squared, with the means of
// what it should be made of.
type residualSum struct{ e2, sky2, model, half2 float64 }

// MeasureNoise fits the noise model to the residuals of stars by iterated weighted
// least squares. A star that is wider than the PSF, or has other wings, leaves much, and all of
// it even about the centre: its place does not suffer. So only sums count that are odd; but where
// noise is correlated from pixel to pixel, and that is known over two pixels only, single pixels: either alone makes the
// variances wrong (TestCovarianceIsTrue, TestCovarianceOfMosaics). The error is ctx's.
func MeasureNoise(ctx context.Context, workers int, g Given, sources []Source) (Noise, error) {
	shown := noiseSample(sources)
	g.Noise = FirstNoise
	fitters := newFitters(g, workers)
	left := make([][]residualSum, len(shown))
	err := parallel.Each(ctx, workers, len(shown), func(w, i int) {
		f, s := fitters[w], sources[shown[i]]
		switch f.fit(&s, sources); {
		case s.Failed:
		case g.PSF.Correlation.White():
			left[i] = oddResiduals(f, &s)
		default:
			left[i] = pixelResiduals(f, &s)
		}
	})
	used := 0
	for _, l := range left {
		if l != nil {
			used++
		}
	}
	if err != nil || used < psf.FewStars {
		return FirstNoise, err
	}
	return fitNoise(slices.Concat(left...)), nil
}

// noiseSample gives clean stars: the brightest and as many spread over the rest.
func noiseSample(sources []Source) []int {
	var clean []int
	for i := range sources {
		s := &sources[i]
		if !s.Failed && s.Full == 0 && !s.Hot && !s.Edge && !s.Streak && s.Residual < LargestResidual && s.Flux > noiseStarSigma*math.Sqrt(s.FluxVar) {
			clean = append(clean, i)
		}
	}
	shown := clean[:min(len(clean), noiseStars)]
	if rest := clean[len(shown):]; len(rest) > 0 {
		shown = slices.Clone(shown)
		for k := range min(len(rest), noiseStars) {
			shown = append(shown, rest[k*len(rest)/min(len(rest), noiseStars)])
		}
	}
	return shown
}

// fitNoise finds the model from what is left.
func fitNoise(list []residualSum) Noise {
	n := FirstNoise
	for range noiseRounds {
		var a11, a12, a22, b1, b2 float64
		for _, r := range list {
			v := r.sky2 + n.Shot*r.model + n.PSFError2*r.half2
			e2 := min(r.e2, noiseClip*v) / noiseClipMean
			w := 1 / (v * v)
			a11 += w * r.model * r.model
			a12 += w * r.model * r.half2
			a22 += w * r.half2 * r.half2
			b1 += w * r.model * (e2 - r.sky2)
			b2 += w * r.half2 * (e2 - r.sky2)
		}
		det := a11*a22 - a12*a12
		if !(det > 1e-9*a11*a22) {
			break
		}
		shot, psf2 := (b1*a22-b2*a12)/det, (a11*b2-a12*b1)/det
		switch {
		case psf2 < 0:
			shot, psf2 = max(0, b1/a11), 0
		case shot < 0:
			shot, psf2 = 0, max(0, b2/a22)
		}
		n = Noise{shot, psf2}
	}
	return n
}
