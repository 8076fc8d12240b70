package raster

// Mask marks pixels. Rows do not share words, so that bands can be written
// at the same time.
type Mask struct {
	words int // per row
	bits  []uint64
}

// NewMask marks no pixel of an image of that size.
func NewMask(width, height int) Mask {
	n := (width + 63) / 64
	return Mask{n, make([]uint64, n*height)}
}

// Set marks a pixel.
func (b Mask) Set(x, y int) { b.bits[y*b.words+x/64] |= 1 << (x % 64) }

// Get tells whether a pixel is marked.
func (b Mask) Get(x, y int) bool { return b.bits[y*b.words+x/64]>>(x%64)&1 != 0 }
