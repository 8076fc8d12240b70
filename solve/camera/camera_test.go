package camera

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"

	"polard/mountmodel/sky"
	"polard/solve/camera/cameratest"

	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"
)

// randomCamera is a camera of the given field (long side), pointing anywhere.
func randomCamera(rng *rand.Rand, width, height int, field sky.Angle, mirrored bool) Camera {
	c := Camera{Width: width, Height: height, Mirrored: mirrored}
	c.Scale = sky.Angle(2 * math.Tan(field.Radians()/2) / float64(max(width, height)))
	c.Axis = c.Centre()
	c.Attitude.R = cameratest.AttitudeTo(sky.Vec(cameratest.Direction(rng)), sky.Angle(rng.Float64())*sky.Turn, mirrored)
	return c
}

func readTable(t *testing.T, path string) []map[string]string {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comma = '\t'
	records, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []map[string]string
	for _, record := range records[1:] {
		row := map[string]string{}
		for i, key := range records[0] {
			row[key] = record[i]
		}
		rows = append(rows, row)
	}
	if len(rows) == 0 {
		t.Fatalf("%s is empty", path)
	}
	return rows
}

func number(t *testing.T, row map[string]string, key string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(row[key], 64)
	if err != nil {
		t.Fatalf("%s: %v", key, err)
	}
	return v
}

// wcslibAgreement is double precision over the sky: wcslib works in degrees,
// 360 of them lose two digits.
const wcslibAgreement = 1e-6 * sky.Arcsecond

// TestProjectionAgainstWCSLIB: testdata/solve/tan.tsv, made with astropy.wcs 5.2
// (wcslib 7.12) by make_wcs.py beside it.
func TestProjectionAgainstWCSLIB(t *testing.T) {
	for _, row := range readTable(t, "../../testdata/solve/tan.tsv") {
		c := Camera{
			Width: int(number(t, row, "width")), Height: int(number(t, row, "height")),
			Mirrored: row["mirrored"] == "1",
			Axis:     sky.Pixel{X: number(t, row, "crpix1") - 1, Y: number(t, row, "crpix2") - 1},
		}
		ra, dec := sky.Angle(number(t, row, "crval1_deg"))*sky.Degree, sky.Angle(number(t, row, "crval2_deg"))*sky.Degree
		z := sky.Vec(sky.ICRSFromRADec(ra, dec))
		east := sky.Vec{X: -ra.Sin(), Y: ra.Cos()}
		north := r3.Cross(z, east)
		// The columns of CD are the steps of one pixel in the tangent plane, x east and y north.
		step := func(a, b string) sky.Vec {
			return r3.Add(r3.Scale(number(t, row, a), east), r3.Scale(number(t, row, b), north))
		}
		col, line := step("cd11", "cd21"), step("cd12", "cd22")
		c.Scale = sky.Angle(r3.Norm(col)) * sky.Degree
		c.Attitude.R = sky.FromColumns(sky.Unit(col), sky.Unit(line), z)
		if mirrored := c.Attitude.R.Det() > 0; mirrored != c.Mirrored {
			t.Fatalf("camera %s: determinant says mirrored %v", row["camera"], mirrored)
		}
		p := sky.Pixel{X: number(t, row, "x"), Y: number(t, row, "y")}
		want := sky.ICRSFromRADec(sky.Angle(number(t, row, "ra_deg"))*sky.Degree, sky.Angle(number(t, row, "dec_deg"))*sky.Degree)
		if off := sky.Separation(c.ICRS(p), want); off > wcslibAgreement {
			t.Errorf("camera %s pixel %v: %g arcsec off", row["camera"], p, off.Arcseconds())
		}
		pa := sky.Angle(number(t, row, "pa_deg")) * sky.Degree
		// Close to a pole the position angle itself turns over half a pixel: the
		// table's is towards the next half pixel, ours is symmetric.
		poleDistance := sky.Separation(c.ICRS(c.Centre()), sky.ICRS{Z: math.Copysign(1, dec.Sin())})
		tolerance := 1e-6*sky.Degree + c.Scale*c.Scale/poleDistance/poleDistance + c.Scale*c.Scale
		if off := (c.RotationOfRows() - pa).Signed().Abs(); off > tolerance {
			t.Errorf("camera %s: rotation %g, want %g degrees", row["camera"], c.RotationOfRows().Degrees(), pa.Degrees())
		}
	}
}

