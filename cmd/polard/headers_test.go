package main

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"polard/cmd/polard/internal/harness"
	"polard/cmd/polard/internal/pipeline"
	"polard/fits"
	"polard/mountmodel/sky"
	"polard/solve"

	"gonum.org/v1/gonum/spatial/r3"
)

// pythonWithAstropy finds an interpreter, which continuous integration installs.
func pythonWithAstropy(t *testing.T) string {
	t.Helper()
	for _, p := range []string{"python3", "/usr/bin/python3"} {
		if exec.Command(p, "-c", "import astropy").Run() == nil {
			return p
		}
	}
	if os.Getenv("CI") == "true" {
		t.Fatal("no Python with astropy")
	}
	t.Skip("no Python with astropy (Debian: python3-astropy)")
	return ""
}

// astropyWCS asks astropy.wcs, which stands on wcslib, for the place in the sky of
// each pixel, and for the pixel of each place in the sky, by the iterated
// inverse of A and B and by AP and BP.
const astropyWCS = `
import json, sys, warnings
import numpy as np
from numpy.polynomial.polynomial import polyval2d
from astropy.io import fits
from astropy.wcs import WCS
warnings.simplefilter("error")
warnings.filterwarnings("ignore", ".*Set MJD-")  # it adds the date in its own form
for line in sys.stdin:
    job = json.loads(line)
    with fits.open(job["header"]) as f:
        f.verify("exception")
        h = f[0].header
        w = WCS(h)
    sky = w.all_pix2world(job["pixels"], 0)
    pixel = w.all_world2pix(job["places"], 0, tolerance=1e-7, maxiter=60)
    # The linear part alone, then AP and BP as the convention defines them.
    uv = w.wcs_world2pix(job["places"], 1) - w.wcs.crpix
    sip = uv + np.stack([polyval2d(*uv.T, c) for c in (w.sip.ap, w.sip.bp)], axis=1) + w.wcs.crpix - 1
    print(json.dumps({"sky": sky.tolist(), "pixel": pixel.tolist(), "sip": sip.tolist(),
        "axes": [w.wcs.ctype[0], w.wcs.ctype[1], w.wcs.radesys], "equinox": h["EQUINOX"],
        "size": [h["FRAMECOL"], h["FRAMEROW"]], "date": h.get("DATE-OBS", "")}))
`

type wcsJob struct {
	Header string       `json:"header"`
	Pixels [][2]float64 `json:"pixels"`
	Places [][2]float64 `json:"places"`
}

type wcsAnswer struct {
	Sky, Pixel, SIP [][2]float64
	Axes            [3]string
	Equinox         float64
	Size            [2]int
	Date            string
}

func askAstropy(t *testing.T, jobs []wcsJob) []wcsAnswer {
	t.Helper()
	var in strings.Builder
	enc := json.NewEncoder(&in)
	for _, j := range jobs {
		if err := enc.Encode(j); err != nil {
			t.Fatal(err)
		}
	}
	command := exec.Command(pythonWithAstropy(t), "-c", astropyWCS)
	command.Stdin = strings.NewReader(in.String())
	command.Stderr = os.Stderr
	out, err := command.Output()
	if err != nil {
		t.Fatal(err)
	}
	var answers []wcsAnswer
	for d := json.NewDecoder(strings.NewReader(string(out))); d.More(); {
		var a wcsAnswer
		if err := d.Decode(&a); err != nil {
			t.Fatal(err)
		}
		answers = append(answers, a)
	}
	if len(answers) != len(jobs) {
		t.Fatalf("%d answers to %d headers", len(answers), len(jobs))
	}
	return answers
}

func inDegrees(d sky.ICRS) [2]float64 {
	ra, dec := sky.RADecFromICRS(d)
	return [2]float64{ra.Degrees(), dec.Degrees()}
}

// astropyRounding, pixels: degrees in double precision near right ascension 360
// at 0.5 arcsec per pixel, and the tolerance of the iteration.
const astropyRounding = 1e-5

