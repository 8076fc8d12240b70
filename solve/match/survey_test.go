package match

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"polard/mountmodel/sky"
	"polard/solve/camera/cameratest"
	"polard/solve/index"
)

// The survey measures how the match does over field sizes, hints and places. It
// is heavy, and runs only when asked for: make survey.
var (
	surveyFields = flag.Int("survey", 0, "star lists to match for each field size and kind of hint")
	surveyOnly   = flag.Float64("survey.field", 0, "only this field size, degrees")
	surveyHint   = flag.String("survey.hint", "", "only this kind of hint: 5 %, 50 % or none")
	surveyNoSky  = flag.Int("survey.nosky", 0, "lists without sky of each kind to be refused")
	surveySeed   = flag.Uint64("survey.seed", 1, "seed of the survey")
)

// surveySizes are the long sides of the fields, in degrees.
var surveySizes = []float64{0.4, 0.7, 1, 2, 5, 10, 20, 30, 60}

// surveyedStars is the least number of catalogue stars in the list for a field to
// count.
const surveyedStars = 12

// distortionOf60 is the largest distortion of a lens with a field of 60 degrees,
// less in proportion for narrower ones: common practice among camera lenses.
const distortionOf60 = 0.05

// wrongBy is the part of the field's long side beyond which a centre is wrong.
const wrongBy = 0.005

var surveyHints = []struct {
	name string
	of   func(rng *rand.Rand, s *starList) Hint
}{
	{"5 %", func(rng *rand.Rand, s *starList) Hint {
		return Hint{Scale: s.Scale * sky.Angle(1+0.05*(2*rng.Float64()-1))}
	}},
	{"50 %", func(rng *rand.Rand, s *starList) Hint {
		return Hint{Scale: s.Scale * sky.Angle(math.Pow(1.5, 2*rng.Float64()-1))}
	}},
	{"none", func(*rand.Rand, *starList) Hint { return Hint{} }},
}

// surveyField draws a field of the given size: anywhere in the sky, with some
// places forced, any number of stars from a dozen to two thousand, all the ills of
// a detection.
func surveyField(rng *rand.Rand, degrees float64) listSpec {
	f := listSpec{
		field:    sky.Angle(degrees) * sky.Degree,
		mirrored: rng.IntN(2) == 0,
		most:     int(16 * math.Pow(100, rng.Float64())),
		missing:  0.1 + 0.1*rng.Float64(), spurious: 0.3 * rng.Float64(),
		scatter: 0.1 + 0.4*rng.Float64(), shear: 2e-4, noise: 1,
	}
	// 800 to 4000 pixels wide, as far as the scale stays in the range of the search.
	// At the centre of a wide field a pixel is larger than on average.
	narrow := max(800, 1.01*2*math.Tan(f.field.Radians()/2)/CoarsestScale.Radians())
	broad := min(4000, 0.95*f.field.Arcseconds()/FinestScale.Arcseconds())
	f.width = int(narrow + (broad-narrow)*rng.Float64())
	f.height = f.width * 3 / 4
	if degrees >= 5 {
		f.distortion = distortionOf60 * min(degrees/60, 1) * (2*rng.Float64() - 1)
	}
	switch rng.IntN(8) {
	case 0: // near a pole
		f.centre = &sky.ICRS{Z: 1 - 2*float64(rng.IntN(2)), X: 0.1 * rng.NormFloat64(), Y: 0.1 * rng.NormFloat64()}
		*f.centre = sky.Unit(*f.centre)
	case 1: // in the Milky Way: the galactic plane is square to the north galactic pole, RA 192.86, Dec 27.13 (J2000.0)
		d := sky.Vec(cameratest.Direction(rng))
		north := sky.Vec(sky.ICRSFromRADec(192.86*sky.Degree, 27.13*sky.Degree))
		c := sky.Rotation(north, 0).Apply(d)
		dot := c.X*north.X + c.Y*north.Y + c.Z*north.Z
		on := sky.Unit(sky.ICRS{X: c.X - dot*north.X, Y: c.Y - dot*north.Y, Z: c.Z - dot*north.Z})
		f.centre = &on
	}
	return f
}

