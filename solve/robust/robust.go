// Package robust holds statistics of samples that are mostly noise, with some outliers.
package robust

import (
	"cmp"
	"math"
	"slices"
)

// Median is the middle value of a sample that has one at least, the upper one of an even number.
func Median[T cmp.Ordered](v []T) T {
	s := slices.Clone(v)
	slices.Sort(s)
	return s[len(s)/2]
}

const (
	// ClipSigma is the limit of clipped statistics, in standard deviations.
	ClipSigma = 3.0
	// clippedNoise undoes what clipping at 3 sigma takes off the standard
	// deviation of Gaussian noise: sqrt(1 - 6 phi(3)/(2 Phi(3) - 1)) = 0.9866.
	clippedNoise = 1 / 0.98658
	clipRounds   = 10
)

// Clipper is the work space of clipped statistics, to be used again and again: counts of equal bins and
// their running moments.
type Clipper struct {
	count        [bins]uint16
	n, sum, sum2 [bins + 1]float64
	pilot        []float32
}

const (
	bins = 256
	// span is the range in units of the first guess of the spread, so
	// that a bin is 1/16 of it.
	span = 16
	// pilotSamples give that first guess.
	pilotSamples = 63
)

// Clipped gives median and standard deviation of values that hold mostly
// noise: values beyond ClipSigma of the median are dropped until none is.
func (h *Clipper) Clipped(values []float32) (median, spread float64) {
	h.pilot = h.pilot[:0]
	for i := range pilotSamples { // sorted by insertion: of so few, the fastest way
		v, at := values[i*(len(values)-1)/(pilotSamples-1)], i
		h.pilot = append(h.pilot, v)
		for ; at > 0 && h.pilot[at-1] > v; at-- {
			h.pilot[at] = h.pilot[at-1]
		}
		h.pilot[at] = v
	}
	low, mid, high := h.pilot[10], h.pilot[31], h.pilot[52] // 16, 50 and 84 percent
	// The lower half is free of stars; where it is cut off (many values are
	// zero), the upper half speaks.
	guess := max(mid-low, (high-mid)/2)
	if !(guess > 0) {
		return float64(mid), 0
	}
	from := mid - guess*span/2
	perBin := bins / (guess * span)
	clear(h.count[:])
	for _, v := range values {
		if i := (v - from) * perBin; i >= 0 && i < bins {
			h.count[int(i)]++
		}
	}
	for i, c := range h.count {
		n, at := float64(c), float64(i)+0.5
		h.n[i+1] = h.n[i] + n
		h.sum[i+1] = h.sum[i] + n*at
		h.sum2[i+1] = h.sum2[i] + n*at*at
	}
	lo, hi := 0, bins
	for range clipRounds {
		n := h.n[hi] - h.n[lo]
		if n < 2 {
			break
		}
		half := h.n[lo] + n/2
		m, _ := slices.BinarySearch(h.n[lo:hi+1], half)
		m = max(lo, lo+m-1) // the bin in which the running count passes half
		median = float64(m)
		if c := h.n[m+1] - h.n[m]; c > 0 {
			median += (half - h.n[m]) / c
		}
		mean := (h.sum[hi] - h.sum[lo]) / n
		spread = math.Sqrt(max(0, (h.sum2[hi]-h.sum2[lo])/n-mean*mean-1.0/12))
		l := max(lo, int(median-ClipSigma*spread))
		u := min(hi, int(math.Ceil(median+ClipSigma*spread)))
		if (l == lo && u == hi) || u-l < 2 {
			break
		}
		lo, hi = l, u
	}
	width := float64(guess) * span / bins
	return float64(from) + median*width, clippedNoise * spread * width
}
