package camera

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// place carries a direction through the keywords: tangent plane (Calabretta and
// Greisen 2002, eqs. 12 to 17 and 54), inverse of CD, AP and BP. ok is false behind the plane.
func (w *WCS) place(d sky.ICRS) (sky.Pixel, bool) {
	ra, _ := sky.RADecFromICRS(w.At)
	east := sky.Vec{X: -ra.Sin(), Y: ra.Cos()}
	north := r3.Cross(sky.Vec(w.At), east)
	z := r3.Dot(sky.Vec(d), sky.Vec(w.At))
	if z <= 0 {
		return sky.Pixel{}, false
	}
	x := r3.Dot(sky.Vec(d), east) / z * 180 / math.Pi
	y := r3.Dot(sky.Vec(d), north) / z * 180 / math.Pi
	det := w.CD[0][0]*w.CD[1][1] - w.CD[0][1]*w.CD[1][0]
	u := (w.CD[1][1]*x - w.CD[0][1]*y) / det
	v := (w.CD[0][0]*y - w.CD[1][0]*x) / det
	return sky.Pixel{X: w.Reference.X + u + w.AP.at(u, v), Y: w.Reference.Y + v + w.BP.at(u, v)}, true
}

// TestWCSAgainstTheFit: the keywords put stars where the fit, with air and
// lens, puts them, and polynomials forth and back cancel.
func TestWCSAgainstTheFit(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 1))
	for k := range 200 {
		field := sky.Angle(0.4*math.Pow(60/0.4, rng.Float64())) * sky.Degree
		f := Fit{Camera: randomCamera(rng, 1600, 1200, field, k%2 == 0)}
		corner := 1000 * f.Scale.Radians()
		if field > lensField {
			// Up to 6 % at the corner, either way; from 8 % inwards on, the inverse
			// needs more than order 9.
			f.K1, f.K2 = 0.05*(2*rng.Float64()-1)/sq(corner), 0.01*(2*rng.Float64()-1)/sq(sq(corner))
			f.Axis.X += 20 * rng.NormFloat64()
			f.Axis.Y += 20 * rng.NormFloat64()
		}
		f.Shear[0], f.Shear[1] = 2e-4*rng.NormFloat64(), 2e-4*rng.NormFloat64()
		w, err := f.WCS(f.Shear)
		if err != nil {
			t.Fatal(err)
		}
		for range 50 {
			p := sky.Pixel{X: 1600*rng.Float64() - 0.5, Y: 1200*rng.Float64() - 0.5}
			d := f.ICRS(p) // shear apart, somewhere in the image
			want, ok1 := f.predict(d, nil, nil)
			got, ok2 := w.place(d)
			const rounding = 1e-6 // pixels
			if off := math.Hypot(got.X-want.X, got.Y-want.Y); !ok1 || !ok2 || off > w.Residual*1.5+rounding {
				t.Fatalf("camera %d, field %.1f degrees: keywords put a star %g pixels off, %g stated", k, field.Degrees(), off, w.Residual)
			}
			u, v := want.X-f.Axis.X, want.Y-f.Axis.Y
			uu, vv := u+w.A.at(u, v), v+w.B.at(u, v)
			if off := math.Hypot(uu+w.AP.at(uu, vv)-u, vv+w.BP.at(uu, vv)-v); off > 3*w.Residual+rounding {
				t.Fatalf("camera %d: forth and back is %g pixels off, %g stated", k, off, w.Residual)
			}
		}
	}
}

// A lens that folds inside its image has no keywords, and the reason says so.
func TestWCSRefusesAFold(t *testing.T) {
	s := randomCamera(rand.New(rand.NewPCG(22, 1)), 1600, 1200, 60*sky.Degree, false)
	corner := 1000 * s.Scale.Radians()
	s.K1 = -0.6 / sq(corner)
	if w, err := s.WCS([2]float64{}); !errors.Is(err, ErrNoWCS) || w != nil {
		t.Errorf("%+v, error %v", w, err)
	}
}

// TestDetectorFrame: whatever axis a fit takes, the middle of the image looks
// along z and its columns grow along x, and places of one detector keep their angles.
func TestDetectorFrame(t *testing.T) {
	rng := rand.New(rand.NewPCG(23, 1))
	for k := range 50 {
		c := randomCamera(rng, 1600, 1200, 2*sky.Degree, k%2 == 0)
		c.Axis.X += 200 * rng.NormFloat64()
		c.Axis.Y += 200 * rng.NormFloat64()
		m := c.DetectorFrame()
		if det := m.Det(); math.Abs(det-1) > 1e-9 {
			t.Fatalf("camera %d: determinant %g", k, det)
		}
		at := func(x, y float64) sky.Vec { return m.Apply(sky.Vec(c.Direction(sky.Pixel{X: x, Y: y}))) }
		middle := at(c.Centre().X, c.Centre().Y)
		beside := at(c.Centre().X+100, c.Centre().Y)
		if sky.Separation(sky.Camera(middle), sky.Camera{Z: 1}) > 1e-3*c.Scale {
			t.Errorf("camera %d: the middle looks to %v", k, middle)
		}
		if !(beside.X > 0) || math.Abs(beside.Y) > 1e-3*beside.X {
			t.Errorf("camera %d: columns grow towards %v", k, beside)
		}
	}
}
