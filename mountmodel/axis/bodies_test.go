package axis

import (
	"math/rand/v2"
	"slices"
	"testing"

	"polard/mountmodel/internal/simmount"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// station is one frame: the angle of the axis and what was added to the polar
// distance, in degrees.
type station struct{ theta, dec float64 }

// flipped in the place of a polar distance turns the tube through the pole to the
// same distance beyond it.
const flipped = -1000

// measureStations turns a random mount, whose tube hangs by sag when level,
// through stations; how its parts stand to each other is drawn too.
func measureStations(t *testing.T, rng *rand.Rand, sag sky.Angle, stations []station) ([]sky.Attitude, *simmount.Mount, Squareness) {
	t.Helper()
	m := simmount.New(rng, sky.Site{Latitude: sky.Angle(25+35*rng.Float64()) * sky.Degree}, sky.Angle(40*rng.Float64())*sky.Arcminute, sky.Angle(20+50*rng.Float64())*sky.Degree)
	m.FieldW, m.Stars = 3*sky.Degree, 60
	// A declination axis some arcminutes from square to both.
	body, sight := m.Body, m.Body.Column(2)
	dec := sky.RotationFromVector(r3.Scale(simmount.Gauss(rng, 5*sky.Arcminute), simmount.SquareTo(rng, m.Axis))).Apply(sky.Unit(r3.Cross(m.Axis, sight)))
	fromSquare := func(v sky.Vec) sky.Angle { return 90*sky.Degree - sky.Separation(sky.Local(dec), sky.Local(v)) } // from its other end
	square := Squareness{Axes: fromSquare(m.Axis), Tube: fromSquare(sight)}
	var out []sky.Attitude
	for _, s := range stations {
		m.Theta = sky.Angle(s.theta) * sky.Degree
		m.Body = sky.Rotation(dec, sky.Angle(s.dec)*sky.Degree).Mul(body)
		hang := sky.RotationFromVector(r3.Scale(-float64(sag), r3.Cross(m.Attitude().Column(2), sky.Vec{Z: 1})))
		m.Ground = hang
		st, err := observed.FitAttitude(m.Field(1))
		m.Ground = sky.Identity
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, st.Attitude)
	}
	return out, m, square
}

var bodyStations = map[string]struct {
	stations []station
	bodies   int
	tells    bool // flexure to 15"
}{
	"one declination":                 {[]station{{0, 0}, {60, 0}, {0, 0}}, 1, false},
	"two declinations":                {[]station{{0, 0}, {60, 0}, {60, -35}, {0, -35}}, 2, false},
	"a flip in the middle":            {[]station{{0, 0}, {40, 0}, {220, 150}, {180, 150}}, 2, true},
	"two declinations and a flip":     {[]station{{0, 0}, {50, 0}, {50, 30}, {0, 30}, {180, 150}, {220, 150}}, 3, true},
	"two declinations on either side": {[]station{{0, 0}, {50, 0}, {50, 30}, {0, 30}, {180, 150}, {220, 150}, {220, 120}, {180, 120}}, 4, true},
	"a single frame beyond the flip":  {[]station{{0, 0}, {50, 0}, {0, 0}, {200, 150}}, 2, false},
}

// Frames at a second declination or beyond a flip join one axis, and are nothing
// to warn of; the tube's weight shows where there is more than one body.
func TestBodies(t *testing.T) {
	for name, c := range bodyStations {
		t.Run(name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(61, uint64(len(c.stations))))
			beyond, measured := 0, 0
			const rigs = 60
			for range rigs {
				sag := sky.Angle(60*rng.Float64()) * sky.Arcsecond
				frames, m, _ := measureStations(t, rng, sag, c.stations)
				pole := observed.Pole(m.Site, m.Air, observed.Refracted)
				fit, err := Find(frames, pole)
				if err != nil {
					t.Fatal(err)
				}
				if fit.Bodies() != c.bodies || fit.averaged && c.bodies < 4 {
					t.Errorf("%d bodies, model error %.1f arcsec", fit.Bodies(), fit.ModelError.Arcseconds())
				}
				stated := fit.Axis.With(fit.Allowance(Refraction{Lift: func(sky.Angle) sky.Angle { return 0 }, Pole: pole}))
				if q := simmount.Mahalanobis(stated.Dir, stated.Cov, sky.Local(m.Axis)); q > 16 {
					beyond++
				}
				if hangs, sigma, ok := fit.Flexure(); ok && sigma < 15*sky.Arcsecond {
					measured++
					if (hangs - sag).Abs() > 4*sigma {
						t.Errorf("the tube hangs by %.1f arcsec, told %.1f +- %.1f", sag.Arcseconds(), hangs.Arcseconds(), sigma.Arcseconds())
					}
				}
			}
			t.Logf("flexure told of %d in %d rigs; %d axes beyond 4 sigmas", measured, rigs, beyond)
			if beyond > rigs/50 {
				t.Errorf("%d of %d axes beyond 4 sigmas", beyond, rigs)
			}
			if c.tells && measured < rigs*9/10 {
				t.Errorf("flexure told of %d in %d rigs only", measured, rigs)
			}
		})
	}
}

// How the declination axis stands to the right ascension axis, and the tube to it,
// come back as drawn, with errors as stated; two bodies tell the tube alone, and
// allow for axes that are not square.
func TestSquareness(t *testing.T) {
	for name, c := range bodyStations {
		t.Run(name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(62, uint64(len(c.stations))))
			const rigs = 30
			told, beyond := 0, 0
			var sigmas []float64
			for range rigs {
				frames, m, want := measureStations(t, rng, sky.Angle(60*rng.Float64())*sky.Arcsecond, c.stations)
				fit, err := Find(frames, observed.Pole(m.Site, m.Air, observed.Refracted))
				if err != nil {
					t.Fatal(err)
				}
				got, ok := fit.Squareness()
				if ok != (c.bodies > 1) {
					t.Fatalf("told: %v of %d bodies", ok, c.bodies)
				}
				if !ok {
					continue
				}
				if got.AxesKnown {
					told++
					sigmas = append(sigmas, got.AxesSigma.Arcseconds())
					if (got.Axes - want.Axes).Abs() > 4*got.AxesSigma {
						beyond++
					}
				}
				if (got.Tube - want.Tube).Abs() > 4*got.TubeSigma {
					beyond++
					t.Logf("%+v\n%+v", got, want)
				}
			}
			if c.bodies < 3 && told > 0 || c.bodies > 2 && told < rigs*9/10 {
				t.Errorf("orthogonality told of %d in %d rigs", told, rigs)
			}
			if beyond > 1 {
				t.Errorf("%d beyond 4 sigmas", beyond)
			}
			if told > 0 {
				t.Logf("orthogonality known to %.1f arcsec in the median", slices.Sorted(slices.Values(sigmas))[told/2])
			}
		})
	}
}
