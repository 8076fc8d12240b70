package detect

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"runtime"
	"slices"

	"polard/mountmodel/sky"
	"polard/solve/detect/raster"
)

// Image is what is searched for stars.
type Image = raster.Image

// Detection is a point source found in an image.
type Detection struct {
	Pos        sky.Pixel
	Cov        [2][2]float64 // covariance of Pos, square pixels: xx, xy; xy, yy
	Flux       float64       // above the sky, in pixel values
	SNR        float64       // Flux over the error that the sky's noise gives it
	Height     float64       // of its maximum over the noise of the filtered frame around it, a rough sky included
	FWHM       float64       // full width at half maximum, pixels (geometric mean of both axes)
	Peak       float64       // highest pixel above the sky
	Elongation float64       // long axis over short axis, 1 is round
	Saturated  bool          // the core is full: place and flux come from what is around it
	Blended    bool          // the light overlaps that of a neighbour
	Edge       bool          // the light runs over the border or into missing data
	Aligned    bool          // it lies in a straight row of the brightest: a flashing lamp of an aircraft, pieces of a trail
}

// Result is all that [Find] found, brightest star first.
type Result struct {
	Detections []Detection
	Background float64 // median sky level, pixel values
	Noise      float64 // median noise of a pixel
	FWHM       float64 // of the frame's stars, pixels
	Elongation float64 // of the frame's stars: long axis over short
	Rejected   Rejected
	Negative   bool // stars are darker than the sky, as on a plate; fluxes are taken positive
}

// Rejected counts what was found and not taken for a star.
type Rejected struct {
	Hot    int // sharper than the optics can draw: hot pixels, cosmic rays
	Trails int // satellites, aircraft
	Blobs  int // not like the frame's stars: nebulae, galaxies, lamps, clouds
	Faint  int // beyond the number of stars that are kept
}

// Thresholds of the detection.
const (
	// peakSigma is the height over the noise of the filtered image at which a
	// maximum counts. A frame of 2 megapixels holds about 2e5 independent
	// places at a FWHM of 3 pixels; Gaussian noise puts one false peak among them.
	peakSigma = 4.5
	// footSigma is the height down to which pixels belong to an object.
	footSigma = 3
	// prominenceSigma and prominencePart are how far a secondary maximum must
	// stand above its saddle, in noise units and as part of the saddle's height
	// (shot noise and the wings of bright stars are about as rough as that).
	prominenceSigma = 3.5
	prominencePart  = 0.04
	// maxStars bounds the list: more stars cost time in the match and add
	// nothing to the attitude.
	maxStars = 5000
	// minSide is the smallest image side that holds a star and its sky.
	minSide = 16
)

// Reasons why an image cannot be searched for stars.
var (
	ErrNoImage  = errors.New("not an image")
	ErrNoData   = errors.New("no usable pixels")
	ErrConstant = errors.New("all pixels have one value")
)

