package simmount

import (
	"math"
	"math/rand/v2"
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// Mount is a mount with a known axis, drawn at random, that makes frames
// with known noise: the truth that the tests measure against.
type Mount struct {
	Rng    *rand.Rand
	Site   sky.Site
	Air    sky.Air
	Axis   sky.Vec    // local, pole-seeking end
	Body   sky.Matrix // camera attitude at angle 0
	Theta  sky.Angle
	Ground sky.Matrix // turn of mount and axis by the bolts since the start
	FieldW sky.Angle
	Stars  int
	Sigma  sky.Angle
	Now    time.Time
}

// Gauss draws from a normal distribution about zero of standard deviation s, in radians.
func Gauss(rng *rand.Rand, s sky.Angle) float64 { return rng.NormFloat64() * float64(s) }

// RandomUnit draws a direction, evenly over the sphere.
func RandomUnit(rng *rand.Rand) sky.Vec {
	z := 2*rng.Float64() - 1
	s := math.Sqrt(1 - z*z)
	lon := 2 * math.Pi * rng.Float64()
	return sky.Vec{X: s * math.Cos(lon), Y: s * math.Sin(lon), Z: z}
}

// New is a random mount at a site, offset from the pole by about offset,
// the camera at distance sep from the axis.
func New(rng *rand.Rand, site sky.Site, offset, sep sky.Angle) *Mount {
	m := &Mount{Rng: rng, Site: site, Air: sky.StandardAir(site.ElevationM), Ground: sky.Identity,
		FieldW: 1 * sky.Degree, Stars: 20, Sigma: 0.4 * sky.Arcsecond,
		Now: time.Date(2026, 3, 7, 20, 0, 0, 0, time.UTC).Add(time.Duration(rng.Float64() * 3e7 * float64(time.Second)))}
	m.Now = night(site, m.Air, m.Now)
	pole := observed.Pole(site, m.Air, observed.Refracted)
	m.Axis = sky.RotationFromVector(r3.Scale(float64(offset), SquareTo(rng, sky.Vec(pole)))).Apply(sky.Vec(pole))
	bore := sky.RotationFromVector(r3.Scale(float64(sep), SquareTo(rng, m.Axis))).Apply(m.Axis)
	x := SquareTo(rng, bore)
	y := r3.Cross(bore, x)
	if rng.IntN(2) == 0 {
		y = r3.Scale(-1, y)
	}
	m.Body = sky.FromColumns(x, y, bore)
	return m
}

// night is the first time from t on, in steps, at which the Sun is well down;
// near the poles that may be months away.
func night(site sky.Site, air sky.Air, t time.Time) time.Time {
	const step = 47 * time.Minute
	for range 366 * 24 {
		o, err := observed.NewObserver(site, air, t, 0)
		if err != nil {
			return t
		}
		if alt, _ := sky.AltAzFromLocal(o.Sun()); alt < -20*sky.Degree {
			break
		}
		t = t.Add(step)
	}
	return t
}

// SquareTo is a random unit vector square to d.
func SquareTo(rng *rand.Rand, d sky.Vec) sky.Vec {
	for {
		v := RandomUnit(rng)
		v = r3.Sub(v, r3.Scale(r3.Dot(v, d), d))
		if r3.Norm(v) > 0.1 {
			return sky.Unit(v)
		}
	}
}

// AxisNow is where the pole-seeking end of the axis points now.
func (m *Mount) AxisNow() sky.Local { return sky.Local(m.Ground.Apply(m.Axis)) }

// Attitude is the camera's now, camera to local frame.
func (m *Mount) Attitude() sky.Matrix {
	return m.Ground.Mul(sky.Rotation(m.Axis, m.Theta)).Mul(m.Body)
}

// Field draws stars: camera directions, and where they are seen, in the local
// frame.
func (m *Mount) Field(noise float64) []observed.Star {
	r := m.Attitude()
	out := make([]observed.Star, m.Stars)
	for i := range out {
		w := float64(m.FieldW)
		u := sky.Unit(sky.Vec{X: (m.Rng.Float64() - 0.5) * w, Y: (m.Rng.Float64() - 0.5) * w * 0.7, Z: 1})
		out[i] = observed.Star{Local: r.Apply(u), Sigma: float64(m.Sigma)}
		out[i].Camera = sky.Unit(r3.Add(u, sky.Vec{X: noise * Gauss(m.Rng, m.Sigma), Y: noise * Gauss(m.Rng, m.Sigma)}))
	}
	return out
}

// Pairs are the same as matched pairs, through the observer.
func (m *Mount) Pairs(noise float64) []observed.Pair {
	o, err := observed.NewObserver(m.Site, m.Air, m.Now, 0)
	if err != nil {
		panic(err)
	}
	var out []observed.Pair
	for _, f := range m.Field(noise) {
		out = append(out, observed.Pair{Camera: sky.Camera(f.Camera), ICRS: o.ICRS(sky.Local(f.Local)), Sigma: sky.Angle(f.Sigma)})
	}
	return out
}

// Wait lets time pass, the drive running or not.
func (m *Mount) Wait(d time.Duration, drive bool) {
	m.Now = m.Now.Add(d)
	if drive {
		rate := -observed.SiderealRate
		if m.Site.South() {
			rate = observed.SiderealRate
		}
		m.Theta += sky.Angle(rate * d.Seconds())
	}
}

// TurnBolts turns the azimuth bolt (its line tilted by tilt towards a
// direction) and the hinge.
func (m *Mount) TurnBolts(az, alt sky.Angle, tilt sky.Vec) {
	up := sky.Unit(sky.Vec{X: tilt.X, Y: tilt.Y, Z: 1})
	hinge := sky.Unit(r3.Cross(m.Ground.Apply(m.Axis), up))
	m.Ground = sky.Rotation(up, -az).Mul(sky.Rotation(hinge, alt)).Mul(m.Ground)
}

// TurnBetween is the size of the rotation from one attitude to another.
func TurnBetween(a, b sky.Matrix) sky.Angle {
	return sky.Angle(r3.Norm(sky.VectorFromRotation(a.Mul(b.Transpose()))))
}

// Mahalanobis is the squared distance of the truth from a direction in units of
// its covariance (in its tangent plane, across and up).
func Mahalanobis(d sky.Local, cov sky.Cov2, truth sky.Local) float64 {
	b := sky.TangentBasis(sky.Vec(d))
	off := r3.Sub(sky.Vec(truth), sky.Vec(d))
	w, _ := cov.Inverse()
	return w.Form([2]float64{r3.Dot(b[0], off), r3.Dot(b[1], off)})
}

// ExactAxis is how closely an axis must come back from frames without noise:
// a double rounds at 2e-11 arcsec, some hundred roundings add up.
const ExactAxis = 1e-6 * sky.Arcsecond

// Airless is no air at all: what the textbooks' formulas of drift assume.
var Airless = sky.Air{TemperatureC: 10, WavelengthUm: 0.55}

// Shot is a frame without noise: what was matched, and when.
type Shot struct {
	Mid   time.Time
	Pairs []observed.Pair
}

// Shots are four frames over 75 degrees of turn, none lower than 35 degrees.
func (m *Mount) Shots() []Shot {
	for m.Theta = 0; m.Theta < sky.Turn; m.Theta += 5 * sky.Degree {
		from, good := m.Theta, true
		for k := range 4 {
			m.Theta = from + sky.Angle(k)*25*sky.Degree
			alt, _ := sky.AltAzFromLocal(sky.Local(m.Attitude().Column(2)))
			good = good && alt > 35*sky.Degree
		}
		m.Theta = from
		if good {
			var out []Shot
			for range 4 {
				out = append(out, Shot{Mid: m.Now, Pairs: m.Pairs(0)})
				m.Theta += 25 * sky.Degree
				m.Wait(time.Minute, false)
			}
			return out
		}
	}
	return nil
}
