package solve_test

import (
	"encoding/json"
	"errors"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"polard/fits"
	"polard/mountmodel/sky"
	"polard/solve"
)

func solver() *solve.Solver { return solve.SharedSolver() }

func readFrame(t testing.TB, path string) (solve.Image, solve.Hint) {
	t.Helper()
	f, err := fits.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	hint := solve.Hint{Scale: f.ScaleHint}
	if !f.Mid.IsZero() {
		hint.Epoch = 2000 + f.Mid.Sub(time.Date(2000, 1, 1, 12, 0, 0, 0, time.UTC)).Hours()/24/365.25
	}
	return solve.Image{Width: f.Width, Height: f.Height, Pix: f.Pix, Saturation: f.Saturation}, hint
}

// practiceTolerance is what the job asks of these frames (issue of the main job): centre within
// 3 arcsec of the truth that they were drawn from, with ERFA and the published Tycho-2.
const practiceTolerance = 3 * sky.Arcsecond

func TestPracticeFramesSolve(t *testing.T) {
	folders, err := filepath.Glob("../testdata/practice/solve_*")
	if err != nil || len(folders) == 0 {
		t.Fatal("no practice frames", err)
	}
	for i, folder := range folders {
		t.Run(filepath.Base(folder), func(t *testing.T) {
			data, err := os.ReadFile(filepath.Join(folder, "truth.json"))
			if err != nil {
				t.Fatal(err)
			}
			var truth struct {
				Scale  float64 `json:"scale_arcsec_px"`
				Frames []struct {
					File string
					RA   float64 `json:"ra_deg"`
					Dec  float64 `json:"dec_deg"`
				}
			}
			if err := json.Unmarshal(data, &truth); err != nil {
				t.Fatal(err)
			}
			img, hint := readFrame(t, filepath.Join(folder, truth.Frames[0].File))
			if hint.Scale == 0 || hint.Epoch < 2020 {
				t.Fatalf("the header gives scale %g, epoch %g", hint.Scale.Arcseconds(), hint.Epoch)
			}
			want := sky.ICRSFromRADec(sky.Angle(truth.Frames[0].RA)*sky.Degree, sky.Angle(truth.Frames[0].Dec)*sky.Degree)
			hints := map[string]solve.Hint{"scale of the header": hint}
			if !solve.RaceEnabled {
				hints["no hint"] = solve.Hint{Epoch: hint.Epoch}
			}
			if i == 0 && !solve.RaceEnabled {
				hints["wrong scale"] = solve.Hint{Scale: hint.Scale * 1.5, Epoch: hint.Epoch}
				hints["place"] = solve.Hint{Scale: hint.Scale, Near: &want, Epoch: hint.Epoch}
				hints["wrong place"] = solve.Hint{Scale: hint.Scale, Near: &sky.ICRS{X: -want.X, Y: -want.Y, Z: -want.Z}, Epoch: hint.Epoch}
			}
			for name, h := range hints {
				sol, err := solver().Solve(t.Context(), img, h)
				if err != nil {
					t.Errorf("%s: %v", name, err)
					continue
				}
				if off := sky.Separation(sol.ICRS(sol.Centre()), want); off > practiceTolerance {
					t.Errorf("%s: centre %.2f arcsec off", name, off.Arcseconds())
				}
				// A thousandth: differential refraction and aberration, which the truth's scale leaves out.
				if off := math.Abs(sol.Scale.Arcseconds()/truth.Scale - 1); off > 1e-3 {
					t.Errorf("%s: scale %g off", name, off)
				}
			}
		})
	}
}

func TestFramesWithoutSkyDoNotSolve(t *testing.T) {
	for _, folder := range []string{"nosky_000", "nosky_001"} {
		img, hint := readFrame(t, filepath.Join("../testdata/practice", folder, "f0.fits"))
		// Blind over the whole sky and all scales, where time allows.
		search := solver().Solve
		if testing.Short() || solve.RaceEnabled {
			search = solver().First
		}
		sol, err := search(t.Context(), img, hint)
		var failure *solve.Failure
		if sol != nil || !errors.As(err, &failure) {
			t.Fatalf("%s: solution %v, error %v", folder, sol, err)
		}
		if failure.Code == "" || failure.Message == "" {
			t.Errorf("%s: failure %+v does not say why", folder, failure)
		}
	}
}

// TestRealFrames needs a folder of frames from real telescopes, which is no part of the project:
// POLARD_REALFRAMES names it. The centres come from a polynomial fit to SEP's
// detections and Tycho-2, independent of this project.
func TestRealFrames(t *testing.T) {
	root := os.Getenv("POLARD_REALFRAMES")
	if root == "" {
		t.Skip("POLARD_REALFRAMES is not set")
	}
	for _, c := range []struct {
		file                string
		ra, dec, scale, rms float64
		mirrored            bool
	}{
		{"mo_171220013343", 31.2489, 46.7408, 5.163, 0.66, true},
		{"mo_171220033912", 31.1097, 46.8048, 5.164, 1.06, true},
		{"mo_171220062712", 30.8335, 46.8195, 5.164, 0.88, true},
		{"mo_171220083612", 30.6769, 46.7625, 5.165, 0.77, true},
		{"gs_polaris_5s", 11.3333, 88.8114, 77.619, 13.2, false},
		{"gs_cygnus_2s", 295.7483, 49.7825, 77.629, 16.21, false},
	} {
		img, hint := readFrame(t, filepath.Join(root, "sky", c.file+".fits"))
		hint = solve.Hint{Epoch: hint.Epoch} // blind
		sol, err := solver().Solve(t.Context(), img, hint)
		if err != nil {
			t.Errorf("%s: %v", c.file, err)
			continue
		}
		tolerance := max(15*sky.Arcsecond, sky.Angle(c.scale)*sky.Arcsecond)
		off := sky.Separation(sol.ICRS(sol.Centre()), sky.ICRSFromRADec(sky.Angle(c.ra)*sky.Degree, sky.Angle(c.dec)*sky.Degree))
		t.Logf("%s: %.1f arcsec off, %d of %d stars, rms %.2f arcsec, log10 odds %.0f, match %v",
			c.file, off.Arcseconds(), len(sol.Pairs), len(sol.Detected.Detections), sol.RMS.Arcseconds(), sol.Log10Odds, sol.Times.Match)
		if off > tolerance || sol.Mirrored != c.mirrored {
			t.Errorf("%s: %.1f arcsec off, mirrored %v", c.file, off.Arcseconds(), sol.Mirrored)
		}
	}
	for _, file := range []string{"lowell_allsky_000_overcast", "m13_dsi_5s_near_empty"} {
		img, hint := readFrame(t, filepath.Join(root, "nosky", file+".fits"))
		if sol, err := solver().Solve(t.Context(), img, hint); err == nil {
			t.Errorf("%s solved: %v", file, sol.ICRS(sol.Centre()))
		}
	}
}