// TestDirectionAndPixelAreInverse over fields up to 60 degrees and distortion of up to
// a tenth at the corner, either way.
func TestDirectionAndPixelAreInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		field := sky.Angle(rapid.Float64Range(0.4, 60).Draw(t, "field")) * sky.Degree
		c := randomCamera(rng, rapid.IntRange(300, 6000).Draw(t, "width"), rapid.IntRange(300, 6000).Draw(t, "height"), field, rapid.Bool().Draw(t, "mirrored"))
		corner := math.Hypot(float64(c.Width), float64(c.Height)) / 2 * c.Scale.Radians()
		c.K1 = rapid.Float64Range(-0.08, 0.08).Draw(t, "k1") / sq(corner)
		c.K2 = rapid.Float64Range(-0.02, 0.02).Draw(t, "k2") / sq(sq(corner))
		c.Axis.X += rapid.Float64Range(-0.02, 0.02).Draw(t, "axis") * float64(c.Width)
		p := sky.Pixel{
			X: rapid.Float64Range(-0.5, float64(c.Width)-0.5).Draw(t, "x"),
			Y: rapid.Float64Range(-0.5, float64(c.Height)-0.5).Draw(t, "y"),
		}
		back, ok := c.Pixel(c.CameraFromICRS(c.ICRS(p)))
		const rounding = 1e-7 // pixels: of Newton's method and of unit vectors, six thousand pixels wide
		if !ok || math.Hypot(back.X-p.X, back.Y-p.Y) > rounding {
			t.Fatalf("%v came back as %v", p, back)
		}
	})
}

// TestJacobianAgainstDifferences checks every derivative of predict.
func TestJacobianAgainstDifferences(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 1))
	for k := range 40 {
		f := Fit{Camera: randomCamera(rng, 1600, 1200, sky.Angle(1+40*rng.Float64())*sky.Degree, k%2 == 0)}
		f.terms = terms{true, true, true, true}
		corner := 1000 * f.Scale.Radians()
		f.K1, f.K2 = 0.05*rng.NormFloat64()/sq(corner), 0.02*rng.NormFloat64()/sq(sq(corner))
		f.Shear[0], f.Shear[1] = 0.01*rng.NormFloat64(), 0.01*rng.NormFloat64()
		d := f.ICRS(sky.Pixel{X: 1600 * rng.Float64(), Y: 1200 * rng.Float64()})
		n := f.terms.count()
		jx, jy := make([]float64, n), make([]float64, n)
		if _, ok := f.predict(d, jx, jy); !ok {
			t.Fatal("a star inside the image is not predicted")
		}
		for i := range n {
			// A step that moves the place by about a tenth of a pixel: its square
			// then is small beside it, and rounding too.
			h := 0.1 / math.Hypot(jx[i], jy[i])
			step := make([]float64, n)
			step[i] = h
			plus, minus := f, f
			plus.apply(step)
			step[i] = -h
			minus.apply(step)
			p, _ := plus.predict(d, nil, nil)
			m, _ := minus.predict(d, nil, nil)
			dx, dy := (p.X-m.X)/(2*h), (p.Y-m.Y)/(2*h)
			const relative = 1e-6
			if math.Hypot(dx-jx[i], dy-jy[i]) > relative*math.Hypot(jx[i], jy[i]) {
				t.Errorf("camera %d parameter %d: derivative %g %g, differences %g %g", k, i, jx[i], jy[i], dx, dy)
			}
		}
	}
}

