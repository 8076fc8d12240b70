package solve

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"polard/mountmodel/sky"
)

// The survey measures how the match does over field sizes, hints and places. It
// is heavy, and runs only when asked for: make survey.
var (
	surveyFields = flag.Int("survey", 0, "star lists to match for each field size and kind of hint")
	surveyOnly   = flag.Float64("survey.field", 0, "only this field size, degrees")
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
	narrow := max(800, 1.01*2*math.Tan(f.field.Radians()/2)/coarsestScale.Radians())
	broad := min(4000, 0.95*f.field.Arcseconds()/finestScale.Arcseconds())
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
		d := sky.Vec(randomDirection(rng))
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
	s := theSolver()
	fmt.Printf("seed %d, %d fields of each size; time of the match alone\n", *surveySeed, *surveyFields)
	fmt.Println("field deg | hint | fields | solved % | wrong | median ms | 95 % | 99 % | slowest | candidates median | 99 % | most")
	for _, degrees := range surveySizes {
		if *surveyOnly != 0 && degrees != *surveyOnly {
			continue
		}
		for _, hint := range surveyHints {
			rng := rand.New(rand.NewPCG(*surveySeed, uint64(degrees*10)))
			var times []time.Duration
			var trials []int
			n, solved, wrong := 0, 0, 0
			for try := 0; n < *surveyFields && try < 20**surveyFields; try++ {
				seed := rng.Uint64()
				own := rand.New(rand.NewPCG(seed, 0))
				sim := drawList(own, theCatalogue(), surveyField(own, degrees))
				if sim.real < surveyedStars {
					continue
				}
				n++
				h := hint.of(own, &sim)
				h.Epoch = sim.epoch
				start := time.Now()
				sol, err := s.match(sim.Width, sim.Height, sim.det, h)
				times = append(times, time.Since(start))
				switch {
				case err != nil:
					t.Logf("%g degrees, hint %s, seed %d: %d of %d stars unsolved", degrees, hint.name, seed, sim.real, len(sim.det.Stars))
				case float64(sim.off(sol)) > wrongBy*degrees*float64(sky.Degree):
					wrong++
					t.Errorf("%g degrees, hint %s, seed %d: %g degrees off, log10 odds %g", degrees, hint.name, seed, sim.off(sol).Degrees(), sol.Log10Odds)
				default:
					solved++
					trials = append(trials, sol.Trials)
				}
			}
			if n == 0 {
				fmt.Printf("%9g | %4s | no field holds %d catalogue stars\n", degrees, hint.name, surveyedStars)
				continue
			}
			slices.Sort(times)
			slices.Sort(trials)
			at := func(q float64) float64 { return float64(times[int(q*float64(n-1))].Microseconds()) / 1000 }
			fmt.Printf("%9g | %4s | %6d | %8.2f | %5d | %9.2f | %6.1f | %6.1f | %7.0f | %8d | %8d | %8d\n",
				degrees, hint.name, n, 100*float64(solved)/float64(n), wrong, at(0.5), at(0.95), at(0.99), at(1),
				trials[len(trials)/2], trials[len(trials)*99/100], trials[len(trials)-1])
		}
	}
}
