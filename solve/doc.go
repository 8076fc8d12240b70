// Package solve finds where an image points: detection of its stars (package detect), then their match with the catalogue
// (package match).
//
// In come pixel values, what is believed about them (scale, place, epoch) and, once, a catalogue; out comes a [Solution], with the
// attitude, the camera and the odds against chance, or a [Failure] that says what to do. The way of an image, each
// package once:
//
//	detect/background   level and noise of the sky
//	detect/residual     the image without them
//	detect/psf          the point-spread function
//	detect/peaks        what stands out
//	detect/fit          place and flux of it
//	detect              which of it are stars
//	match               patterns of stars, looked up in index, weighed by match/proof
//	camera              the camera, fitted to all stars of the proved match
//
// solver.go is the recipe, skylight.go how dark the sky is; parallel shares work among goroutines, robust has statistics with outliers.
package solve
