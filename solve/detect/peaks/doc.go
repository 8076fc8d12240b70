// Package peaks finds what stands out of a residual image: the significant maxima of its correlation with the PSF, which
// is the best linear detector of stars in white noise (matched filter: North 1943, reprinted 1963 in Proc. IEEE 51, 1016). The PSF is
// approximated by a separable Gaussian, repeated along the trail or ring where there is one.
//
// In come a level of the residual image and the moments of the PSF, in its pixels; out go [Peak] values, heights in noise of the
// filtered level. Pixels above a threshold are joined to objects, and an object's maxima count where they stand out over their saddles
// (the merge tree of superlevel sets; deblending after Bertin and Arnouts 1996, A&AS 117, 393, section 6). Memory is bounded by the
// level's pixels: of these a part stands out at most (mostPixels, mostRuns), else thresholds are raised; 4 bytes are held for each pixel that does and 24 for
// each run of them, and 12 more for each pixel of the objects that are being flooded.
//
//	peaks.go      the recipe, thresholds
//	kernel.go     the filter for a PSF
//	convolve.go   rows of the level filtered
//	threshold.go  the noise of the filtered level, and the runs of pixels above it
//	objects.go    connected runs
//	maxima.go     the maxima of an object, one or many
//	flood.go      which of many stand out
package peaks
