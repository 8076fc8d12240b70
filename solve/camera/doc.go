// Package camera: pairs of detections and directions go in, a camera model comes out, its fit and its world coordinates.
package camera
