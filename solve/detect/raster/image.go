package raster

// Image is what is searched for stars.
type Image struct {
	Width, Height int
	Pix           []float32 // row-major luminance; NaN where there is no data
	Saturation    float32   // value at which pixels are full; 0 when unknown
}
