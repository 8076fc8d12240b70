package tracking

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"polard/mountmodel/axis"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// rig is a mount that tracks, its axis off from the pole.
type rig struct {
	rng     *rand.Rand
	setting Setting
	axis    sky.Local
	tube    sky.Vec // line of sight at start
	start   time.Time

	rate   float64       // of the drive, sidereal
	worm   time.Duration // of the periodic error; 0: none
	uneven sky.Angle     // its amplitude
	wobble sky.Angle     // of each frame, per coordinate
	hangs  sky.Angle     // of the tube when level
}

var night = time.Date(2026, 3, 12, 21, 0, 0, 0, time.UTC)

func newRig(seed uint64) *rig {
	rng := rand.New(rand.NewPCG(seed, 41))
	lat := sky.Angle(15+45*rng.Float64()) * sky.Degree
	if rng.IntN(2) == 0 {
		lat = -lat
	}
	r := &rig{rng: rng, start: night, rate: 1 + 0.002*rng.NormFloat64(), worm: 8 * time.Minute, uneven: 10 * sky.Arcsecond, wobble: 0.7 * sky.Arcsecond}
	r.setting = Setting{Site: sky.Site{Latitude: lat, Longitude: 12 * sky.Degree}, Air: sky.StandardAir(0)}
	pole := sky.Vec(observed.Pole(r.setting.Site, r.setting.Air, observed.Refracted))
	b := sky.TangentBasis(pole)
	r.axis = sky.Local(sky.Unit(r3.Add(pole, r3.Add(r3.Scale(float64(3*sky.Arcminute)*rng.NormFloat64(), b[0]), r3.Scale(float64(3*sky.Arcminute)*rng.NormFloat64(), b[1])))))
	r.tube = sky.Vec(sky.LocalFromAltAz(sky.Angle(35+40*rng.Float64())*sky.Degree, sky.Angle(rng.Float64())*sky.Turn))
	return r
}

// track takes frames at a cadence, rigid but for what the rig does wrong.
func (r *rig) track(count int, every time.Duration) (out []Frame) {
	x := sky.TangentBasis(r.tube)[0]
	body := sky.FromColumns(x, r3.Cross(r.tube, x), r.tube)
	way := -1.0
	if r.setting.Site.South() {
		way = 1
	}
	for i := range count {
		t := time.Duration(i) * every
		turn := r.rate * observed.SiderealRate * t.Seconds()
		if r.worm > 0 {
			turn += float64(r.uneven) * math.Sin(2*math.Pi*t.Seconds()/r.worm.Seconds())
		}
		now := sky.Rotation(sky.Vec(r.axis), sky.Angle(way*turn)).Mul(body)
		if r.hangs != 0 {
			now = sky.RotationFromVector(r3.Scale(float64(r.hangs), r3.Cross(now.Column(2), sky.Vec{Z: -1}))).Mul(now)
		}
		shake := r3.Scale(float64(r.wobble), sky.Vec{X: r.rng.NormFloat64(), Y: r.rng.NormFloat64(), Z: r.rng.NormFloat64()})
		v := float64(r.wobble * r.wobble)
		out = append(out, Frame{sky.Attitude{R: sky.RotationFromVector(shake).Mul(now), Cov: sky.Matrix{{v, 0, 0}, {0, v, 0}, {0, 0, v}}}, r.start.Add(t)})
	}
	return out
}

// known is the axis as a measurement has it, known to sigma.
func (r *rig) known(sigma sky.Angle) axis.Axis {
	across, up := sky.Tangents(r.axis)
	s := float64(sigma)
	dir := sky.Unit(r3.Add(sky.Vec(r.axis), r3.Add(r3.Scale(s*r.rng.NormFloat64(), across), r3.Scale(s*r.rng.NormFloat64(), up))))
	return axis.Axis{Dir: sky.Local(dir), Cov: [2][2]float64{{s * s, 0}, {0, s * s}}}
}

