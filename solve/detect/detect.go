package detect

import (
	"context"
	"runtime"
	"runtime/debug"
	"sync/atomic"

	"polard/solve/detect/background"
	"polard/solve/detect/fit"
	"polard/solve/detect/peaks"
	"polard/solve/detect/psf"
	"polard/solve/detect/raster"
	"polard/solve/detect/residual"
)

const (
	// maxStars bounds the list: more stars cost time in the match and add
	// nothing to the attitude.
	maxStars = 5000
	// modelSources of the highest show PSF and noise.
	modelSources = 160
)

// Reasons why an image cannot be searched for stars.
var (
	ErrNoImage  = raster.ErrNoImage
	ErrNoData   = background.ErrNoData
	ErrConstant = background.ErrConstant
)

// Find finds the stars of an image. It is deterministic and does not change
// the image; it uses up to GOMAXPROCS goroutines, which have ended when it returns, and 8 bytes of memory for each pixel besides the image's
// own 4. Of a negative (a plate on which stars are dark) it finds the dark ones. The error is one of the reasons
// above or, soon after ctx has ended, ctx's.
//
// The accuracy is that of the Cramer-Rao bound within a few percent from 1.5 pixels of
// FWHM upwards, from signal-to-noise 15 to 1000, and the variances stated are true to a tenth
// (TestCovarianceIsTrue): to a fifth in reduced mosaics (TestCovarianceOfMosaics). Where the PSF changes over the
// frame, the place of bright stars errs by some hundredths of a pixel, and the covariance says so.
func Find(ctx context.Context, img Image) (*Result, error) {
	if err := img.Check(); err != nil {
		return nil, err
	}
	room := new(residual.Room)
	if len(img.Pix) <= largeImage {
		if kept := spare.Swap(nil); kept != nil {
			room = kept
		}
		defer spare.Store(room)
	} else {
		debug.FreeOSMemory()
		defer debug.FreeOSMemory()
	}
	d, sunk, err := findBright(ctx, img, room)
	if err != nil || !sunk {
		return d, err
	}
	// Perhaps a negative.
	img.Negative, img.Saturation = !img.Negative, 0
	other, _, err := findBright(ctx, img, room)
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	if err != nil || len(other.Detections) <= negativeStars*len(d.Detections) {
		return d, nil
	}
	other.Negative, other.Background = true, -other.Background
	return other, nil
}

const (
	// negativePart: when pixels far below the sky, in company, are this many times those far
	// above it, and at least negativeLeast, the frame is looked at as a negative too. The
	// light of stars adds; only absorption, dust and the edges of clouds take away. Where too few
	// stars are found for a match, more below than above is enough.
	negativePart  = 3
	negativeLeast = 50
	negativeFew   = 7
	// negativeStars times as many stars must then show.
	negativeStars = 2
)

// largeImage is how many pixels decide what memory a computer needs: what lies about before they are searched, such as the
// bytes of their file, is given back, and so is the room for the search behind it. At 60 megapixels that takes some 50 ms of
// 1.6 s, and the process has 55 MB less at most, and 155 less when frames follow each other. Of a smaller image both wait for the next.
const largeImage = 32 << 20

// spare is the room of an image that is done: it serves the next. A pool would be emptied between two frames, for reading
// the next one takes collections of garbage.
var spare atomic.Pointer[residual.Room]

