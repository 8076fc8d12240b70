package solve

import (
	"context"
	"slices"
	"strings"
	"testing"

	"polard/solve/detect"
)

func caseNamed(t *testing.T, prefix string) skyCase {
	t.Helper()
	i := slices.IndexFunc(skyCases, func(c skyCase) bool { return strings.HasPrefix(c.name, prefix) })
	if i < 0 {
		t.Fatalf("no case %q", prefix)
	}
	return skyCases[i]
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

// Frames in which two to six uncatalogued sources as bright come to each catalogue star.
func TestMostlyUncatalogued(t *testing.T) {
	if testing.Short() || raceEnabled {
		t.Skip("large levels of the index")
	}
	c := caseNamed(t, "infra-red")
	for degrees, seed := range map[float64]uint64{4: 3415456077030540965, 16: 3415449479960771699, 60: 3415451678984028121} {
		s, img := drawScene(c, degrees, seed)
		det, err := detect.Find(context.Background(), img)
		if err != nil {
			t.Fatal(err)
		}
		if why, _, _ := s.solveScene(det, Hint{Scale: s.camera.Scale * 1.03, Epoch: s.epoch}); why != "" {
			t.Errorf("%g degrees: %s", degrees, why)
		}
	}
}
