package main

import (
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"polard/cmd/polard/internal/harness"
	"polard/mountmodel"
)

// What is asked of the numbers, in arcseconds, for each component
// on the sky.
const (
	axisWithin   = 5.0
	adjustWithin = 10.0
)

// surely is the chi-square with two degrees of freedom that an error in units
// of its claimed covariance exceeds once in ten thousand times: -2 ln 1e-4.
const surely = 18.42

// sharp is the largest uncertainty, in arcseconds on the sky, that may be
// claimed for the practice frames: their star noise allows 0.1 to 0.5, and up
// to twice that where the turn is small or the camera looks away from the pole.
const sharp = 1.5

// poleWithin is how closely the pole agrees with the truth, in arcseconds: the
// truth solves ERFA's refraction for it, good to a milliarcsecond near 30 to 60
// degrees of altitude.
const poleWithin = 0.01

// checkAxis compares an axis with the truth: within so many arcseconds, and no
// further off than its uncertainty can explain.
func checkAxis(t *testing.T, what string, got directionJSON, u uncertaintyJSON, altDeg, azDeg, within float64) {
	t.Helper()
	alt, onSky, az := differ(got, altDeg, azDeg)
	cos := math.Cos(altDeg * math.Pi / 180)
	r := u.Correlation
	x, y := alt/u.AltArcsec, az/u.AzArcsec
	chi2 := (x*x - 2*r*x*y + y*y) / (1 - r*r)
	t.Logf("%s: off by %.2f and %.2f arcsec on the sky, known to %.2f and %.2f, chi-square %.1f", what, alt, onSky, u.AltArcsec, u.AzArcsec*cos, chi2)
	if math.Abs(alt) > within || math.Abs(onSky) > within {
		t.Errorf("%s: off by %.2f and %.2f arcsec on the sky, at most %g allowed", what, alt, onSky, within)
	}
	if !(chi2 <= surely) {
		t.Errorf("%s: off by %.2f and %.2f arcsec, but known to %.2f and %.2f (correlation %.2f): chi-square %.1f", what, alt, onSky, u.AltArcsec, u.AzArcsec*cos, r, chi2)
	}
	if u.Stars.AltArcsec > sharp || u.Stars.AzArcsec*cos > sharp {
		t.Errorf("%s: known to %.2f and %.2f arcsec only by the stars", what, u.Stars.AltArcsec, u.Stars.AzArcsec*cos)
	}
}

// practiceSets are the sets of a kind below testdata/, and in the folder that
// POLARD_PRACTICE names, if it does.
func practiceSets(t *testing.T, kind string) []harness.PracticeSet {
	t.Helper()
	var sets []harness.PracticeSet
	for _, root := range []string{harness.PracticeFolder, os.Getenv("POLARD_PRACTICE")} {
		if root == "" {
			continue
		}
		folders, err := filepath.Glob(filepath.Join(root, kind+"_*"))
		if err != nil || len(folders) == 0 {
			t.Fatalf("no %s frames below %s (%v)", kind, root, err)
		}
		for _, folder := range folders {
			sets = append(sets, harness.Practice(t, folder))
		}
	}
	return sets
}

func TestAxisAgainstTruth(t *testing.T) {
	harness.NotUnderRace(t)
	for _, set := range practiceSets(t, "axis") {
		t.Run(filepath.Base(set.Folder), func(t *testing.T) {
			a := axisOf(t, append(set.SiteArgs(), set.Paths()...)...)
			checkAxis(t, "axis", *a.Axis, *a.Uncertainty, set.Start.AxisAlt, set.Start.AxisAz, axisWithin)
			if alt, az, _ := differ(a.Pole.directionJSON, set.Start.PoleAlt, set.Start.PoleAz); math.Hypot(alt, az) > poleWithin || a.Pole.Kind != "refracted" {
				t.Errorf("%s pole off by %.4f and %.4f arcsec", a.Pole.Kind, alt, az)
			}
			// The offset is the difference of the two.
			o := *a.Offset
			cos := math.Cos(set.Start.PoleAlt * math.Pi / 180)
			if math.Abs(o.AltArcmin-set.Start.Alt)*60 > axisWithin || math.Abs(o.AzArcmin-set.Start.Az)*60*cos > axisWithin || math.Abs(o.TotalArcmin-set.Start.Total)*60 > axisWithin {
				t.Errorf("offset %+v, truth %+v", o, set.Start)
			}
			if len(a.Frames) != len(set.Frames) {
				t.Fatalf("%d of %d frames told", len(a.Frames), len(set.Frames))
			}
			for i, f := range a.Frames {
				turned := set.Frames[i].Theta - set.Frames[0].Theta
				// The body's own axis is known to about its uncertainty over the
				// sine of the boresight's distance from it: an arcminute is ample.
				if f.TurnDeg == nil || f.ResidualArcsec == nil {
					t.Fatalf("%s: turn or residual not told: %+v", f.File, f)
				}
				if math.Abs(*f.TurnDeg-turned)*60 > 1 || !f.Solved || f.Status != "measures" {
					t.Errorf("%s: turned %.4f degrees, truth %.4f; %+v", f.File, *f.TurnDeg, turned, f)
				}
			}
			// Rigid simulated mounts: nothing to warn of, but that some of them were
			// drawn with the Sun up.
			for _, w := range a.Warnings {
				if w.Code != string(mountmodel.WarnDaylight) {
					t.Errorf("warning: %+v", w)
				}
			}
		})
	}
}

func TestAdjustAgainstTruth(t *testing.T) {
	harness.NotUnderRace(t)
	for _, set := range practiceSets(t, "adjust") {
		t.Run(filepath.Base(set.Folder), func(t *testing.T) {
			args := append(set.SiteArgs(), "--measure", strconv.Itoa(set.Measure))
			a := axisOf(t, append(args, set.Paths()...)...)
			checkAxis(t, "measured", *a.Axis, *a.Uncertainty, set.Start.AxisAlt, set.Start.AxisAz, axisWithin)
			if len(a.Frames) != set.Measure || len(a.Adjust) != len(set.Frames)-set.Measure {
				t.Fatalf("%d frames measure and %d adjust, want %d and %d", len(a.Frames), len(a.Adjust), set.Measure, len(set.Frames)-set.Measure)
			}
			for i, got := range a.Adjust {
				want := set.Frames[set.Measure+i]
				if filepath.Base(got.File) != want.File {
					t.Fatalf("frame %d is %s, want %s", i, got.File, want.File)
				}
				checkAxis(t, want.File, got.Axis, got.Uncertainty, want.AxisAlt, want.AxisAz, adjustWithin)
				if got.Tracking != set.Tracking {
					t.Errorf("%s: tracking %v, truth %v", want.File, got.Tracking, set.Tracking)
				}
			}
		})
	}
}