// Without air, a star on the meridian drifts in declination by the axis's error in
// azimuth alone, one in the east or west by its error in altitude: 15.04 arcsec of hour
// angle in a second of time, so 0.2625 arcsec in a minute for each arcminute (Covington
// 1999, Astrophotography for the Amateur, appendix B; Hook 1989).
func TestDriftIsThatOfTheBooks(t *testing.T) {
	for _, c := range []struct {
		name       string
		lat        sky.Angle
		across, up sky.Angle // of the axis
		alt, az    sky.Angle // of the tube
		want       float64   // arcsec in a minute, towards the pole
		sensitive  [2]float64
	}{
		// An axis to the east of the pole: a star in the south goes north of where it was... the
		// sign follows from turning the star about the pole and the tube about the axis.
		{"meridian, axis east", 40 * sky.Degree, 10 * sky.Arcminute, 0, 50 * sky.Degree, 180 * sky.Degree, 2.625, [2]float64{1, 0}},
		{"meridian, axis high", 40 * sky.Degree, 0, 10 * sky.Arcminute, 50 * sky.Degree, 180 * sky.Degree, 0, [2]float64{1, 0}},
		{"equator in the west, axis high", 40 * sky.Degree, 0, 10 * sky.Arcminute, 0.1 * sky.Degree, 270 * sky.Degree, 2.625, [2]float64{0, 1}},
		{"equator in the east, axis high", 40 * sky.Degree, 0, 10 * sky.Arcminute, 0.1 * sky.Degree, 90 * sky.Degree, -2.625, [2]float64{0, 1}},
		{"south, meridian, axis east", -35 * sky.Degree, 10 * sky.Arcminute, 0, 55 * sky.Degree, 0, 2.625, [2]float64{1, 0}},
	} {
		r := &rig{rng: rand.New(rand.NewPCG(1, 1)), start: night, rate: 1}
		r.setting = Setting{Site: sky.Site{Latitude: c.lat}, Air: sky.Air{TemperatureC: 10, WavelengthUm: 0.55}}
		pole := observed.Pole(r.setting.Site, r.setting.Air, observed.Refracted)
		east, up := sky.Tangents(pole)
		if c.lat < 0 {
			east = r3.Scale(-1, east)
		}
		r.axis = sky.Local(sky.Unit(r3.Add(sky.Vec(pole), r3.Add(r3.Scale(float64(c.across), east), r3.Scale(float64(c.up), up)))))
		r.tube = sky.Vec(sky.LocalFromAltAz(c.alt, c.az))
		d, ok := driftOf(r.setting, r.track(20, 15*time.Second), axis.Axis{Dir: r.axis})
		if !ok {
			t.Fatalf("%s: no drift", c.name)
		}
		// In five minutes the hour angle moves by 1.2 degrees, 2 % of a radian.
		if math.Abs(math.Abs(d.Predicted.Arcseconds())-math.Abs(c.want)) > 0.06 || c.want != 0 && d.Predicted.Arcseconds()*c.want < 0 {
			t.Errorf("%s: predicted %+.3f arcsec a minute, want %+.3f", c.name, d.Predicted.Arcseconds(), c.want)
		}
		if (d.Seen - d.Predicted).Abs() > 0.001*sky.Arcsecond {
			t.Errorf("%s: seen %+.4f", c.name, d.Seen.Arcseconds())
		}
		if math.Abs(math.Abs(d.Across)-c.sensitive[0]) > 0.03 || math.Abs(math.Abs(d.Up)-c.sensitive[1]) > 0.03 || math.Abs(d.Minutes/228.6-1) > 0.03 {
			// An arcminute of error for 0.2625 arcsec a minute: 60/0.2625 = 228.6.
			t.Errorf("%s: sensitive to %.3f, %.3f, %.1f minutes", c.name, d.Across, d.Up, d.Minutes)
		}
	}
}