// TestHeadersOfCameras: cameras of 0.4 to 60 degrees, mirrored or not, anywhere and
// near the poles, with distortion of several percent: astropy reads each
// header as strict FITS, and finds what each pixel shows and where each place falls.
func TestHeadersOfCameras(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 1))
	folder := t.TempDir()
	var jobs []wcsJob
	var solutions []*solve.Solution
	var residuals []float64
	for k := range 60 {
		s := &solve.Solution{}
		s.Width, s.Height, s.Mirrored = 1600, 1200, k%2 == 0
		field := sky.Angle(0.4*math.Pow(60/0.4, float64(k)/59)) * sky.Degree
		s.Scale = sky.Angle(2 * (field / 2).Tan() / 1600)
		s.Axis = s.Centre()
		corner := 1000 * s.Scale.Radians()
		if field > 3*sky.Degree {
			s.K1, s.K2 = 0.05*(2*rng.Float64()-1)/(corner*corner), 0.01*(2*rng.Float64()-1)/math.Pow(corner, 4)
			s.Axis.X += 20 * rng.NormFloat64()
			s.Axis.Y += 20 * rng.NormFloat64()
		}
		z := sky.Unit(sky.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()})
		if k%5 == 0 { // the pole in the field or next to it
			z = sky.Unit(sky.Vec{X: field.Radians() / 3 * rng.NormFloat64(), Y: field.Radians() / 3 * rng.NormFloat64(), Z: 1 - 2*float64(k/5%2)})
		}
		x := sky.Unit(r3.Cross(sky.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}, z))
		y := r3.Cross(z, x)
		if !s.Mirrored {
			y = r3.Scale(-1, y)
		}
		s.Attitude.R = sky.FromColumns(x, y, z)
		w, err := s.WCS()
		if err != nil {
			t.Fatalf("camera %d, %.1f degrees: %v", k, field.Degrees(), err)
		}
		j := wcsJob{Header: filepath.Join(folder, fmt.Sprint(k)+headerSuffix)}
		f, err := os.Create(j.Header)
		if err != nil {
			t.Fatal(err)
		}
		if err := fits.WriteHeader(f, &fits.Frame{Width: 1600, Height: 1200}, headerCards(s, w)...); err != nil {
			t.Fatal(err)
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
		for range 40 {
			p := sky.Pixel{X: 1600*rng.Float64() - 0.5, Y: 1200*rng.Float64() - 0.5}
			j.Pixels = append(j.Pixels, [2]float64{p.X, p.Y})
			j.Places = append(j.Places, inDegrees(s.ICRS(p)))
		}
		jobs, solutions, residuals = append(jobs, j), append(solutions, s), append(residuals, w.Residual)
	}
	worst := 0.0
	for k, a := range askAstropy(t, jobs) {
		s := solutions[k]
		if a.Axes != [3]string{"RA---TAN-SIP", "DEC--TAN-SIP", "ICRS"} || a.Equinox != 2000 || a.Size != [2]int{1600, 1200} {
			t.Errorf("camera %d: astropy reads %+v", k, a)
		}
		limit := 1.5*residuals[k] + astropyRounding // the residual is the largest on a grid, not everywhere
		for i, p := range jobs[k].Pixels {
			shown := sky.ICRSFromRADec(sky.Angle(a.Sky[i][0])*sky.Degree, sky.Angle(a.Sky[i][1])*sky.Degree)
			// A pixel of a wide tangent plane spans less sky at the corner than in the middle.
			off := float64(sky.Separation(shown, s.ICRS(sky.Pixel{X: p[0], Y: p[1]})) / s.Scale)
			iterated := math.Hypot(a.Pixel[i][0]-p[0], a.Pixel[i][1]-p[1])
			direct := math.Hypot(a.SIP[i][0]-p[0], a.SIP[i][1]-p[1])
			worst = max(worst, off, iterated, direct)
			if off > limit || iterated > limit || direct > limit {
				t.Fatalf("camera %d: pixel %v is off by %g pixels, its place by %g and %g; %g stated", k, p, off, iterated, direct, residuals[k])
			}
		}
	}
	t.Logf("%d cameras: the keywords differ from the camera by %.2g pixels at most", len(jobs), worst)
}

// headerPlaces is the promise of the headers: matched catalogue stars within a tenth
// of a pixel of where the fit has them.
const headerPlaces = 0.1