// TestFitRecoversTheCamera from exact pairs, starting some pixels off.
func TestFitRecoversTheCamera(t *testing.T) {
	rng := rand.New(rand.NewPCG(13, 1))
	for k := range 20 {
		truth := Fit{Camera: randomCamera(rng, 1600, 1200, 25*sky.Degree, k%2 == 0)}
		corner := 1000 * truth.Scale.Radians()
		truth.K1, truth.K2 = 0.03*rng.NormFloat64()/sq(corner), 0.01*rng.NormFloat64()/sq(sq(corner))
		truth.Shear[0], truth.Shear[1] = 5e-4*rng.NormFloat64(), 5e-4*rng.NormFloat64()
		truth.Axis.X += 20 * rng.NormFloat64()
		truth.Axis.Y += 20 * rng.NormFloat64()
		var pairs []Pair
		for len(pairs) < 80 {
			d := truth.ICRS(sky.Pixel{X: 1600 * rng.Float64(), Y: 1200 * rng.Float64()})
			if p, ok := truth.predict(d, nil, nil); ok {
				pairs = append(pairs, Pair{At: p, ICRS: d, Sigma: 0.1})
			}
		}
		f := Fit{Camera: truth.Camera, terms: terms{true, true, true, true}}
		f.K1, f.K2, f.Axis = 0, 0, f.Centre()
		f.Scale *= 1.003
		f.Attitude.R = sky.RotationFromVector(r3.Scale(5*f.Scale.Radians(), sky.Vec(cameratest.Direction(rng)))).Mul(f.Attitude.R)
		if !f.Solve(pairs, stillStep) {
			t.Fatalf("camera %d: no fit", k)
		}
		const rounding = 1e-5 // pixels; the last step is below 1e-4 sigma, and shrinks faster than linearly
		for _, p := range pairs {
			if math.Hypot(p.DX, p.DY) > rounding {
				t.Fatalf("camera %d: residual %g pixels", k, math.Hypot(p.DX, p.DY))
			}
		}
		if off := math.Hypot(f.Axis.X-truth.Axis.X, f.Axis.Y-truth.Axis.Y); off > 0.01 {
			t.Errorf("camera %d: axis %g pixels off", k, off)
		}
		if off := math.Abs(float64(f.Scale/truth.Scale) - 1); off > 1e-7 {
			t.Errorf("camera %d: scale %g off", k, off)
		}
	}
}

func TestFitRefusesTooFewPairs(t *testing.T) {
	rng := rand.New(rand.NewPCG(17, 1))
	f := Fit{Camera: randomCamera(rng, 800, 600, 2*sky.Degree, false)}
	var pairs []Pair
	for range 2 {
		p := sky.Pixel{X: 800 * rng.Float64(), Y: 600 * rng.Float64()}
		pairs = append(pairs, Pair{At: p, ICRS: f.ICRS(p), Sigma: 0.1})
	}
	if f.Solve(pairs, stillStep) {
		t.Error("two pairs and four numbers leave nothing over, and were fitted")
	}
	same := pairs[0]
	if f.Solve([]Pair{same, same, same, same}, stillStep) {
		t.Error("one place four times does not fix rotation and scale, and was fitted")
	}
}

func TestRotationOfRowsAtThePole(t *testing.T) {
	for _, z := range []float64{1, -1} {
		c := Camera{Width: 101, Height: 101, Scale: sky.Arcsecond, Axis: sky.Pixel{X: 50, Y: 50}}
		c.Attitude.R = sky.FromColumns(sky.Vec{X: 1}, sky.Vec{Y: 1}, sky.Vec{Z: z})
		if a := c.RotationOfRows(); math.IsNaN(float64(a)) {
			t.Errorf("at the pole Z = %g the rotation is NaN", z)
		}
	}
}
