package match

import (
	"context"
	"flag"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"syscall"
	"testing"
	"time"

	"polard/catalogs/deep"
	"polard/catalogs/extract"
	"polard/mountmodel/sky"
	"polard/solve/camera/cameratest"
	"polard/solve/index"
)

// addedStars makes an added catalogue: stars scattered over a circle as they are in number by magnitude (a
// factor of 2.2 a magnitude), so many a square degree down to G = 17, merged with the bundled ones.
func addedStars(t testing.TB, center sky.ICRS, radius sky.Angle, perSquareDegree float64) *deep.Catalogue {
	t.Helper()
	rng := rand.New(rand.NewPCG(11, uint64(perSquareDegree)))
	n := int(2 * math.Pi * (1 - radius.Cos()) * 180 / math.Pi * 180 / math.Pi * perSquareDegree)
	r, w := io.Pipe()
	go func() {
		fmt.Fprintln(w, "ra,dec,pmra,pmdec,parallax,phot_g_mean_mag")
		turn := cameratest.AttitudeTo(sky.Vec(center), 0, true)
		for range n {
			z := 1 - rng.Float64()*(1-radius.Cos())
			s, c := math.Sincos(2 * math.Pi * rng.Float64())
			across := math.Sqrt(1 - z*z)
			ra, dec := sky.RADecFromICRS(sky.ICRS(turn.Apply(sky.Vec{X: across * c, Y: across * s, Z: z})))
			g := 17 + math.Log(rng.Float64())/math.Log(2.2)
			if g < 11.5 { // these are bundled
				continue
			}
			fmt.Fprintf(w, "%.9f,%.9f,%.3f,%.3f,%.3f,%.4f\n", ra.Positive().Degrees(), dec.Degrees(), 8*rng.NormFloat64(), 8*rng.NormFloat64(), rng.ExpFloat64(), g)
		}
		w.Close()
	}()
	folder := t.TempDir()
	b, err := deep.NewBuilder(folder, theCatalogue())
	if err != nil {
		t.Fatal(err)
	}
	defer b.Discard()
	table, err := extract.Open(r, nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := b.AddTable(context.Background(), table, 2016, func(int64) {}); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(folder, "added")
	if _, err := b.Finish(context.Background(), path, nil); err != nil {
		t.Fatal(err)
	}
	c, err := deep.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

var addedLists = flag.Int("added", 4, "lists of each field for TestAddedNear and TestAddedAnywhere")
var addedArea = flag.Float64("added.radius", 4, "radius in degrees of the circle that TestAddedAnywhere adds stars to")

// Narrow fields among added stars, drawn from them as a camera would see them: those of which a place is known to a
// degree or five, and those of which only the scale is. The issue asks for fields down to 0.1 degrees within
// half a second with a place, and to 0.3 degrees within five without.
func TestAddedNear(t *testing.T) {
	center := sky.ICRSFromRADec(200*sky.Degree, 35*sky.Degree)
	if testing.Short() {
		surveyAdded(t, center, 6*sky.Degree, []float64{0.15, 0.6}, 3500, true)
		return
	}
	surveyAdded(t, center, 8*sky.Degree, []float64{0.1, 0.15, 0.3, 0.6, 1}, 3500, true)
}

func TestAddedAnywhere(t *testing.T) {
	if testing.Short() {
		t.Skip("takes a minute")
	}
	center := sky.ICRSFromRADec(200*sky.Degree, 35*sky.Degree)
	surveyAdded(t, center, sky.Angle(*addedArea)*sky.Degree, []float64{0.2, 0.3, 0.5, 1}, 3500, false)
}

// fewestAdded is the number of stars from which lists are drawn: of a dozen with as many errors some are not solved.
const fewestAdded = 15

func surveyAdded(t *testing.T, center sky.ICRS, radius sky.Angle, fields []float64, density float64, near bool) {
	if raceEnabled {
		t.Skip("takes minutes under the race detector")
	}
	x := theIndex()
	x.Added = addedStars(t, center, radius, density)
	defer func() { x.Added = nil }()
	for number := len(index.Specs) - 2; number < len(index.Specs); number++ { // else the first list that asks for them pays
		levelNumbered(t, number)
	}
	rng := rand.New(rand.NewPCG(21, 22))
	for _, field := range fields {
		var took, wall []time.Duration
		solved, wrong := 0, 0
		var l starList
		for range *addedLists {
			at := within(rng, center, 0.8*radius)
			width := min(1500+rng.IntN(3000), int(field*3600/0.1))
			for l.real = 0; l.real < fewestAdded; {
				l = drawList(rng, x.Added, listSpec{
					field: sky.Angle(field) * sky.Degree, width: width, height: width * 2 / 3, mirrored: rng.IntN(2) == 0, centre: &at, most: 20 + rng.IntN(100),
					missing: 0.15, spurious: 0.2, scatter: 0.3, shear: 2e-4, noise: 1,
				})
			}
			hint := Hint{Scale: l.Scale * sky.Angle(1+0.05*(2*rng.Float64()-1)), Epoch: l.epoch}
			if near {
				off := within(rng, at, []sky.Angle{sky.Degree, 4 * sky.Degree}[rng.IntN(2)])
				hint.Near = &off
			}
			start, from := processorTime(), time.Now()
			sol, err := find(context.Background(), x, l.image, hint)
			took, wall = append(took, processorTime()-start), append(wall, time.Since(from))
			switch {
			case err != nil:
				t.Logf("%g degrees, %d detections, %d of them stars: %v", field, len(l.image.Detections), l.real, err)
			case l.off(sol) > 3*l.Scale:
				t.Errorf("%g degrees: %.2f arcsec off", field, l.off(sol).Arcseconds())
				wrong++
			default:
				solved++
			}
		}
		slices.Sort(took)
		slices.Sort(wall)
		inVain := processorTime()
		none := Hint{Scale: l.Scale, Epoch: l.epoch}
		if near {
			none.Near = &center
		}
		s := New(x, scattered(rng, l.image), none)
		m, err := s.addedFirst(t.Context())
		if m == nil && err == nil {
			m, err = s.addedEverywhere(t.Context(), mostLooked)
		}
		if m != nil || err != nil {
			t.Errorf("%g degrees, scattered places: %+v, %v", field, m, err)
		}
		inVain = processorTime() - inVain
		t.Logf("%g degrees: %d of %d solved, %d wrong; median %v, slowest %v; processor time of all cores: median %v, slowest %v, in vain %v", field, solved, *addedLists, wrong,
			wall[len(wall)/2], wall[len(wall)-1], took[len(took)/2], took[len(took)-1], inVain)
		if float64(solved) < 0.9*float64(*addedLists) {
			t.Errorf("%g degrees: only %d of %d solved", field, solved, *addedLists)
		}
	}
}

// scattered is an image of as many detections anywhere.
func scattered(rng *rand.Rand, in Image) Image {
	in.Detections = slices.Clone(in.Detections)
	for i := range in.Detections {
		in.Detections[i].Pos = sky.Pixel{X: float64(in.Width) * rng.Float64(), Y: float64(in.Height) * rng.Float64()}
	}
	return in
}

// processorTime is what all threads have used so far.
func processorTime() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		panic(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// Lists without sky, of every size, are not solved among added stars.
func TestAddedWithoutSky(t *testing.T) {
	lists := 20
	if testing.Short() {
		lists = 10
	}
	center := sky.ICRSFromRADec(200*sky.Degree, 35*sky.Degree)
	x := index.New(theCatalogue(), "", time.Now)
	x.Added = addedStars(t, center, 3*sky.Degree, 3500)
	rng := rand.New(rand.NewPCG(23, 24))
	for i := range lists {
		width := []int{2000, 400}[i%2]
		in := scattered(rng, Image{Width: width, Height: width * 2 / 3, Detections: make([]Detection, 15+rng.IntN(150))})
		s := New(x, in, Hint{Scale: sky.Angle((0.15+1.5*rng.Float64())*2000/float64(width)) * sky.Arcsecond, Near: &center, Epoch: 2026})
		if m, err := s.addedFirst(t.Context()); m != nil || err != nil {
			t.Errorf("list %d of %d places: %+v, %v", i, len(in.Detections), m, err)
		}
	}
}
