package axis

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"polard/mountmodel/internal/simmount"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// faultySession makes frames over 100 degrees of turn, with a fault at frame
// at.
func faultySession(t *testing.T, rng *rand.Rand, frames int, fault Fault, at int) *Fit {
	t.Helper()
	return shakySession(t, rng, frames, fault, at, 0)
}

// shakySession is that of a mount that shakes.
func shakySession(t *testing.T, rng *rand.Rand, frames int, fault Fault, at int, shakes sky.Angle) *Fit {
	t.Helper()
	m := simmount.New(rng, sky.Site{Latitude: sky.Angle(rng.Float64()*140-70) * sky.Degree}, 30*sky.Arcminute, sky.Angle(rng.Float64()*90)*sky.Degree)
	m.Stars = 10 + rng.IntN(60)
	m.FieldW = sky.Angle(0.7+4*rng.Float64()) * sky.Degree
	size := sky.Angle(2*math.Exp(rng.Float64()*math.Log(60))) * sky.Arcminute
	bend := simmount.SquareTo(rng, m.Axis)
	var att []sky.Attitude
	for i := range frames {
		switch {
		case fault == TubeStep && i == at:
			m.Body = sky.RotationFromVector(r3.Scale(float64(size), simmount.SquareTo(rng, m.Axis))).Mul(m.Body)
		case fault == MountStep && i == at:
			m.Ground = sky.RotationFromVector(r3.Scale(float64(size), simmount.SquareTo(rng, m.Axis)))
		case fault == Unexplained: // it bends as it turns
			m.Ground = sky.RotationFromVector(r3.Scale(float64(size)*math.Sin(2*float64(m.Theta)), bend))
		}
		st, err := observed.FitAttitude(m.Field(1))
		if err != nil {
			t.Fatal(err)
		}
		if fault == FrameAlone && i == at {
			st.R = sky.RotationFromVector(r3.Scale(float64(size), simmount.SquareTo(rng, m.Axis))).Mul(st.R)
		}
		st.R = sky.RotationFromVector(sky.Vec{X: simmount.Gauss(rng, shakes), Y: simmount.Gauss(rng, shakes), Z: simmount.Gauss(rng, shakes)}).Mul(st.R)
		att = append(att, st.Attitude)
		m.Theta += 100 * sky.Degree / sky.Angle(frames-1)
	}
	// What is broken by degrees gives no axis, and is diagnosed all the same.
	fit, err := find(att, observed.Pole(m.Site, m.Air, observed.Refracted))
	if err != nil && !errors.Is(err, ErrNotRigid) {
		t.Fatal(err)
	}
	return fit
}

// Faults of 2' to 2 degrees, six frames. A step that leaves one frame on its
// far side cannot be told from that frame alone, and is drawn elsewhere.
func TestDiagnose(t *testing.T) {
	rng := rand.New(rand.NewPCG(20, 1))
	const frames = 6
	for _, c := range []struct {
		fault  Fault
		shakes sky.Angle
	}{{NoFault, 0}, {FrameAlone, 0}, {TubeStep, 0}, {MountStep, 0}, {Unexplained, 0}, {FrameAlone, 5 * sky.Arcsecond}, {TubeStep, 5 * sky.Arcsecond}, {MountStep, 5 * sky.Arcsecond}} {
		right, fault, trials := 0, c.fault, 100
		if c.shakes > 0 {
			trials = 40 // the noise is sought, which takes time
		}
		for range trials {
			at := 2 + rng.IntN(frames-3)
			d := shakySession(t, rng, frames, fault, at, c.shakes).Diagnose()
			placed := d.Frame == at || fault == NoFault || fault == Unexplained
			if d.Fault == fault && d.OneOf == nil && placed {
				right++
			}
		}
		want := 0.95 // the job's limit for faults
		switch {
		case fault == NoFault:
			want = 0.99 // and for false alarms; rigidDoubt makes it 0.999
		case c.shakes > 0:
			want = 0.9 // the least of them, 2', are 24 times the shaking
		}
		t.Logf("shakes by %.0f\", fault %d: right name and place in %.1f %%", c.shakes.Arcseconds(), fault, 100*float64(right)/float64(trials))
		if float64(right) < want*float64(trials) {
			t.Errorf("fault %d: right in %d of %d only", fault, right, trials)
		}
	}
}

// What cannot be known is not claimed: three frames never name the culprit,
// and neither do two.
func TestDiagnoseClaimsNothingFromTooFew(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 1))
	for range 50 {
		if d := faultySession(t, rng, 3, TubeStep, 1).Diagnose(); d.Fault != Unexplained && d.Fault != NoFault {
			t.Errorf("three frames: %+v", d)
		}
		if d := faultySession(t, rng, 2, TubeStep, 1).Diagnose(); d.Fault != NoFault {
			t.Errorf("two frames: %+v", d)
		}
	}
}

// Among hundreds of frames a step is still found where it is.
func TestDiagnoseManyFrames(t *testing.T) {
	rng := rand.New(rand.NewPCG(24, 1))
	for _, fault := range []Fault{TubeStep, MountStep, FrameAlone} {
		if d := faultySession(t, rng, 120, fault, 53).Diagnose(); d.Fault != fault || d.Frame != 53 {
			t.Errorf("fault %d: %+v", fault, d)
		}
	}
}
