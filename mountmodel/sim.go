package mountmodel

import (
	"math"
	"math/rand/v2"
	"time"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// simMount is a mount with a known axis, drawn at random, that makes frames
// with known noise: the truth that the tests measure against.
type simMount struct {
	rng    *rand.Rand
	site   sky.Site
	air    sky.Air
	axis   sky.Vec    // local, pole-seeking end
	body   sky.Matrix // camera attitude at angle 0
	theta  sky.Angle
	ground sky.Matrix // turn of mount and axis by the bolts since the start
	fieldW sky.Angle
	stars  int
	sigma  sky.Angle
	now    time.Time
}

func gauss(rng *rand.Rand, s sky.Angle) float64 { return rng.NormFloat64() * float64(s) }

func randomUnit(rng *rand.Rand) sky.Vec {
	z := 2*rng.Float64() - 1
	s := math.Sqrt(1 - z*z)
	lon := 2 * math.Pi * rng.Float64()
	return sky.Vec{X: s * math.Cos(lon), Y: s * math.Sin(lon), Z: z}
}

// simAt is a random mount at a site, offset from the pole by about offset,
// the camera at distance sep from the axis.
func simAt(rng *rand.Rand, site sky.Site, offset, sep sky.Angle) *simMount {
	m := &simMount{rng: rng, site: site, air: sky.StandardAir(site.ElevationM), ground: sky.Identity,
		fieldW: 1 * sky.Degree, stars: 20, sigma: 0.4 * sky.Arcsecond,
		now: time.Date(2026, 3, 7, 20, 0, 0, 0, time.UTC).Add(time.Duration(rng.Float64() * 3e7 * float64(time.Second)))}
	pole := Pole(site, m.air, Refracted)
	m.axis = sky.RotationFromVector(r3.Scale(float64(offset), squareTo(rng, sky.Vec(pole)))).Apply(sky.Vec(pole))
	bore := sky.RotationFromVector(r3.Scale(float64(sep), squareTo(rng, m.axis))).Apply(m.axis)
	x := squareTo(rng, bore)
	y := r3.Cross(bore, x)
	if rng.IntN(2) == 0 {
		y = r3.Scale(-1, y)
	}
	m.body = sky.FromColumns(x, y, bore)
	return m
}

// squareTo is a random unit vector square to d.
func squareTo(rng *rand.Rand, d sky.Vec) sky.Vec {
	for {
		v := randomUnit(rng)
		v = r3.Sub(v, r3.Scale(r3.Dot(v, d), d))
		if r3.Norm(v) > 0.1 {
			return sky.Unit(v)
		}
	}
}

func (m *simMount) axisNow() sky.Local { return sky.Local(m.ground.Apply(m.axis)) }

func (m *simMount) attitude() sky.Matrix {
	return m.ground.Mul(sky.Rotation(m.axis, m.theta)).Mul(m.body)
}

// field draws stars: camera directions, and where they are seen, in the local
// frame.
func (m *simMount) field(noise float64) []star {
	r := m.attitude()
	out := make([]star, m.stars)
	for i := range out {
		w := float64(m.fieldW)
		u := sky.Unit(sky.Vec{X: (m.rng.Float64() - 0.5) * w, Y: (m.rng.Float64() - 0.5) * w * 0.7, Z: 1})
		out[i] = star{local: r.Apply(u), sigma: float64(m.sigma)}
		out[i].camera = sky.Unit(r3.Add(u, sky.Vec{X: noise * gauss(m.rng, m.sigma), Y: noise * gauss(m.rng, m.sigma)}))
	}
	return out
}

// pairs are the same as matched pairs, through the observer.
func (m *simMount) pairs(noise float64) []Pair {
	o, err := NewObserver(m.site, m.air, m.now, 0)
	if err != nil {
		panic(err)
	}
	var out []Pair
	for _, f := range m.field(noise) {
		out = append(out, Pair{Camera: sky.Camera(f.camera), ICRS: o.ICRS(sky.Local(f.local)), Sigma: sky.Angle(f.sigma)})
	}
	return out
}

// wait lets time pass, the drive running or not.
func (m *simMount) wait(d time.Duration, drive bool) {
	m.now = m.now.Add(d)
	if drive {
		rate := -siderealRate
		if m.site.South() {
			rate = siderealRate
		}
		m.theta += sky.Angle(rate * d.Seconds())
	}
}

// turnBolts turns the azimuth bolt (its line tilted by tilt towards a
// direction) and the hinge.
func (m *simMount) turnBolts(az, alt sky.Angle, tilt sky.Vec) {
	up := sky.Unit(sky.Vec{X: tilt.X, Y: tilt.Y, Z: 1})
	hinge := sky.Unit(r3.Cross(m.ground.Apply(m.axis), up))
	m.ground = sky.Rotation(up, -az).Mul(sky.Rotation(hinge, alt)).Mul(m.ground)
}

// turnBetween is the size of the rotation from one attitude to another.
func turnBetween(a, b sky.Matrix) sky.Angle {
	return sky.Angle(r3.Norm(sky.VectorFromRotation(a.Mul(b.Transpose()))))
}

// mahalanobis is the squared distance of the truth from a direction in units of
// its covariance (in its tangent plane, across and up).
func mahalanobis(d sky.Local, cov [2][2]float64, truth sky.Local) float64 {
	b := sky.TangentBasis(sky.Vec(d))
	off := r3.Sub(sky.Vec(truth), sky.Vec(d))
	e := [2]float64{r3.Dot(b[0], off), r3.Dot(b[1], off)}
	w, _ := sky.Invert2(cov)
	return e[0]*(w[0][0]*e[0]+w[0][1]*e[1]) + e[1]*(w[1][0]*e[0]+w[1][1]*e[1])
}

// exactAxis is how closely an axis must come back from frames without noise:
// a double rounds at 2e-11 arcsec, some hundred roundings add up.
const exactAxis = 1e-6 * sky.Arcsecond

// airless is no air at all: what the textbooks' formulas of drift assume.
var airless = sky.Air{TemperatureC: 10, WavelengthUm: 0.55}
