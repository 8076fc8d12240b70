package match

import (
	"math/bits"

	"polard/solve/match/proof"
)

// occupancy tells in one look whether a detection lies near a place.
type occupancy struct {
	bits []uint64 // one for each cell
	nx   int
	ny   int
	side float64
	fill float64 // part of the cells that are set: the odds of a chance hit
}

func newOccupancy(s proof.Detections, tol float64) *occupancy {
	o := &occupancy{side: tol / 1.25}
	o.nx, o.ny = int(float64(s.Width)/o.side)+3, int(float64(s.Height)/o.side)+3
	o.bits = make([]uint64, (o.nx*o.ny+63)/64)
	for _, z := range s.At {
		x0, x1 := int((real(z)-tol)/o.side)+1, int((real(z)+tol)/o.side)+1
		y0, y1 := int((imag(z)-tol)/o.side)+1, int((imag(z)+tol)/o.side)+1
		for y := max(y0, 0); y <= min(y1, o.ny-1); y++ {
			for x := max(x0, 0); x <= min(x1, o.nx-1); x++ {
				c := y*o.nx + x
				o.bits[c/64] |= 1 << (c % 64)
			}
		}
	}
	set := 0
	for _, b := range o.bits {
		set += bits.OnesCount64(b)
	}
	o.fill = float64(set) / float64(o.nx*o.ny)
	return o
}

func (o *occupancy) near(z complex128) bool {
	x, y := int(real(z)/o.side)+1, int(imag(z)/o.side)+1
	c := y*o.nx + x
	return x >= 0 && y >= 0 && x < o.nx && y < o.ny && o.bits[c/64]>>(c%64)&1 != 0
}
