package peaks

import (
	"context"
	"slices"

	"polard/solve/detect/raster"
	"polard/solve/detect/residual"
	"polard/solve/parallel"
)

// Peak is a significant maximum of the filtered level.
type Peak struct {
	X, Y    int
	Height  float32 // in noise of the filtered level
	Blended bool    // its object holds other maxima
	Streak  bool    // its object is a long thin line
}

// Thresholds of the detection.
const (
	// Sigma is the height over the noise of the filtered level at which a
	// maximum counts. A frame of 2 megapixels holds about 2e5 independent
	// places at a FWHM of 3 pixels; Gaussian noise puts one false peak among them.
	Sigma = 4.5
	// footSigma is the height down to which pixels belong to an object.
	footSigma = 3
	// lineLength, in long axes of the star (FWHM), and lineRatio of length over
	// width tell the trail of a satellite or an aircraft from stars.
	lineLength = 6
	lineRatio  = 5
)

// Find runs the matched filter for a PSF over a level and lists the maxima of all objects that stand out. Where more stands
// out than stars can (a torn image, a landscape), both thresholds are raised. The error is ctx's.
func Find(ctx context.Context, workers int, r *residual.Image, l *residual.Level, shape Shape) ([]Peak, error) {
	f := newFiltered(workers, r, l, newKernel(shape, r.Sky.Finer()))
	foot := float32(footSigma)
	strips, err := f.above(ctx, foot)
	if err == nil && strips == nil {
		if foot, err = f.quantile(ctx); err == nil {
			strips, err = f.above(ctx, foot)
		}
	}
	if err != nil {
		return nil, err
	}
	o, err := connect(ctx, strips, foot*(Sigma/footSigma), f.bound(mostFlooded))
	if err != nil {
		return nil, err
	}
	long, _ := shape.Axes()
	starLength := raster.FWHMPerSigma * long
	found := make([][]Peak, len(o.list))
	err = parallel.Each(ctx, workers, len(o.list), func(_, i int) {
		if len(o.list[i]) < largeObject {
			found[i] = o.peaks(ctx, o.list[i], starLength)
		}
	})
	for i, runs := range o.list { // one after the other, since they take memory
		if len(runs) >= largeObject {
			found[i] = o.peaks(ctx, runs, starLength)
		}
	}
	if err == nil {
		err = ctx.Err()
	}
	return highest(slices.Concat(found...)), err
}

// mostPeaks are listed at most.
const mostPeaks = 40000

// highest are the mostPeaks highest or, where many are of one height, less.
func highest(list []Peak) []Peak {
	if len(list) <= mostPeaks {
		return list
	}
	var h heights
	for i := range list {
		h.add(list[i].Height)
	}
	least := h.top(mostPeaks)
	return slices.Clone(slices.DeleteFunc(list, func(p Peak) bool { return p.Height < least }))
}

// largeObject has so many runs; those of stars have some hundreds at most.
const largeObject = 1 << 12
