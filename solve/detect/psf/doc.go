// Package psf chooses the point-spread function of an image: the level of the residual image on which stars are a few
// pixels wide, their size and elongation, and the profile that fits them best: Moffat's (1969, A&A 3, 455), drawn out along a trail
// where the telescope moved, or a ring where it was out of focus. Profiles are of the light as the pixels see it (the optical image
// convolved with the pixel), sampled at pixel centres: the effective PSF of Anderson and King 2000, PASP 112, 1360.
//
// In comes a residual image; out goes a [Model], tables in pixels of its level, which is never changed. It can be refined by fitted places, and
// what a mean residual of stars shows beyond the profile can be added, each giving a new one.
//
//	find.go         which level, objects and profile
//	similar.go      objects of one size
//	moments.go      adaptive moments (Bernstein and Jarvis 2002, AJ 123, 583)
//	refine.go       profile and shape once more, by the places of fits
//	trial.go        what a profile leaves of stars
//	model.go        tables of a star's light
//	empirical.go    a map of residuals added to the tables
//	light.go        the light of a star: its shape, trail and pixels
//	profile.go      radial profiles
//	normal.go       normal equations of a star's four parameters
//	correlation.go  how noise is correlated from pixel to pixel
package psf
