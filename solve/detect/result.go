package detect

import (
	"cmp"
	"slices"

	"polard/mountmodel/sky"
	"polard/solve/detect/raster"
)

// Image is what is searched for stars.
type Image = raster.Image

// Detection is a point source found in an image.
type Detection struct {
	Pos       sky.Pixel
	Cov       [2][2]float64 // covariance of Pos, square pixels: xx, xy; xy, yy
	Flux      float64       // above the sky, in pixel values
	SNR       float64       // Flux over the error that the sky's noise gives it
	Height    float64       // of its maximum over the noise of the filtered frame around it, a structured sky included
	Saturated bool          // the core is full: place and flux come from what is around it
	Blended   bool          // the light overlaps that of a neighbour
	Edge      bool          // the light runs over the border or into missing data
	Aligned   bool          // it lies in a straight row of the brightest: a flashing lamp of an aircraft, pieces of a trail
}

// Result is all that [Find] found, brightest star first.
type Result struct {
	Detections []Detection
	Background float64 // median sky level, pixel values
	Noise      float64 // median noise of a pixel
	FWHM       float64 // of the frame's stars, pixels
	Negative   bool    // stars are darker than the sky, as on a plate; fluxes are taken positive
}

// sort puts the detections in order, brightest first.
func (d *Result) sort() {
	slices.SortFunc(d.Detections, func(a, b Detection) int {
		return cmp.Or(cmp.Compare(b.Flux, a.Flux), cmp.Compare(a.Pos.Y, b.Pos.Y), cmp.Compare(a.Pos.X, b.Pos.X))
	})
}

// markRows marks the detections that lie in a row with others.
func (d *Result) markRows() {
	places := make([]complex128, len(d.Detections))
	for i, s := range d.Detections {
		places[i] = complex(s.Pos.X, s.Pos.Y)
	}
	rows := raster.Rows(places)
	for i := range d.Detections {
		d.Detections[i].Aligned = rows[places[i]]
	}
}
