package solve

import (
	"context"
	"slices"
	"testing"

	"polard/solve/detect"

	"pgregory.net/rapid"
)

// TestQuietFirst: each star once; quiet ones first, in either part in the order given; and nothing is
// moved while few of the brightest are before a rough sky.
func TestQuietFirst(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var stars []detect.Detection
		bad := 0
		for _, rough := range rapid.SliceOfN(rapid.Bool(), 0, 90).Draw(t, "rough") {
			s := detect.Detection{Flux: 1e4, SNR: 100, Height: 100}
			if rough {
				s.SNR /= 2 * noisySky
				bad++
			}
			stars = append(stars, s)
		}
		order, quiet := quietFirst(stars)
		sorted := slices.Sorted(slices.Values(order))
		for i, k := range sorted {
			if i != k {
				t.Fatalf("order %v", order)
			}
		}
		if len(order) != len(stars) || !slices.IsSorted(order[:quiet]) || !slices.IsSorted(order[quiet:]) {
			t.Fatalf("order %v, %d quiet", order, quiet)
		}
		for i, k := range order {
			if rough := stars[k].SNR < 100; quiet < len(stars) && rough != (i >= quiet) {
				t.Fatalf("star %d is rough: %v, at %d of %d quiet", k, rough, i, quiet)
			}
		}
		// More than a tenth must be quiet to tell the others.
		if n := len(stars); n > 0 && n <= mostImageStars && float64(bad) >= noisyPart*float64(n) && bad < n*9/10-1 && quiet != n-bad {
			t.Fatalf("%d of %d are rough, %d taken for quiet", bad, n, quiet)
		}
	})
}

// TestLitLandscapeComesLast: where more is saturated than forms patterns, the stars are the others, however
// quietly the landscape shines.
func TestLitLandscapeComesLast(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lamps := rapid.IntRange(mostImageStars+1, 300).Draw(t, "lamps")
		var stars []detect.Detection
		for range lamps {
			noise, height := rapid.Float64Range(1, 1e6).Draw(t, "noise"), rapid.Float64Range(1, 1e4).Draw(t, "height")
			stars = append(stars, detect.Detection{Flux: 1e9, SNR: 1e9 / noise, Height: height, Saturated: true})
		}
		for range 40 {
			stars = append(stars, detect.Detection{Flux: 1e4, SNR: 100, Height: 100})
		}
		order, quiet := quietFirst(stars)
		if quiet != 40 || slices.Min(order[:quiet]) != lamps {
			t.Fatalf("%d of 40 stars come first, the first of them %d", quiet, slices.Min(order[:quiet]))
		}
	})
}

// Frames in which bumps of cloud outnumber and outshine the stars: their width must be that of
// the stars, drawn with the FWHM of the scene and widened by the pixel.
func TestStarsBetweenClouds(t *testing.T) {
	c := caseNamed(t, "cloud over part")
	for degrees, seed := range map[float64]uint64{4: 8375318107052663435, 32: 7188251268692734395} {
		s, img := drawScene(c, degrees, seed)
		det, err := detect.Find(context.Background(), img)
		if err != nil {
			t.Fatal(err)
		}
		if det.FWHM < 0.8*s.fwhm || det.FWHM > 1.3*s.fwhm {
			t.Errorf("%g degrees: FWHM %.2f of %.2f", degrees, det.FWHM, s.fwhm)
		}
		if degrees == 4 {
			if why, _, _ := s.solveScene(det, Hint{Scale: s.camera.Scale * 1.03, Epoch: s.epoch}); why != "" {
				t.Errorf("%g degrees: %s", degrees, why)
			}
		}
	}
}
