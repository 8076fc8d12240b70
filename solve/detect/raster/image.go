package raster

import (
	"errors"
	"fmt"
	"slices"
)

// Image is what is searched for stars.
type Image struct {
	Width, Height int
	Pix           []float32 // row-major luminance; NaN where there is no data
	Saturation    float32   // value at which pixels are full; 0 when unknown
	Negative      bool      // stars are darker than the sky: every value counts with the opposite sign
}

// Value is that of pixel i, counted by rows.
func (m Image) Value(i int) float32 {
	if m.Negative {
		return -m.Pix[i]
	}
	return m.Pix[i]
}

// Row gives the values of columns x0 to x1-1 of row y, which may lie in the buffer; it is grown where it must be.
func (m Image) Row(y, x0, x1 int, buffer *[]float32) []float32 {
	row := m.Pix[y*m.Width+x0 : y*m.Width+x1]
	if !m.Negative {
		return row
	}
	*buffer = slices.Grow((*buffer)[:0], len(row))[:len(row)]
	for i, v := range row {
		(*buffer)[i] = -v
	}
	return *buffer
}

// MinSide is the smallest image side that holds a star and its sky.
const MinSide = 16

// ErrNoImage says that something is no image.
var ErrNoImage = errors.New("not an image")

// Check says what keeps the pixels from being an image that can be searched, or nil.
func (m Image) Check() error {
	if m.Width < MinSide || m.Height < MinSide {
		return fmt.Errorf("%w: %d x %d pixels, at least %d x %d are needed", ErrNoImage, m.Width, m.Height, MinSide, MinSide)
	}
	if len(m.Pix)/m.Width != m.Height || len(m.Pix)%m.Width != 0 {
		return fmt.Errorf("%w: %d pixel values for %d x %d", ErrNoImage, len(m.Pix), m.Width, m.Height)
	}
	return nil
}
