package solve

import "testing"

// Frames in which bumps of cloud outnumber and outshine the stars: their width must be that of
// the stars, drawn with the FWHM of the scene and widened by the pixel.
func TestStarsBetweenClouds(t *testing.T) {
	c := caseNamed(t, "cloud over part")
	for degrees, seed := range map[float64]uint64{4: 8375318107052663435, 32: 7188251268692734395} {
		s, img := drawScene(c, degrees, seed)
		det, err := Detect(img)
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
