// Package residual makes the residual image: what is left of an image when its background is taken off and single
// hot, dead and missing pixels are replaced, at full, half, quarter, ... resolution, so that stars of any width are met at a
// level where they are a few pixels wide (an image pyramid: Burt and Adelson 1983, IEEE Trans. Comm. 31, 532, with means
// of two by two pixels).
//
// In comes an image and its background map; out goes an [Image] in pixel values above the sky. It holds 4 bytes a pixel
// for each level, which is 5.33 in all, one bit a pixel for the mask, and lists that are bounded by the pixels.
//
//	residual.go    the image: how it is made, bands of rows side by side
//	levels.go      the levels of the pyramid
//	clean.go       pixels far from the sky, judged by their neighbours
//	maxima.go      local maxima, from which the size of stars is taken
//	saturation.go  the value at which pixels are full, and where they are
package residual