// Over rigs of all kinds the difference between drift seen and predicted is what its
// standard deviation says, and a proof never contradicts an axis that is right.
func TestProofHoldsWhereItShould(t *testing.T) {
	var squares float64
	holds, tested := 0, 0
	for seed := range uint64(150) {
		r := newRig(seed)
		r.hangs = sky.Angle(r.rng.NormFloat64()) * usualBending
		s := Begin(r.setting, r.known(5*sky.Arcsecond))
		for _, f := range r.track(40, 20*time.Second) {
			s = s.With(f)
		}
		p := s.Proof(1 * sky.Arcminute)
		if p.Drift == nil || p.Verdict == Fails || p.Verdict == Moved {
			t.Errorf("seed %d: %+v %s", seed, p.Verdict, p.Said)
			continue
		}
		if p.Verdict == Holds {
			holds++
		}
		z := float64((p.Drift.Seen - p.Drift.Predicted) / p.Drift.Sigma())
		squares += z * z
		tested++
	}
	// A chi-square of 150 degrees of freedom lies between 0.6 and 1.5 of them.
	if mean := squares / float64(tested); mean < 0.4 || mean > 1.5 {
		t.Errorf("the difference is %.2f of its stated variance", mean)
	}
	if 2*holds < tested {
		t.Errorf("only %d of %d proofs came to an end in 13 minutes", holds, tested)
	}
	t.Logf("%d of %d hold, variance %.2f of the stated", holds, tested, squares/float64(tested))
}

// An axis that is not where it was measured is contradicted, unless its error lies across
// the direction to which the stretch is sensitive.
func TestProofFailsWhereItShould(t *testing.T) {
	missed := 0
	for seed := range uint64(100) {
		r := newRig(seed)
		wrong := r.known(5 * sky.Arcsecond)
		b := axisBasis(wrong.Dir)
		way := sky.Angle(r.rng.Float64()) * sky.Turn
		by := 4 * sky.Arcminute
		wrong.Dir = sky.Local(sky.Unit(r3.Add(sky.Vec(wrong.Dir), r3.Add(r3.Scale(float64(by)*way.Cos(), b[0]), r3.Scale(float64(by)*way.Sin(), b[1])))))
		s := Begin(r.setting, wrong)
		for _, f := range r.track(40, 20*time.Second) {
			s = s.With(f)
		}
		p := s.Proof(1 * sky.Arcminute)
		along := by * sky.Angle(way.Cos()*p.Drift.Across+way.Sin()*p.Drift.Up)
		off, sigma := p.Drift.Off()
		if (off + along).Abs() > 5*sigma+20*sky.Arcsecond {
			t.Errorf("seed %d: off by %.1f arcsec, found %.1f give or take %.1f", seed, -along.Arcseconds(), off.Arcseconds(), sigma.Arcseconds())
		}
		if along.Abs() > 6*sigma+20*sky.Arcsecond && p.Verdict != Fails {
			missed++
			t.Errorf("seed %d: off by %.1f arcsec, known to %.1f, and %s", seed, along.Arcseconds(), sigma.Arcseconds(), p.Verdict)
		}
	}
}

// A telescope that is turned, dithered far, or guided while the proof runs proves nothing.
func TestProofEndsWhenMoved(t *testing.T) {
	r := newRig(7)
	frames := r.track(10, 20*time.Second)
	s := Begin(r.setting, r.known(5*sky.Arcsecond))
	for _, f := range frames[:5] {
		s = s.With(f)
	}
	if p := s.Proof(sky.Arcminute); p.Verdict != Running || p.Frames != 5 || p.Drift != nil {
		t.Errorf("five frames: %+v", p)
	}
	turned := frames[5]
	turned.R = sky.Rotation(sky.Vec{X: 1}, 1*sky.Degree).Mul(turned.R)
	if p := s.With(turned).With(frames[6]).Proof(sky.Arcminute); p.Verdict != Moved || p.Said.Code != "proof_moved" {
		t.Errorf("after a turn: %+v", p)
	}
	if p := s.With(frames[5]).Proof(sky.Arcminute); p.Verdict != Running || p.Drift == nil {
		t.Errorf("left alone: %+v", p)
	}
}
