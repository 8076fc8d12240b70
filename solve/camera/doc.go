// Package camera models the camera that took an image: where it looks and how it maps the sky. In go pairs of
// a place in the image and a direction; out come the fitted camera with its errors and, on demand, its world
// coordinates in the keywords of FITS.
//
// The model is a tangent plane (TAN: Calabretta and Greisen 2002, A&A 395, 1077, section 5.1.3), radial
// distortion of two terms (Brown 1971, Photogrammetric Engineering 37, 855) about an axis, and the stretch that air
// and aberration give the sky. The fit is iteratively reweighted Gauss-Newton (Huber 1981, Robust Statistics), and
// takes the terms that the pairs demand (Schwarz 1978, Annals of Statistics 6, 461).
//
// Files, from the top:
//
//	terms.go   which terms the pairs demand
//	fit.go     the fit, its covariance, the attitude of the detector
//	wcs.go     keywords of FITS: TAN with SIP polynomials
//	camera.go  the model
package camera
