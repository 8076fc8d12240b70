// Package raster holds what the stages of the detection have in common.
//
//	image.go    the image as it comes from the camera
//	mask.go     a mask of pixels
//	regions.go  connected pixels, by runs of rows
//	rows.go     places on straight lines
//	moments.go  second moments and their axes
package raster