// Find finds the stars of an image. It is deterministic and does not change
// the image; it uses up to GOMAXPROCS goroutines and about twice the memory of
// the pixels. Of a negative (a plate on which stars are dark) it finds the dark ones.
//
// The stages, each in its file:
//
//	sky level and noise by tiles, clipped statistics         background.go
//	a finer mesh where the sky changes within a tile         finersky.go
//	row and column patterns                                  banding.go
//	sky-subtracted canvases at 1, 1/2, 1/4, ... resolution;
//	hot, dead and missing pixels; the level of saturation    prepare.go
//	adaptive moments of the brightest objects                moments.go
//	the canvas, size, elongation and profile of the stars:
//	Moffat, trail or ring                                    psf.go
//	matched filter, noise of the filtered frame              filter.go
//	objects and their maxima, blends, streaks                objects.go
//	saturated and bleeding cores                             saturated.go
//	noise and gain from the frame, correlated noise          noise.go
//	least-squares fit of place and flux, covariance          centroid.go
//	what the profile does not hold, from bright stars        empirical.go
//	maxima to sources to stars, and what is none             sources.go
//
// The accuracy is that of the Cramer-Rao bound within a few percent from 1.5 pixels of
// FWHM upwards, from signal-to-noise 15 to 1000, and the variances stated are true to a tenth
// (TestCovarianceIsTrue): to a fifth in reduced mosaics (TestCovarianceOfMosaics). Where the PSF changes over the
// frame, the place of bright stars errs by some hundredths of a pixel, and the covariance says so.
func Find(ctx context.Context, img Image) (*Result, error) {
	if err := checkSize(img); err != nil {
		return nil, err
	}
	d, sunk, err := findStars(img)
	if err != nil || !sunk {
		return d, err
	}
	// Perhaps a negative.
	turned := Image{Width: img.Width, Height: img.Height, Pix: make([]float32, len(img.Pix))}
	for i, v := range img.Pix {
		turned.Pix[i] = -v
	}
	other, _, err := findStars(turned)
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

// findStars is Find for stars that are brighter than the sky. sunk tells that
// more of the frame lies far below the sky than above.
func findStars(img Image) (d *Result, sunk bool, err error) {
	workers := runtime.GOMAXPROCS(0)
	mesh, ok := measureSky(img, workers)
	if !ok || mesh.silent.Load() || mesh.saturated(img) {
		if err := checkValues(img); err != nil {
			return nil, false, err
		}
		if !ok {
			return nil, false, fmt.Errorf("%w: too few have a value in any one part of the image", ErrNoData)
		}
	}
	p := prepare(img, mesh, workers)
	m := p.starsPSF(false, workers)
	if finer := mesh.finer(img, m.imageFWHM(), workers); finer != nil {
		mesh = finer
		calm := p.calmOnly
		p.release()
		p = prepare(img, mesh, workers)
		first := m
		if m = p.starsPSF(calm, workers); m.fromStars == 0 && first.fromStars > 0 {
			m = first.onCanvas(p)
		}
	}
	if m.canvas.scale == 1 {
		p.replaceLone(m.loneShare())
	}
	alike := measureCorrelation(img, mesh)
	m.correlate(alike)
	peaks, lamps := p.markCores(m, p.findPeaks(m, workers), workers)
	sources := newSources(peaks, m)
	// The brightest show the PSF and the noise better; then all are fitted.
	p.fitAll(m, sources, min(len(sources), modelSources), sweeps, noiseModel{rough2: sq(firstRough)}, workers)
	if !p.calmOnly { // else the brightest are mostly no stars
		m = p.refine(m, sources[:min(len(sources), modelSources)], workers)
	}
	m.correlate(alike)
	noise := p.estimateNoise(m, sources, workers)
	p.loneOdds = p.hotOdds(sources[:min(len(sources), modelSources)])
	p.fitAll(m, sources, len(sources), sweeps, noise, workers)
	if p.empirical(m, sources, noise, workers) {
		noise = p.estimateNoise(m, sources, workers)
		p.fitAll(m, sources, len(sources), laterSweeps, noise, workers)
	}

	p.findLevel(m, sources[:min(len(sources), modelSources)])
	sunk = p.low > max(negativeLeast, negativePart*p.high)
	d = &Result{Background: median(mesh.level), Noise: median(mesh.noise), FWHM: m.imageFWHM()}
	long, short := ellipseAxes(m.xx, m.xy, m.yy)
	d.Elongation = long / short
	d.Rejected.Hot, d.Rejected.Blobs = p.hot, lamps
	for i := range sources {
		s, v := p.star(m, &sources[i])
		switch v {
		case isStar:
			d.Detections = append(d.Detections, s)
		case isHot:
			d.Rejected.Hot++
		case isTrail:
			d.Rejected.Trails++
		case isBlob:
			d.Rejected.Blobs++
		}
	}
	slices.SortFunc(d.Detections, func(a, b Detection) int {
		return cmp.Or(cmp.Compare(b.Flux, a.Flux), cmp.Compare(a.Pos.Y, b.Pos.Y), cmp.Compare(a.Pos.X, b.Pos.X))
	})
	sunk = sunk || len(d.Detections) < negativeFew && p.low > p.high
	if len(d.Detections) > maxStars {
		d.Rejected.Faint = len(d.Detections) - maxStars
		d.Detections = d.Detections[:maxStars]
	}
	at := func(s Detection) complex128 { return complex(s.Pos.X, s.Pos.Y) }
	rows := inRows(d.Detections, at)
	for i := range d.Detections {
		d.Detections[i].Aligned = rows[at(d.Detections[i])]
	}
	p.release()
	return d, sunk, nil
}

// findPeaks runs the matched filter and lists the maxima of all objects.
func (p *prepared) findPeaks(m *psf, workers int) []peak {
	strips := p.filterCanvas(m.canvas, newKernel(m, p.sky.coarse != nil), workers)
	runs, objects := connect(strips)
	long, _ := ellipseAxes(m.xx, m.xy, m.yy)
	found := make([][]peak, len(objects))
	inParallel(workers, len(objects), func(_, i int) {
		found[i] = runs.peaks(objects[i], fwhmPerSigma*long)
	})
	return slices.Concat(found...)
}

// loneShare is half of what the neighbours of a star's central pixel hold.
func (m *psf) loneShare() float32 {
	p0, _, _ := m.at(0, 0)
	px, _, _ := m.at(1, 0)
	py, _, _ := m.at(0, 1)
	return float32(max(loneShare, min(px, py)/p0/2))
}

func checkSize(img Image) error {
	if img.Width < minSide || img.Height < minSide {
		return fmt.Errorf("%w: %d x %d pixels, at least %d x %d are needed", ErrNoImage, img.Width, img.Height, minSide, minSide)
	}
	if len(img.Pix)/img.Width != img.Height || len(img.Pix)%img.Width != 0 {
		return fmt.Errorf("%w: %d pixel values for %d x %d", ErrNoImage, len(img.Pix), img.Width, img.Height)
	}
	return nil
}

// checkValues says why an image whose sky looks odd cannot be used, or nil.
func checkValues(img Image) error {
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
	case valid < minTileSamples:
		return fmt.Errorf("%w: %d of %d have a value", ErrNoData, valid, len(img.Pix))
	case full > valid/10*9:
		return fmt.Errorf("%w: %d%% of the pixels are saturated: expose shorter", ErrNoData, 100*full/valid)
	case constant:
		return fmt.Errorf("%w (%g)", ErrConstant, first)
	}
	return nil
}

func median(v []float32) float64 {
	s := slices.Clone(v)
	slices.Sort(s)
	return float64(s[len(s)/2])
}
