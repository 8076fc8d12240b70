package raster

import (
	"math"
	"math/cmplx"
)

const (
	// rowPlaces on a straight line, to within rowWidth pixels, are the flashes of an aircraft's lamps
	// or pieces of a trail: of eighty places at random on a small frame, nine lie so in one of thousands.
	rowPlaces = 9
	rowWidth  = 2
	// mostInRows bounds the places that are looked at.
	mostInRows = 80
)

// Rows gives those places, of the first mostInRows, that lie in a row.
func Rows(places []complex128) map[complex128]bool {
	at := places[:min(len(places), mostInRows)]
	rows := make(map[complex128]bool)
	for i, a := range at {
		for _, b := range at[:i] {
			d := b - a
			if d == 0 {
				continue
			}
			within := rowWidth * cmplx.Abs(d)
			on := func(z complex128) bool { return math.Abs(imag((z-a)*cmplx.Conj(d))) <= within }
			n := 0
			for _, z := range at {
				if on(z) {
					n++
				}
			}
			if n < rowPlaces {
				continue
			}
			for _, z := range at {
				if on(z) {
					rows[z] = true
				}
			}
		}
	}
	return rows
}