func TestSurvey(t *testing.T) {
	if *surveyFields == 0 {
		t.Skip("make survey runs it")
	}
	for number := range index.Specs {
		levelNumbered(t, number)
	}
	all := make([]surveyRow, len(surveyHints))
	fmt.Printf("seed %d, %d fields of each size; time of the match alone, the index being built\n", *surveySeed, *surveyFields)
	fmt.Println("field deg | hint | fields | solved % | at first % | wrong | median ms | 95 % | 99 % | slowest | candidates median | 99 % | most")
	for _, degrees := range surveySizes {
		if *surveyOnly != 0 && degrees != *surveyOnly {
			continue
		}
		for k, hint := range surveyHints {
			if *surveyHint != "" && hint.name != *surveyHint {
				continue
			}
			// Fields of their own for each kind of hint.
			rng := rand.New(rand.NewPCG(*surveySeed, uint64(degrees*10)+uint64(k)<<32))
			var row surveyRow
			for try := 0; row.fields < *surveyFields && try < 20**surveyFields; try++ {
				seed := rng.Uint64()
				own := rand.New(rand.NewPCG(seed, 0))
				sim := drawList(own, theCatalogue(), surveyField(own, degrees))
				if sim.real < surveyedStars {
					continue
				}
				row.fields++
				h := hint.of(own, &sim)
				h.Epoch = sim.epoch
				start := time.Now()
				search := New(theIndex(), sim.image, h)
				sol, err := search.Cheap(t.Context())
				if err == nil {
					row.first++
				} else if sol, err = search.Rest(t.Context()); err == nil {
					t.Logf("%g degrees, hint %s, seed %d: %d of %d stars not solved at first", degrees, hint.name, seed, sim.real, len(sim.image.Detections))
				}
				row.times = append(row.times, time.Since(start))
				switch {
				case err != nil:
					t.Logf("%g degrees, hint %s, seed %d: %d of %d stars unsolved", degrees, hint.name, seed, sim.real, len(sim.image.Detections))
				case float64(sim.off(sol)) > wrongBy*degrees*float64(sky.Degree):
					row.wrong++
					t.Errorf("%g degrees, hint %s, seed %d: %g degrees off, log10 odds %g", degrees, hint.name, seed, sim.off(sol).Degrees(), sol.Log10Odds)
				default:
					row.solved++
					row.trials = append(row.trials, search.trials)
				}
			}
			if row.fields == 0 {
				fmt.Printf("%9g | %4s | no field holds %d catalogue stars\n", degrees, hint.name, surveyedStars)
				continue
			}
			fmt.Println(row.String(fmt.Sprintf("%9g", degrees), hint.name))
			all[k].add(row)
		}
	}
	for k, row := range all {
		if row.fields == 0 {
			continue
		}
		fmt.Println(row.String("      all", surveyHints[k].name))
	}
}

// surveyRow is what became of some fields.
type surveyRow struct {
	fields, solved, wrong int
	first                 int // answered by the cheap passes
	times                 []time.Duration
	trials                []int // of the solved
}

func (r *surveyRow) add(o surveyRow) {
	r.fields, r.solved, r.wrong, r.first = r.fields+o.fields, r.solved+o.solved, r.wrong+o.wrong, r.first+o.first
	r.times, r.trials = append(r.times, o.times...), append(r.trials, o.trials...)
}

func (r *surveyRow) String(field, hint string) string {
	slices.Sort(r.times)
	slices.Sort(r.trials)
	at := func(q float64) float64 { return float64(r.times[int(q*float64(len(r.times)-1))].Microseconds()) / 1000 }
	trials := append(r.trials, 0)[:max(1, len(r.trials))]
	return fmt.Sprintf("%s | %4s | %6d | %8.2f | %10.2f | %5d | %9.2f | %6.1f | %6.1f | %7.0f | %8d | %8d | %8d",
		field, hint, r.fields, 100*float64(r.solved)/float64(r.fields), 100*float64(r.first)/float64(r.fields), r.wrong, at(0.5), at(0.95), at(0.99), at(1),
		trials[len(trials)/2], trials[len(trials)*99/100], trials[len(trials)-1])
}

