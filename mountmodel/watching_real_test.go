package mountmodel_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"polard/catalogs"
	"polard/fits"
	"polard/mountmodel"
	"polard/mountmodel/axis"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
	"polard/solve"
)

// Four frames of one target in one night, at hour angles from -2 to +5 h, by a
// real mount that bends (not part of the project; see POLARD_REALFRAMES). What
// is known: the drift of the field over the night shows an axis 10 to 25
// arcminutes off, below the pole and east of it.
func TestWatchRealNight(t *testing.T) {
	folder := os.Getenv("POLARD_REALFRAMES")
	if folder == "" {
		t.Skip("POLARD_REALFRAMES does not name the folder of real frames")
	}
	cat, err := catalogs.Open()
	if err != nil {
		t.Fatal(err)
	}
	solver := solve.New(cat, time.Now, "")
	site := sky.Site{Latitude: 31.68 * sky.Degree, Longitude: -110.88 * sky.Degree, ElevationM: 1268}
	cfg := mountmodel.Config{Site: site, Air: sky.StandardAir(site.ElevationM), Tolerance: mountmodel.DefaultTolerance}
	paths, err := filepath.Glob(filepath.Join(folder, "sky", "mo_*.fits"))
	if err != nil || len(paths) != 4 {
		t.Fatalf("%d frames of the night in %s, want 4 (%v)", len(paths), folder, err)
	}
	var sightings []mountmodel.Sighting
	for _, path := range paths {
		frame, err := fits.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		solution, err := solver.First(t.Context(), solve.Image{Width: frame.Width, Height: frame.Height, Pix: frame.Pix, Saturation: frame.Saturation},
			solve.Hint{Scale: 5.164 * sky.Arcsecond, Epoch: observed.JulianEpoch(frame.Mid), Near: frame.Position})
		if err != nil {
			t.Fatal(err)
		}
		s := mountmodel.Sighting{Name: filepath.Base(path), Mid: frame.Mid}
		detector := solution.DetectorFrame()
		for _, p := range solution.Pairs {
			s.Pairs = append(s.Pairs, observed.Pair{Camera: sky.Camera(detector.Apply(sky.Vec(solution.Direction(p.Pixel)))), ICRS: p.ICRS, Sigma: p.Sigma})
		}
		sightings = append(sightings, s)
	}
	v, err := mountmodel.Watch(cfg, sightings)
	if err != nil || v.Watch.Frames != len(paths) {
		t.Fatalf("%v, %+v", err, v.Watch)
	}
	fit := v.Watch.Fit
	pole := observed.Pole(site, cfg.Air, observed.Refracted)
	off := axis.OffsetBetween(fit.Axis.Dir, pole)
	words := strings.Join(sky.English(fit.Sentences(pole)), " ")
	major, _, _ := fit.Axis.Ellipse()
	t.Log(words)
	for _, said := range []string{"below", "east", "bends"} {
		if !strings.Contains(words, said) {
			t.Errorf("%q is not said", said)
		}
	}
	if off.Total < 10*sky.Arcminute || off.Total > 25*sky.Arcminute {
		t.Errorf("offset %.1f arcmin, the drift of the field says 10 to 25", off.Total.Arcminutes())
	}
	// No exact truth is known, but an answer whose uncertainty is a fraction of
	// the model error would claim what four frames of a bending mount cannot give.
	if major < 1*sky.Arcminute || major > off.Total {
		t.Errorf("uncertainty %.1f arcmin", major.Arcminutes())
	}
}
