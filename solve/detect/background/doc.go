// Package background measures what lies under the stars of an image: the sky's level, the noise of a pixel, the
// offsets of rows and columns, and where the sky is structured (clouds, a horizon, nebulae) so that most of what
// stands out there is no star.
//
// In comes an image, row-major pixel values, NaN where there are none; out goes a [Map], in the image's pixel values, that is
// never changed afterwards. Level and noise of tiles of about 64 pixels are clipped statistics (in the manner of Bertin
// and Arnouts 1996, A&AS 117, 393); the noise comes from differences of pixels in a row, which see no gradient.
//
//	measure.go    tiles, what spoils them, images that have no background
//	samples.go    the pixels that speak for a tile; a sky cut off by the black level
//	map.go        level and noise at a pixel and along a row
//	structure.go  which tiles are structured
//	finer.go      a finer mesh where the sky changes within a tile
//	lines.go      offsets of rows and columns
package background