// TestSolveWritesHeaders: what the command writes for real pixels puts each
// matched catalogue star where it was found, to the fit's own residuals.
func TestSolveWritesHeaders(t *testing.T) {
	harness.NotUnderRace(t)
	folder := filepath.Join(t.TempDir(), "made by polard")
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	paths := append([]string{harness.PracticeFolder + "/solve_000/f0.fits"}, set.Paths()[1:3]...)
	status, stdout, stderr := call(t, append([]string{"solve", "--json", "--wcs", folder}, paths...)...)
	if status != exitDone || stderr != "" {
		t.Fatalf("status %d: %s", status, stderr)
	}
	p, err := pipeline.New()
	if err != nil {
		t.Fatal(err)
	}
	var jobs []wcsJob
	var solutions []*solve.Solution
	for i, line := range strings.Split(strings.TrimSpace(stdout), "\n") {
		var told solvedJSON
		if err := json.Unmarshal([]byte(line), &told); err != nil {
			t.Fatal(err)
		}
		hasShape(t, line, shapeOfSolved)
		if want := filepath.Join(folder, filepath.Base(paths[i])+headerSuffix); told.WCS != want {
			t.Errorf("told of header %q, want %q", told.WCS, want)
		}
		o := p.ReadFile(t.Context(), paths[i])
		if o.Solution == nil {
			t.Fatal(o.Problem)
		}
		j := wcsJob{Header: told.WCS}
		for _, pair := range o.Solution.Pairs {
			j.Pixels = append(j.Pixels, [2]float64{pair.Pixel.X, pair.Pixel.Y})
			j.Places = append(j.Places, inDegrees(pair.ICRS))
		}
		jobs, solutions = append(jobs, j), append(solutions, o.Solution)
	}
	for k, a := range askAstropy(t, jobs) {
		s := solutions[k]
		if !strings.HasPrefix(a.Date, "20") || a.Size != [2]int{s.Width, s.Height} {
			t.Errorf("%s: date %q, size %v", jobs[k].Header, a.Date, a.Size)
		}
		var sum, sumSIP float64
		for i, p := range jobs[k].Pixels {
			sum += math.Pow(math.Hypot(a.Pixel[i][0]-p[0], a.Pixel[i][1]-p[1]), 2)
			sumSIP += math.Pow(math.Hypot(a.SIP[i][0]-p[0], a.SIP[i][1]-p[1]), 2)
		}
		n := float64(len(s.Pairs))
		rms, rmsSIP, stated := math.Sqrt(sum/n), math.Sqrt(sumSIP/n), float64(s.RMS/s.Scale)
		t.Logf("%s: %d stars through the keywords to %.4f pixels, the fit says %.4f", filepath.Base(jobs[k].Header), len(s.Pairs), rms, stated)
		// Misplaced by d everywhere, the rms would grow to sqrt(rms^2 + d^2); the
		// least of it here is far below the promise.
		const much = headerPlaces * headerPlaces / 4
		if math.Abs(rms*rms-stated*stated) > much || math.Abs(rmsSIP*rmsSIP-stated*stated) > much {
			t.Errorf("%s: stars through the keywords are %.3f and %.3f pixels off, the fit's own residual is %.3f", jobs[k].Header, rms, rmsSIP, stated)
		}
	}
}

// TestHeaderFolder: what is not ours stays, what is ours is replaced, and a wrong
// folder is told before any frame is solved.
func TestHeaderFolder(t *testing.T) {
	harness.NotUnderRace(t)
	frame := harness.PracticeFolder + "/solve_000/f0.fits"
	folder := t.TempDir()
	target := filepath.Join(folder, "f0.fits"+headerSuffix)
	file := filepath.Join(folder, "a file")
	if err := os.WriteFile(file, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"--wcs"}, "stands without its value"},
		{[]string{frame, "--wcs", ""}, "give the folder"},
		{[]string{frame, "--wcs", file}, "is a file: give a folder"},
		{[]string{frame, "--wcs", filepath.Join(folder, "no", "such")}, "cannot be made"},
		{[]string{frame, harness.PracticeFolder + "/adjust_000/f0.fits", "--wcs", folder}, "would share the header"},
	} {
		status, stdout, stderr := call(t, append([]string{"solve"}, c.args...)...)
		if status != exitUsage || stdout != "" || !strings.Contains(stderr, c.says) {
			t.Errorf("%q: status %d, %q on standard output: %s", c.args, status, stdout, stderr)
		}
	}
	// Somebody else's file of that name, and a link to something.
	theirs := []byte("a shopping list")
	if err := os.WriteFile(target, theirs, 0o644); err != nil {
		t.Fatal(err)
	}
	status, _, stderr := call(t, "solve", frame, "--wcs", folder)
	if data, err := os.ReadFile(target); status != exitUsage || !strings.Contains(stderr, "not written by polard") || err != nil || string(data) != string(theirs) {
		t.Errorf("status %d, the file now holds %q (%v): %s", status, data, err, stderr)
	}
	if err := os.Remove(target); err != nil {
		t.Fatal(err)
	}
	for range 2 { // the second time over our own
		status, stdout, stderr := call(t, "solve", frame, "--wcs", folder)
		if status != exitDone || stderr != "" || !strings.Contains(stdout, "header "+target) {
			t.Fatalf("status %d: %s%s", status, stdout, stderr)
		}
		if err := free(target); err != nil {
			t.Error(err)
		}
	}
	// A frame without a solution gets no header, and nothing else lies around.
	status, _, _ = call(t, "solve", harness.PracticeFolder+"/nosky_000/f0.fits", "--wcs", filepath.Join(folder, "other"))
	if left, err := os.ReadDir(filepath.Join(folder, "other")); status != exitNot || err != nil || len(left) != 0 {
		t.Errorf("status %d, %v in the folder (%v)", status, left, err)
	}
}
