package residual

import (
	"sync"

	"polard/solve/detect/raster"
)

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

// spare is the memory of images that are done, kept until the next but one garbage
// collection: fresh memory of the size of a frame costs some percent of its search.
var spare sync.Pool

// newLevels makes room for the levels, all in one piece; what is in them is of no meaning.
func newLevels(width, height int) (levels []*Level, room []float32) {
	n := 0
	for i := 0; i < levelCount && (i == 0 || min(width, height) >= raster.MinSide); i++ {
		levels = append(levels, &Level{Width: width, Height: height, Scale: 1 << i})
		n += width * height
		width, height = width/2, height/2
	}
	if old, ok := spare.Get().(*[]float32); ok && cap(*old) >= n {
		room = (*old)[:n]
	} else {
		room = make([]float32, n)
	}
	rest := room
	for _, l := range levels {
		l.Pix, rest = rest[:l.Width*l.Height], rest[l.Width*l.Height:]
	}
	return levels, room
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
