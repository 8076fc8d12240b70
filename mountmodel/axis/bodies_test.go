package axis

import (
	"math/rand/v2"
	"testing"

	"polard/mountmodel/internal/simmount"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// station is one frame: the angle of the axis and what was added to the
// declination, in degrees; beyond the flip the declination axis has turned on
// past the pole.
type station struct{ theta, dec float64 }

// measureStations turns a random mount, whose tube hangs by sag when level,
// through stations.
func measureStations(t *testing.T, rng *rand.Rand, sag sky.Angle, stations []station) ([]sky.Attitude, *simmount.Mount) {
	t.Helper()
	m := simmount.New(rng, sky.Site{Latitude: sky.Angle(25+35*rng.Float64()) * sky.Degree}, sky.Angle(40*rng.Float64())*sky.Arcminute, sky.Angle(20+50*rng.Float64())*sky.Degree)
	m.FieldW, m.Stars = 3*sky.Degree, 60
	// A declination axis a few arcminutes from square.
	dec := sky.RotationFromVector(r3.Scale(float64(5*sky.Arcminute), simmount.SquareTo(rng, m.Axis))).Apply(sky.Unit(r3.Cross(m.Axis, m.Body.Column(2))))
	body := m.Body
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
	return out, m
}

var bodyStations = map[string]struct {
	stations []station
	bodies   int
	tells    bool // flexure to 15"
}{
	"one declination":                 {[]station{{0, 0}, {60, 0}, {0, 0}}, 1, false},
	"two declinations":                {[]station{{0, 0}, {60, 0}, {60, -35}, {0, -35}}, 2, false},
	"a flip in the middle":            {[]station{{0, 0}, {40, 0}, {220, 150}, {180, 150}}, 2, true},
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
				frames, m := measureStations(t, rng, sag, c.stations)
				pole := observed.Pole(m.Site, m.Air, observed.Refracted)
				fit, err := Find(frames, pole)
				if err != nil {
					t.Fatal(err)
				}
				if fit.Bodies() != c.bodies || fit.averaged && c.bodies < 4 {
					t.Errorf("%d bodies, misfit %.1f arcsec", fit.Bodies(), fit.ModelError.Arcseconds())
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
