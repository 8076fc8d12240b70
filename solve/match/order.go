package match

import (
	"slices"
)

const (
	// noisySky: a star whose flux is less certain, by so much, than those of the frame's quietest
	// tenth are stands before a rough sky, or is a piece of it. The sky itself, by moonlight or vignetting,
	// changes less within a frame.
	noisySky = 1.6
	// The flux of a saturated star is known worse, and its height is cut off: up to so many times. Pieces of
	// a saturated landscape go far beyond. Where more are saturated than form patterns, it may be a lit
	// landscape, and if it is not, the others will do.
	overSky, overAround = 20, 100
	// noisyPart of the brightest mostImageStars must be so for the order to matter.
	noisyPart = 0.2
)

// smoothSkyFirst is the order of an image's stars that puts those of quiet sky first, brightest first, and
// then the others: the crest of a horizon, the rims of clouds and the lamps of an aircraft outshine the
// stars, and what is found there is seldom one. quiet is how many the first are; where the others are
// few, the order is that of brightness and all count as quiet.
func smoothSkyFirst(stars []Detection) (order []int, quiet int) {
	saturated := 0
	for i, s := range stars {
		order = append(order, i)
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
	rough := func(i int) bool {
		s := &stars[i]
		if s.Saturated {
			return lit || s.Flux/s.SNR > overSky*leastSky || s.Flux/s.Height > overAround*leastAround
		}
		return s.Aligned || s.Flux/s.SNR > noisySky*leastSky
	}
	early := min(len(stars), mostImageStars)
	n := 0
	for i := range early {
		if rough(i) {
			n++
		}
	}
	if float64(n) < noisyPart*float64(early) {
		return order, len(order)
	}
	for i := range order {
		if !rough(i) {
			quiet++
		}
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case rough(a) == rough(b):
			return 0
		case rough(b):
			return -1
		}
		return 1
	})
	return order, quiet
}
