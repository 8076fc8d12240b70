// Package fit fits the PSF to the maxima of a residual image by weighted least squares, neighbours subtracted (the method of
// DAOPHOT: Stetson 1987, PASP 99, 191, section III.D).
//
// In come candidates and what is [Given]: residual image, PSF, noise; out go [Source] values: place and flux in pixels of the PSF's
// level and pixel values above the sky, their variances, and how well the PSF describes them. Errors come from the noise of the pixels,
// propagated through the weights that were used. From the fits of bright stars it measures what the noise is made of, and what
// the PSF's profile does not hold.
//
//	source.go     candidates, sources and their neighbours
//	all.go        all fits, in rounds over blends
//	fitter.go     the fit of one source
//	judge.go      its errors, and how well it describes the pixels
//	size.go       the size of a star beside that of the PSF
//	noise.go      shot noise and what stars differ from the PSF by
//	left.go       what a fit leaves of a star's pixels
//	empirical.go  the mean residual of bright stars
package fit
