package residual

import "polard/solve/detect/raster"

// Level is the residual image at one resolution.
type Level struct {
	Width, Height int
	Scale         int // image pixels along one side of a level's pixel
	Pix           []float32
}

// ImagePixel converts a coordinate on the level to the image.
func (l *Level) ImagePixel(x float64) float64 {
	s := float64(l.Scale)
	return (x+0.5)*s - 0.5
}

// LevelPixel converts a coordinate on the image to the level.
func (l *Level) LevelPixel(x float64) float64 { return (x+0.5)/float64(l.Scale) - 0.5 }

// levelCount: the coarsest level has pixels of 16, for stars out of
// focus up to about 60 pixels.
const levelCount = 5

// Room is memory for the levels of one image, to be used again for the next: fresh memory of the size of a frame costs some
// percent of its search.
type Room struct{ pix []float32 }

// levels makes levels in the room; what is in them is of no meaning.
func (r *Room) levels(width, height int) (levels []*Level) {
	n := 0
	for i := 0; i < levelCount && (i == 0 || min(width, height) >= raster.MinSide); i++ {
		levels = append(levels, &Level{Width: width, Height: height, Scale: 1 << i})
		n += width * height
		width, height = width/2, height/2
	}
	if cap(r.pix) < n {
		r.pix = nil // before there is more
		r.pix = make([]float32, n)
	}
	rest := r.pix[:n]
	for _, l := range levels {
		l.Pix, rest = rest[:l.Width*l.Height], rest[l.Width*l.Height:]
	}
	return levels
}

// halve writes rows y0..y1-1 of the coarser level: means of two by two.
func halve(fine, coarse *Level, y0, y1 int) {
	for y := y0; y < y1; y++ {
		a := fine.Pix[2*y*fine.Width:][:2*coarse.Width]
		b := fine.Pix[(2*y+1)*fine.Width:][:2*coarse.Width]
		dst := coarse.Pix[y*coarse.Width:][:coarse.Width]
		for x := range dst {
			i := 2 * x
			dst[x] = (a[i] + a[i+1] + b[i] + b[i+1]) * 0.25
		}
	}
}
