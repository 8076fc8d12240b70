package nights

import (
	"math"
	"math/rand/v2"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"polard/mountmodel/internal/simmount"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// nightMount is a German equatorial mount that spends a night taking pictures:
// the truth behind the tests of watching.
type nightMount struct {
	rng     *rand.Rand
	lat     sky.Angle
	start   sky.Vec    // axis at hour 0
	drift   sky.Vec    // of the axis per hour, radians
	tube    sky.Matrix // of the camera on the tube: cone error and roll
	flexure sky.Matrix // rotation of the camera, radians, per unit of the weight's direction in the tube's frame
	jitter  sky.Angle
	guided  bool
	dither  sky.Angle // size of the steps between frames, in declination and right ascension
	worm    sky.Angle // amplitude of the drive's periodic error
	frames  []Exposure
	began   time.Time
	// Errors made; the frames are always told those of below.
	pointing, roll sky.Angle
}

func newNight(rng *rand.Rand, offset sky.Angle) *nightMount {
	m := &nightMount{rng: rng, worm: 7 * sky.Arcsecond, lat: sky.Angle(20+40*rng.Float64()) * sky.Degree, began: time.Date(2026, 10, 3, 19, 0, 0, 0, time.UTC),
		pointing: nightPointing, roll: nightRoll}
	if rng.IntN(3) == 0 {
		m.lat = -m.lat
	}
	pole := m.pole()
	m.start = sky.RotationFromVector(r3.Scale(float64(offset), simmount.SquareTo(rng, sky.Vec(pole)))).Apply(sky.Vec(pole))
	cone := sky.RotationFromVector(sky.Vec{X: simmount.Gauss(rng, 0.2*sky.Degree), Y: simmount.Gauss(rng, 0.2*sky.Degree)})
	m.tube = cone.Mul(sky.Rotation(sky.Vec{Z: 1}, sky.Angle(rng.Float64())*sky.Turn))
	return m
}

func (m *nightMount) pole() sky.Local {
	return observed.Pole(sky.Site{Latitude: m.lat}, simmount.Airless, observed.True)
}

func (m *nightMount) axisAt(hours float64) sky.Vec {
	return sky.Unit(r3.Add(m.start, r3.Scale(hours, m.drift)))
}

// bend gives the mount a random flexure of the given size: about that much
// between the tube upright and level.
func (m *nightMount) bend(size sky.Angle) {
	for i := range 3 {
		for j := range 3 {
			m.flexure[i][j] = simmount.Gauss(m.rng, size)
		}
	}
}

// expose takes frames of one target, hour angle and declination at the start,
// from hour to hour, with one frame every cadence.
func (m *nightMount) expose(from, to float64, hour, dec sky.Angle, west bool, cadence time.Duration) {
	// The tube's place: RA axis turned to the target's hour angle, declination
	// axis square to it.
	axis0 := m.axisAt(from)
	target := sky.Vec(sky.LocalFromHour(m.lat, hour, dec))
	side := 1.0
	if west {
		side = -1
	}
	hinge := r3.Scale(side, sky.Unit(r3.Cross(axis0, target)))
	ra := sky.Separation(sky.Local(axis0), sky.Local(target)) * sky.Angle(side)
	x := hinge
	base := sky.FromColumns(x, r3.Cross(axis0, x), axis0) // tube frame with the declination at the axis
	sense := -1.0
	if m.lat < 0 {
		sense = 1
	}
	correction := sky.Angle(0)
	var held sky.ICRS
	noisy := func(v sky.Angle) float64 { return simmount.Gauss(m.rng, v) }
	for t := from; t <= to; t += cadence.Hours() {
		n := m.axisAt(t)
		// The axis moves the whole mount.
		lift := sky.RotationFromVector(r3.Cross(axis0, n))
		theta := sky.Angle(sense*observed.SiderealRate*3600*(t-from)) + m.worm*sky.Angle(math.Sin(2*math.Pi*t*3600/480)) + sky.Angle(noisy(m.dither))
		mid := m.began.Add(time.Duration(t * float64(time.Hour)))
		stand := func(c sky.Angle) sky.Matrix {
			b := lift.Mul(sky.Rotation(axis0, theta)).Mul(sky.Rotation(hinge, ra+c)).Mul(base)
			g := b.Transpose().Apply(sky.Vec{Z: -1})
			return b.Mul(sky.RotationFromVector(m.flexure.Apply(g))).Mul(m.tube)
		}
		r := stand(correction)
		if m.guided {
			if held == (sky.ICRS{}) {
				held = m.icrs(sky.Local(r.Column(2)), mid)
			}
			for range 3 {
				got := m.icrs(sky.Local(r.Column(2)), mid)
				more := m.icrs(sky.Local(stand(correction+1*sky.Arcsecond).Column(2)), mid)
				slope := (more.Z - got.Z) / float64(1*sky.Arcsecond)
				correction += sky.Angle((held.Z - got.Z) / slope)
				r = stand(correction)
			}
		}
		r = stand(correction + sky.Angle(noisy(m.dither)))
		r = sky.RotationFromVector(sky.Vec{X: noisy(m.jitter), Y: noisy(m.jitter), Z: noisy(m.jitter)}).Mul(r)
		e := sky.Vec{X: noisy(m.pointing), Y: noisy(m.pointing), Z: noisy(m.roll)} // camera axes
		cov := r.Mul(sky.Matrix{{float64(nightPointing * nightPointing)}, {0, float64(nightPointing * nightPointing)}, {0, 0, float64(nightRoll * nightRoll)}}).Mul(r.Transpose())
		r = sky.RotationFromVector(r.Apply(e)).Mul(r)
		m.frames = append(m.frames, Exposure{Attitude: sky.Attitude{R: r, Cov: cov}, Mid: mid, Pointing: m.icrs(sky.Local(r.Column(2)), mid)})
	}
}

// icrs is a sky that only turns.
func (m *nightMount) icrs(d sky.Local, at time.Time) sky.ICRS {
	north := sky.Vec{Y: m.lat.Cos(), Z: m.lat.Sin()}
	back := sky.Rotation(north, sky.Angle(observed.SiderealRate*at.Sub(m.began).Seconds())).Apply(sky.Vec(d))
	e := sky.Vec{X: 1}
	return sky.ICRS{X: r3.Dot(back, r3.Cross(e, north)), Y: r3.Dot(back, e), Z: r3.Dot(back, north)}
}

func (m *nightMount) hours() float64 {
	return m.frames[len(m.frames)-1].Mid.Sub(m.began).Hours()
}

func (m *nightMount) truth() sky.Local { return sky.Local(m.axisAt(m.hours())) }

// night is four targets and a flip: six and a half hours.
func (m *nightMount) night(cadence time.Duration) {
	s := sky.Angle(1)
	if m.lat < 0 {
		s = -1
	}
	m.expose(0, 1.5, 35*sky.Degree, s*10*sky.Degree, true, cadence)
	m.expose(1.6, 3, -30*sky.Degree, s*35*sky.Degree, false, cadence)
	m.expose(3.1, 4.2, -10*sky.Degree, s*(-5)*sky.Degree, false, cadence)
	m.expose(4.3, 5, 6*sky.Degree, s*(-5)*sky.Degree, true, cadence)
	m.expose(5.1, 6.5, -50*sky.Degree, s*60*sky.Degree, false, cadence)
}

// two are two targets on either side of the meridian, an hour each.
func (m *nightMount) two(cadence time.Duration) {
	s := sky.Angle(math.Copysign(1, float64(m.lat)))
	m.expose(0, 1, sky.Angle(10+m.rng.Float64()*30)*sky.Degree, s*sky.Angle(m.rng.Float64()*40)*sky.Degree, true, cadence)
	m.expose(1.1, 2.1, -sky.Angle(15+m.rng.Float64()*30)*sky.Degree, s*sky.Angle(m.rng.Float64()*40)*sky.Degree, false, cadence)
}

// one is a single target somewhere in the sky.
func (m *nightMount) one(hours float64, cadence time.Duration) {
	s := sky.Angle(math.Copysign(1, float64(m.lat)))
	m.expose(0, hours, sky.Angle(m.rng.Float64()*80-40)*sky.Degree, s*sky.Angle(m.rng.Float64()*40)*sky.Degree, false, cadence)
}
