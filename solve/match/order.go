package match

import (
	"cmp"
	"math"
	"slices"

	"polard/solve/match/proof"
)

const (
	// structuredNoise: a star whose flux is less certain, by so much, than those of the frame's smoothest
	// tenth are stands before a structured sky, or is a piece of it. The sky itself, by moonlight or vignetting,
	// changes less within a frame.
	structuredNoise = 1.6
	// The flux of a saturated star is known worse, and its height is cut off: up to so many times. Pieces of
	// a saturated landscape go far beyond. Where more are saturated than form patterns, it may be a lit
	// landscape, and if it is not, the others will do.
	overSky, overAround = 20, 100
	// structuredPart of the brightest mostImageStars must be so for the order to matter.
	structuredPart = 0.2
)

// smoothSkyFirst is the order of an image's stars that puts those of smooth sky first, brightest first, and
// then the others: the crest of a horizon, the rims of clouds and the lamps of an aircraft outshine the
// stars, and what is found there is seldom one. smooth is how many the first are; where the others are
// few, the order is that of brightness and all count as smooth.
func smoothSkyFirst(stars []Detection) (order []int, smooth int) {
	for i := range stars {
		order = append(order, i)
	}
	saturated := 0
	for _, s := range stars {
		if !(s.SNR > 0 && s.Height > 0) {
			return order, len(order)
		}
		if s.Saturated {
			saturated++
		}
	}
	lit := saturated > mostImageStars
	var sky, around []float64
	for _, s := range stars {
		if !lit || !s.Saturated {
			sky, around = append(sky, s.Flux/s.SNR), append(around, s.Flux/s.Height)
		}
	}
	if len(sky) == 0 {
		return order, len(order)
	}
	slices.Sort(sky)
	slices.Sort(around)
	leastSky, leastAround := sky[len(sky)/10], around[len(around)/10]
	structured := func(i int) bool {
		s := &stars[i]
		if s.Saturated {
			return lit || s.Flux/s.SNR > overSky*leastSky || s.Flux/s.Height > overAround*leastAround
		}
		return s.Aligned || s.Flux/s.SNR > structuredNoise*leastSky
	}
	early := min(len(stars), mostImageStars)
	n := 0
	for i := range early {
		if structured(i) {
			n++
		}
	}
	if float64(n) < structuredPart*float64(early) {
		return order, len(order)
	}
	var first, others []int
	for i := range stars {
		if structured(i) {
			others = append(others, i)
		} else {
			first = append(first, i)
		}
	}
	return slices.Concat(first, others), len(first)
}

// even keeps stars that have fewer than perCell brighter ones within the
// radius (pixels) in which a level of the index holds about that many: the
// image's own thinning to even density.
func even(s proof.Detections, radius float64, perCell, most int) proof.Detections {
	var kept []complex128
	for _, z := range s.At {
		brighter := 0
		for _, k := range kept {
			if sq(real(z-k))+sq(imag(z-k)) < radius*radius {
				brighter++
			}
		}
		if brighter < perCell {
			if kept = append(kept, z); len(kept) == most {
				break
			}
		}
	}
	s.At = kept
	return s
}

// localRankFirst orders detections by how many brighter ones lie around them, in a window
// of a quarter of the longer side, per area: so that no part of the image, be it
// crowded or clear, keeps the rest out.
func localRankFirst(s proof.Detections) proof.Detections {
	half := float64(max(s.Width, s.Height)) / 8
	all := s.At[:min(len(s.At), 2*mostGrowingStars)]
	type ranked struct {
		at   complex128
		rank float64
	}
	order := make([]ranked, len(all))
	for i, z := range all {
		n := 1
		for _, b := range all[:i] {
			if math.Abs(real(z-b)) < half && math.Abs(imag(z-b)) < half {
				n++
			}
		}
		w := min(real(z)+half, float64(s.Width)) - max(real(z)-half, 0)
		h := min(imag(z)+half, float64(s.Height)) - max(imag(z)-half, 0)
		order[i] = ranked{z, float64(n) / (w * h)}
	}
	slices.SortStableFunc(order, func(a, b ranked) int { return cmp.Compare(a.rank, b.rank) })
	s.At = make([]complex128, len(order))
	for i, o := range order {
		s.At[i] = o.at
	}
	return s
}