// findBright is Find for stars that are brighter than the sky. sunk tells that
// more of the image lies far below the sky than above.
func findBright(ctx context.Context, img Image, room *residual.Room) (d *Result, sunk bool, err error) {
	workers := runtime.GOMAXPROCS(0)
	sky, err := background.Measure(ctx, workers, img)
	if err != nil {
		return nil, false, err
	}
	sky, r, m, err := prepare(ctx, workers, img, sky, room)
	if err != nil {
		return nil, false, err
	}
	if m.Scale == 1 {
		if r, err = r.WithoutSharp(ctx, m.SharpShare(residual.SharpShare)); err != nil {
			return nil, false, err
		}
	}
	found, err := peaks.Find(ctx, workers, r, r.Level(m.Scale), m.Shape())
	if err != nil {
		return nil, false, err
	}
	candidates, err := withCores(ctx, workers, r, m, found)
	if err != nil {
		return nil, false, err
	}
	given, sources, err := measure(ctx, workers, fit.Given{Residual: r, PSF: m, Noise: fit.FirstNoise}, candidates, psf.MeasureCorrelation(img, sky))
	if err != nil {
		return nil, false, err
	}
	d = newClassifier(given, sources).result(sources)
	d.Background, d.Noise = sky.Level(), sky.Noise()
	sunk = r.Low > max(negativeLeast, negativePart*r.High) || len(d.Detections) < negativeFew && r.Low > r.High
	d.Detections = d.Detections[:min(len(d.Detections), maxStars)]
	d.markRows()
	return d, sunk, nil
}

// prepare takes the background off and chooses the PSF, and does both again where the background needs a finer mesh.
func prepare(ctx context.Context, workers int, img Image, sky *background.Map, room *residual.Room) (*background.Map, *residual.Image, *psf.Model, error) {
	r, first, err := residualAndPSF(ctx, workers, img, sky, room, false)
	if err != nil {
		return nil, nil, nil, err
	}
	finer, err := background.Finer(ctx, workers, img, sky, first.ImageFWHM())
	if err != nil || finer == nil {
		return sky, r, first, err
	}
	r, m, err := residualAndPSF(ctx, workers, img, finer, room, first.SmoothOnly)
	if err == nil && m.Stars == 0 && first.Stars > 0 {
		m = first.Everywhere()
	}
	return finer, r, m, err
}

func residualAndPSF(ctx context.Context, workers int, img Image, sky *background.Map, room *residual.Room, smooth bool) (*residual.Image, *psf.Model, error) {
	lines, err := background.WithLines(ctx, workers, img, sky)
	if err != nil {
		return nil, nil, err
	}
	r, err := residual.New(ctx, workers, img, lines, room)
	if err != nil {
		return nil, nil, err
	}
	m, err := psf.Find(ctx, workers, r, smooth)
	return r, m, err
}

// measure fits the candidates: the brightest, which show the PSF and the noise better, then all, and once more
// where the brightest show what the PSF's profile does not hold.
func measure(ctx context.Context, workers int, g fit.Given, candidates []fit.Candidate, c psf.Correlation) (fit.Given, []fit.Source, error) {
	g.PSF = g.PSF.Correlated(c)
	sources := fit.NewSources(candidates, g.Residual, g.PSF)
	brightest := min(len(sources), modelSources)
	sources, err := fit.All(ctx, workers, g, sources, brightest, fit.Rounds)
	if err != nil {
		return g, nil, err
	}
	if !g.PSF.SmoothOnly { // else the brightest are mostly no stars
		m, err := psf.Refine(ctx, workers, g.Residual, g.PSF, fit.Isolated(g.PSF, sources[:brightest]))
		if err != nil {
			return g, nil, err
		}
		g.PSF = m.Correlated(c)
	}
	if g.Noise, err = fit.MeasureNoise(ctx, workers, g, sources); err != nil {
		return g, nil, err
	}
	g.HotOdds = hotOdds(g.Residual.Hot, sources[:brightest])
	if sources, err = fit.All(ctx, workers, g, sources, len(sources), fit.Rounds); err != nil {
		return g, nil, err
	}
	m, err := fit.Empirical(ctx, workers, g, sources)
	if err != nil || m == g.PSF {
		return g, sources, err
	}
	g.PSF = m
	if g.Noise, err = fit.MeasureNoise(ctx, workers, g, sources); err != nil {
		return g, nil, err
	}
	sources, err = fit.All(ctx, workers, g, sources, len(sources), fit.LaterRounds)
	return g, sources, err
}
