package axis

import (
	"flag"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"polard/mountmodel/internal/simmount"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

var faultyRigs = flag.Int("rigs", 10, "rigs of each fault and each order of turns")

// rigFault is something that a rig does while it is measured.
type rigFault struct {
	name         string
	least, most  sky.Angle // of its size
	frameByFrame bool      // it moves on from frame to frame
}

// The sizes are common practice, from what a good rig does to what is noticed
// by the eye.
var rigFaults = []rigFault{
	{"clean", 0, 0, false},
	{"sinks", 1 * sky.Arcsecond, 3 * sky.Arcminute, true},
	{"creeps", 1 * sky.Arcsecond, 10 * sky.Arcminute, true},
	{"bumped", 5 * sky.Arcsecond, 5 * sky.Arcminute, false},
	{"wobbles", 0.5 * sky.Arcsecond, 10 * sky.Arcsecond, false},
	{"sags", 5 * sky.Arcsecond, 1 * sky.Arcminute, false},
}

// size draws one, evenly in its logarithm.
func (f rigFault) size(rng *rand.Rand) sky.Angle {
	if f.least == 0 {
		return 0
	}
	s := f.least * sky.Angle(math.Exp(rng.Float64()*math.Log(float64(f.most/f.least))))
	if rng.IntN(2) == 0 {
		return -s
	}
	return s
}

// measureFaulty turns a random mount with a fault through angles in degrees, and
// gives the frames and where the axis then stands.
func measureFaulty(t *testing.T, rng *rand.Rand, fault rigFault, angles []float64) ([]sky.Attitude, sky.Local, *simmount.Mount) {
	t.Helper()
	m := simmount.New(rng, sky.Site{Latitude: sky.Angle(rng.Float64()*130-65) * sky.Degree}, 1*sky.Degree, sky.Angle(3+rng.Float64()*80)*sky.Degree)
	m.FieldW = sky.Angle(math.Exp(rng.Float64()*math.Log(5))) * sky.Degree
	m.Stars = 15 + rng.IntN(60)
	h, size := 2*math.Pi*rng.Float64(), fault.size(rng)
	level := sky.Vec{X: math.Cos(h), Y: math.Sin(h)}
	dec := sky.Unit(r3.Cross(m.Axis, m.Body.Column(2)))
	body, bump := m.Body, 1+rng.IntN(len(angles)-1)
	var out []sky.Attitude
	for i, a := range angles {
		m.Theta = sky.Angle(a) * sky.Degree
		shaken := sky.Identity
		switch fault.name {
		case "sinks":
			m.Ground = sky.RotationFromVector(r3.Scale(float64(size)*float64(i), level))
		case "creeps":
			m.Body = sky.Rotation(dec, size*sky.Angle(i)).Mul(body)
		case "bumped":
			if i == bump {
				m.Ground = sky.RotationFromVector(r3.Scale(float64(size), level))
			}
		case "wobbles":
			shaken = sky.RotationFromVector(sky.Vec{X: simmount.Gauss(rng, size), Y: simmount.Gauss(rng, size), Z: simmount.Gauss(rng, size)})
		case "sags":
			shaken = sky.RotationFromVector(r3.Scale(-math.Abs(float64(size)), r3.Cross(m.Attitude().Column(2), sky.Vec{Z: 1})))
		}
		ground := m.Ground
		m.Ground = shaken.Mul(ground)
		st, err := observed.FitAttitude(m.Field(1))
		m.Ground = ground
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, st.Attitude)
	}
	return out, m.AxisNow(), m
}

// claims counts what is claimed of an axis against where it stands.
type claims struct {
	distances []float64 // squared, in units of the stated covariance
	beyond    int       // 4 sigmas and 5 arcseconds
	sigmas    []float64 // arcseconds
}

func (c *claims) add(a Axis, truth sky.Local) {
	q := simmount.Mahalanobis(a.Dir, a.Cov, truth)
	c.distances = append(c.distances, q)
	if q > 16 && sky.Separation(a.Dir, truth) > 5*sky.Arcsecond {
		c.beyond++
	}
	c.sigmas = append(c.sigmas, Major(a.Cov).Arcseconds())
}

// within is the part within the ellipse of a probability.
func (c *claims) within(p float64) float64 {
	n := 0
	for _, q := range c.distances {
		if q < -2*math.Log(1-p) { // chi-square of two degrees of freedom
			n++
		}
	}
	return float64(n) / float64(max(1, len(c.distances)))
}

func (c *claims) median() float64 {
	if len(c.sigmas) == 0 {
		return 0
	}
	return slices.Sorted(slices.Values(c.sigmas))[len(c.sigmas)/2]
}

// turnOrders are orders of angles in degrees: as asked for, and others that
// people use.
var turnOrders = []struct {
	name   string
	angles []float64
}{
	{"0 60 0", []float64{0, 60, 0}},
	{"0 60 30", []float64{0, 60, 30}},
	{"0 30 60", []float64{0, 30, 60}},
	{"0 30 60 0", []float64{0, 30, 60, 0}},
	{"0 20 40 60", []float64{0, 20, 40, 60}},
	{"0 60 30 45 15", []float64{0, 60, 30, 45, 15}},
}

// What is claimed of the axis is true of rigs that are not rigid: their bolts
// are turned by it. More than 4 sigmas and 5" off without a warning may happen
// once in 1000; and the ellipses hold what they say.
func TestClaimsOfFaultyRigs(t *testing.T) {
	for _, order := range turnOrders {
		var quiet claims // all without a warning
		for _, fault := range rigFaults {
			rng := rand.New(rand.NewPCG(uint64(len(order.angles)), uint64(fault.most)+uint64(order.angles[1])))
			var told, untold claims
			none := 0
			for range *faultyRigs {
				frames, truth, m := measureFaulty(t, rng, fault, order.angles)
				pole := observed.Pole(m.Site, m.Air, observed.Refracted)
				fit, err := Find(frames, pole)
				if err != nil {
					none++
					continue
				}
				stated := fit.Axis.With(fit.Allowance(Refraction{Lift: func(sky.Angle) sky.Angle { return 0 }, Pole: pole}))
				if fit.broken() {
					told.add(stated, truth)
				} else {
					untold.add(stated, truth)
					quiet.add(stated, truth)
				}
			}
			t.Logf("%-14s %-8s without a warning %4d: 68 %%: %5.1f, 95 %%: %5.1f, beyond 4 sigmas %d, sigma %5.1f\"; warned %4d: %5.1f, %5.1f, %d, %5.1f\"; none %d", order.name, fault.name,
				len(untold.distances), 100*untold.within(0.68), 100*untold.within(0.95), untold.beyond, untold.median(),
				len(told.distances), 100*told.within(0.68), 100*told.within(0.95), told.beyond, told.median(), none)
		}
		if limit := 1 + len(quiet.distances)/1000; quiet.beyond > limit {
			t.Errorf("%s: %d of %d axes are more than 4 sigmas and 5\" off without a warning", order.name, quiet.beyond, len(quiet.distances))
		}
		if p := quiet.within(0.95); p < 0.95-2/math.Sqrt(float64(len(quiet.distances))) {
			t.Errorf("%s: the 95 %% ellipse holds the axis in %.1f %%", order.name, 100*p)
		}
	}
}
