// Package raster holds what the stages of the detection have in common: the image as it comes from the camera,
// and a mask of pixels.
package raster
