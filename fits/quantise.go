package fits

import (
	"math"
	"sync"
)

// dither is how real numbers were made whole (section 10.2): whether a random
// number was added before rounding, and whether zeros were kept exactly (10.2.1).
type dither int

const (
	noDither              dither = iota
	subtractiveDither            // SUBTRACTIVE_DITHER_1
	subtractiveDitherZero        // SUBTRACTIVE_DITHER_2
)

// ditherZero is the whole number that stands for exactly 0.0 under
// SUBTRACTIVE_DITHER_2 (section 10.2.1).
const ditherZero = -2147483646

// ditherLength is how many random numbers are used in turn (appendix I).
const ditherLength = 10000

// ditherSequence is the standard's own sequence of random numbers from 0 to 1
// (appendix I; Park & Miller 1988, Comm. ACM 31, 1192).
var ditherSequence = sync.OnceValue(func() *[ditherLength]float32 {
	var sequence [ditherLength]float32
	seed := int64(1)
	for i := range sequence {
		seed = seed * 16807 % 2147483647
		sequence[i] = float32(float64(seed) / 2147483647)
	}
	return &sequence
})

// ditherer walks through the sequence for one tile.
type ditherer struct {
	sequence    *[ditherLength]float32
	start, next int
}

// newDitherer is for the tile with the given number, counted from 0, in an
// image that begins at seed (ZDITHER0), from 1 to 10000.
func newDitherer(tile, seed int) ditherer {
	d := ditherer{sequence: ditherSequence(), start: (tile + seed - 1) % ditherLength}
	d.jump()
	return d
}

// jump goes to a place among the first 500 numbers, itself given by the sequence.
func (d *ditherer) jump() { d.next = int(d.sequence[d.start] * 500) }

func (d *ditherer) number() float64 {
	v := d.sequence[d.next]
	if d.next++; d.next == ditherLength {
		if d.start++; d.start == ditherLength {
			d.start = 0
		}
		d.jump()
	}
	return float64(v)
}

// quantised is how the whole numbers of a tile become real ones: zero +
// scale x number (section 10.2), less what was added.
type quantised struct {
	zero, scale float64
	blank       int64
	hasBlank    bool
	method      dither
}

// real gives the values of whole numbers to put.
func (q quantised) real(numbers []int32, d ditherer, put func(i int, v float64)) {
	for i, n := range numbers {
		x := float64(n)
		if q.method != noDither {
			// Every pixel uses up a number, also one that does not need it.
			x = x - d.number() + 0.5
		}
		switch {
		case q.hasBlank && int64(n) == q.blank:
			put(i, math.NaN())
		case q.method == subtractiveDitherZero && n == ditherZero:
			put(i, 0)
		default:
			put(i, float64(x*q.scale)+q.zero) // no fused multiply-add: the same everywhere
		}
	}
}
