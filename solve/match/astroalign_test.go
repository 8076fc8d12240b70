package match

import (
	"bytes"
	"encoding/json"
	"math/rand/v2"
	"os"
	"os/exec"
	"slices"
	"testing"
	"time"

	"polard/mountmodel/sky"
	"polard/solve/camera/cameratest"
)

// astroalignScript times astroalign; see there.
const astroalignScript = "../testdata/astroalign/match.py"

// TestSpeedAgainstAstroalign times the match side by side with astroalign, which is
// given the brightest catalogue stars of the right field beforehand while we search the whole sky.
// It asserts no time; it runs only when POLARD_ASTROALIGN is set.
func TestSpeedAgainstAstroalign(t *testing.T) {
	if os.Getenv("POLARD_ASTROALIGN") == "" {
		t.Skip("POLARD_ASTROALIGN is not set")
	}
	python := os.Getenv("POLARD_PYTHON")
	if python == "" {
		python = "/usr/bin/python3"
	}
	if err := exec.Command(python, "-c", "import astroalign").Run(); err != nil {
		t.Skipf("%s has no module astroalign (%v); POLARD_PYTHON names another interpreter", python, err)
	}
	type given struct {
		Image     [][2]float64 `json:"image"`
		Catalogue [][2]float64 `json:"catalogue"`
		Centre    [2]float64   `json:"centre"`
		Within    float64      `json:"within"`
	}
	rng := rand.New(rand.NewPCG(19, 6))
	var input bytes.Buffer
	var hinted, blind []time.Duration
	const cases = 30
	for i := range cases + 1 { // the first builds the index and does not count
		spec := plainList(rng)
		spec.mirrored = true // the plane of the catalogue below has the same sense; astroalign turns, it does not flip
		list := drawList(rng, theCatalogue(), spec)
		for _, k := range []struct {
			hint  Hint
			times *[]time.Duration
		}{{list.hint(), &hinted}, {Hint{Epoch: list.epoch}, &blind}} {
			start := time.Now()
			sol, err := find(t.Context(), theIndex(), list.image, k.hint)
			if err != nil || list.off(sol) > list.Scale {
				t.Fatalf("case %d: %v", i, err)
			}
			if i > 0 {
				*k.times = append(*k.times, time.Since(start))
			}
		}
		if i == 0 {
			continue
		}
		c := given{Centre: [2]float64{list.Centre().X, list.Centre().Y}, Within: 2}
		for _, s := range list.image.Detections {
			c.Image = append(c.Image, [2]float64{s.Pos.X, s.Pos.Y})
		}
		// A plane of the truth, turned and scaled, in pixels about the centre.
		turned := list.Camera
		turned.Attitude.R = cameratest.AttitudeTo(sky.Vec(list.ICRS(list.Centre())), sky.Angle(rng.Float64())*sky.Turn, true)
		for _, s := range theCatalogue().Brightest(list.ICRS(list.Centre()), spec.field*5/8, len(list.image.Detections)) {
			if p, ok := turned.Pixel(turned.CameraFromICRS(s.At(list.epoch))); ok {
				c.Catalogue = append(c.Catalogue, [2]float64{p.X - turned.Centre().X, p.Y - turned.Centre().Y})
			}
		}
		if err := json.NewEncoder(&input).Encode(c); err != nil {
			t.Fatal(err)
		}
	}
	command := exec.Command(python, astroalignScript)
	command.Stdin, command.Stderr = &input, os.Stderr
	out, err := command.Output()
	if err != nil {
		t.Fatal(err)
	}
	var theirs []float64
	right := 0
	for d := json.NewDecoder(bytes.NewReader(out)); d.More(); {
		var line struct {
			MS    float64
			Right bool
		}
		if err := d.Decode(&line); err != nil {
			t.Fatal(err)
		}
		theirs = append(theirs, line.MS)
		if line.Right {
			right++
		}
	}
	if len(theirs) != cases {
		t.Fatalf("astroalign answered %d of %d cases", len(theirs), cases)
	}
	slices.Sort(theirs)
	slices.Sort(hinted)
	slices.Sort(blind)
	t.Logf("median of %d fields of 5 degrees: astroalign with the right stars %.1f ms (%d right), we over the whole sky %.1f ms with a scale, %.1f ms without",
		cases, theirs[cases/2], right, float64(hinted[cases/2].Microseconds())/1000, float64(blind[cases/2].Microseconds())/1000)
}
