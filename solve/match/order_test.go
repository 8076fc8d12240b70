package match

import (
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// TestQuietFirst: each star once; smooth ones first, in either part in the order given; and nothing is
// moved while few of the brightest are before a structured sky.
func TestQuietFirst(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var stars []Detection
		bad := 0
		for _, structured := range rapid.SliceOfN(rapid.Bool(), 0, 90).Draw(t, "rough") {
			s := Detection{Flux: 1e4, SNR: 100, Height: 100}
			if structured {
				s.SNR /= 2 * structuredNoise
				bad++
			}
			stars = append(stars, s)
		}
		order, smooth := smoothSkyFirst(stars)
		sorted := slices.Sorted(slices.Values(order))
		for i, k := range sorted {
			if i != k {
				t.Fatalf("order %v", order)
			}
		}
		if len(order) != len(stars) || !slices.IsSorted(order[:smooth]) || !slices.IsSorted(order[smooth:]) {
			t.Fatalf("order %v, %d quiet", order, smooth)
		}
		for i, k := range order {
			if structured := stars[k].SNR < 100; smooth < len(stars) && structured != (i >= smooth) {
				t.Fatalf("star %d is rough: %v, at %d of %d quiet", k, structured, i, smooth)
			}
		}
		// More than a tenth must be smooth to tell the others.
		if n := len(stars); n > 0 && n <= mostImageStars && float64(bad) >= structuredPart*float64(n) && bad < n*9/10-1 && smooth != n-bad {
			t.Fatalf("%d of %d are rough, %d taken for quiet", bad, n, smooth)
		}
	})
}

// TestLitLandscapeComesLast: where more is saturated than forms patterns, the stars are the others, however
// quietly the landscape shines.
func TestLitLandscapeComesLast(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lamps := rapid.IntRange(mostImageStars+1, 300).Draw(t, "lamps")
		var stars []Detection
		for range lamps {
			noise, height := rapid.Float64Range(1, 1e6).Draw(t, "noise"), rapid.Float64Range(1, 1e4).Draw(t, "height")
			stars = append(stars, Detection{Flux: 1e9, SNR: 1e9 / noise, Height: height, Saturated: true})
		}
		for range 40 {
			stars = append(stars, Detection{Flux: 1e4, SNR: 100, Height: 100})
		}
		order, smooth := smoothSkyFirst(stars)
		if smooth != 40 || slices.Min(order[:smooth]) != lamps {
			t.Fatalf("%d of 40 stars come first, the first of them %d", smooth, slices.Min(order[:smooth]))
		}
	})
}