// withoutSky are lists of places that show no sky, as a detection may give them.
var withoutSky = []struct {
	name string
	draw func(rng *rand.Rand, width, height float64, n int) []sky.Pixel
}{
	{"scattered", func(rng *rand.Rand, width, height float64, n int) (out []sky.Pixel) {
		for range n {
			out = append(out, sky.Pixel{X: width * rng.Float64(), Y: height * rng.Float64()})
		}
		return out
	}},
	{"clustered", func(rng *rand.Rand, width, height float64, n int) (out []sky.Pixel) {
		var at sky.Pixel
		for len(out) < n {
			if len(out) == 0 || rng.IntN(8) == 0 {
				at = sky.Pixel{X: width * rng.Float64(), Y: height * rng.Float64()}
			}
			p := sky.Pixel{X: at.X + 0.05*width*rng.NormFloat64(), Y: at.Y + 0.05*width*rng.NormFloat64()}
			if p.X > 0 && p.Y > 0 && p.X < width-1 && p.Y < height-1 {
				out = append(out, p)
			}
		}
		return out
	}},
	{"columns", func(rng *rand.Rand, width, height float64, n int) (out []sky.Pixel) { // bad columns of a sensor
		for range n {
			out = append(out, sky.Pixel{X: math.Floor(width/float64(1+n/6)) * float64(rng.IntN(1+n/6)), Y: height * rng.Float64()})
		}
		return out
	}},
	{"lattice", func(rng *rand.Rand, width, height float64, n int) (out []sky.Pixel) { // lamps, windows, weave
		step := math.Sqrt(width * height / float64(n))
		for y := step / 2; y < height; y += step {
			for x := step / 2; x < width; x += step {
				out = append(out, sky.Pixel{X: x + rng.NormFloat64(), Y: y + rng.NormFloat64()})
			}
		}
		rng.Shuffle(len(out), func(i, j int) { out[i], out[j] = out[j], out[i] })
		return out
	}},
	{"scrambled", func(rng *rand.Rand, width, height float64, n int) (out []sky.Pixel) { // columns of one star, rows of another
		list := drawList(rng, theCatalogue(), listSpec{
			field: sky.Angle(0.5*math.Pow(100, rng.Float64())) * sky.Degree, width: int(width), height: int(height),
			mirrored: rng.IntN(2) == 0, most: n, scatter: 0.3, noise: 1,
		})
		for _, s := range list.image.Detections {
			out = append(out, sky.Pixel{X: list.image.Detections[rng.IntN(len(list.image.Detections))].Pos.X, Y: s.Pos.Y})
		}
		return out
	}},
}

// listWithoutSky draws 12 to 600 places of a kind, and the scale hinted for them.
func listWithoutSky(rng *rand.Rand, kind int) (in Image, scale sky.Angle) {
	width := 800 + rng.IntN(3200)
	height := width * 3 / 4
	n := int(12 * math.Pow(50, rng.Float64()))
	in = Image{Width: width, Height: height}
	for i, p := range withoutSky[kind].draw(rng, float64(width), float64(height), n) {
		in.Detections = append(in.Detections, Detection{Pos: p, Cov: [2][2]float64{{0.01, 0}, {0, 0.01}}, Flux: 1 / float64(i+1), SNR: 20})
	}
	return in, FinestScale * sky.Angle(math.Pow(float64(CoarsestScale/FinestScale), rng.Float64()))
}

// TestSurveyWithoutSky counts the lists without sky that are solved all the same, with a hinted
// scale and place alone and then with the whole search.
func TestSurveyWithoutSky(t *testing.T) {
	lists := *surveyNoSky
	if lists == 0 {
		lists = 2 // a look in every run
	}
	for _, mode := range []struct {
		name string
		find func(*testing.T, Image, Hint) (*Match, error)
		part int // so many lists fewer
	}{
		{"hinted scale and place, cheap passes", cheaply, 1},
		{"no hint, everything", func(t *testing.T, in Image, hint Hint) (*Match, error) {
			return find(t.Context(), theIndex(), in, hint)
		}, surveyNoSkyPart},
	} {
		if mode.part > 1 && (testing.Short() || raceEnabled) {
			continue
		}
		fmt.Printf("seed %d: %s\nkind | lists | solved | median ms | 99 %%| slowest\n", *surveySeed, mode.name)
		for kind := range withoutSky {
			rng := rand.New(rand.NewPCG(*surveySeed, uint64(kind)<<8+uint64(mode.part)))
			places := rand.New(rand.NewPCG(*surveySeed, uint64(kind)))
			var times []time.Duration
			solved := 0
			for range max(lists/mode.part, 1) {
				in, scale := listWithoutSky(rng, kind)
				hint := Hint{Epoch: 2025}
				if mode.part == 1 {
					near := cameratest.Direction(places)
					hint.Scale, hint.Near = scale, &near
				}
				start := time.Now()
				sol, err := mode.find(t, in, hint)
				times = append(times, time.Since(start))
				if err == nil {
					solved++
					t.Errorf("%s, %d places: solved with %d pairs, log10 odds %g", withoutSky[kind].name, len(in.Detections), len(sol.Pairs), sol.Log10Odds)
				}
			}
			slices.Sort(times)
			at := func(q float64) float64 { return float64(times[int(q*float64(len(times)-1))].Microseconds()) / 1000 }
			fmt.Printf("%9s | %6d | %6d | %9.2f | %6.1f | %7.0f\n", withoutSky[kind].name, len(times), solved, at(0.5), at(0.99), at(1))
		}
	}
}

// surveyNoSkyPart is how many times fewer lists go through the whole search, which takes
// some thirty times as long as that at a hinted scale.
const surveyNoSkyPart = 10
