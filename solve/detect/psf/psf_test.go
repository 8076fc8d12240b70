package psf

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	"polard/solve/detect/drawn"
	"polard/solve/detect/raster"
	"polard/solve/detect/residual"
)

// TestMomentsOfGaussian: the adaptive moments of a Gaussian are its own, plus
// the 1/12 of the pixels that it is integrated over.
func TestMomentsOfGaussian(t *testing.T) {
	for _, fwhm := range []float64{2, 3, 5} {
		m := drawn.New(64, 64, 1, 0)
		m.Star(drawn.Gaussian(fwhm), 31.3, 32.8, 1e4)
		c := &residual.Level{Width: 64, Height: 64, Scale: 1}
		for _, e := range m.Electrons {
			c.Pix = append(c.Pix, float32(e))
		}
		s, ok := measure(c, 31, 33, 1.2)
		want := sq(fwhm/raster.FWHMPerSigma) + 1.0/12
		// The window ends at 3 sigma, and below FWHM 2.5 pixels are coarse.
		if !ok || math.Abs(s.XX/want-1) > 0.03 || math.Abs(s.YY/want-1) > 0.03 || math.Abs(s.XY) > 0.01*want {
			t.Errorf("FWHM %.1f: moments %.3f %.3f %.3f, want %.3f (settled: %v)", fwhm, s.XX, s.XY, s.YY, want, ok)
		}
		if math.Hypot(s.x-31.3, s.y-32.8) > 0.005 || math.Abs(s.flux/1e4-1) > 0.05 {
			t.Errorf("FWHM %.1f: centre %.3f %.3f and flux %.0f", fwhm, s.x, s.y, s.flux)
		}
	}
}

// Objects drawn out in any directions have a typical shape that a profile can be stretched to, and one shape among many of
// the same is theirs. A frame of one huge object fell by such a shape.
func TestTypicalShape(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var objects []object
		for range 3 + 2*rapid.IntRange(0, 2).Draw(t, "pairs more") {
			long := rapid.Float64Range(2, largestMoment).Draw(t, "long axis")
			short := rapid.Float64Range(smallestMoment*1.001, min(long, 3*smallestMoment)).Draw(t, "short axis")
			sin, cos := math.Sincos(rapid.Float64Range(0, math.Pi).Draw(t, "angle"))
			objects = append(objects, object{Moments: raster.Moments{
				XX: sq(long*cos) + sq(short*sin), XY: (sq(long) - sq(short)) * sin * cos, YY: sq(long*sin) + sq(short*cos),
			}})
		}
		m := typical(objects)
		if _, short := m.Axes(); !(short > smallestMoment*0.9999) {
			t.Fatalf("typical of %v: %v, short axis %.3f", objects, m, short)
		}
		if one := typical([]object{objects[0], objects[0], objects[0]}); one != objects[0].Moments {
			t.Fatalf("typical of one shape %v: %v", objects[0].Moments, one)
		}
		for _, spread := range []bool{false, true} {
			l := newLight(1, moffats()[plainMoffat], m, spread)
			if v, dx, dy := l.at(3, -2); !(v >= 0) || math.IsInf(v+dx+dy, 0) || dx+dy != dx+dy {
				t.Fatalf("light of %v at (3, -2): %g, %g, %g", m, v, dx, dy)
			}
		}
	})
}

// TestBessel checks exp(-x) I0(x) against Abramowitz & Stegun 1964, table 9.8.
func TestBessel(t *testing.T) {
	for _, c := range []struct{ x, want float64 }{
		{0, 1}, {1, 0.4657596077}, {2, 0.3085083225}, {5, 0.1835408126}, {10, 0.1278333372},
	} {
		if got := besselI0Scaled(c.x); math.Abs(got-c.want) > 1e-6 {
			t.Errorf("exp(-x) I0(x) at %g is %.9f, want %.9f", c.x, got, c.want)
		}
	}
}

// TestTrailLength: a line blurred by a Gaussian has the moment that led to its
// length, by adaptive moments on drawn pixels.
func TestTrailLength(t *testing.T) {
	for _, length := range []float64{4, 7} {
		m := drawn.New(80, 80, 1, 0)
		m.Star(drawn.Trailed(drawn.Gaussian(3), length, 0), 40.2, 40.4, 1e4)
		c := &residual.Level{Width: 80, Height: 80, Scale: 1}
		for _, e := range m.Electrons {
			c.Pix = append(c.Pix, float32(e))
		}
		s, ok := measure(c, 40, 40, 1.5)
		long, short := s.Axes()
		if got := trailLength(long, short); !ok || math.Abs(got-length) > 0.05*length {
			t.Errorf("length %.2f from axes %.2f and %.2f, want %.1f", got, long, short, length)
		}
	}
}

// TestInvert against gonum.
func TestInvert(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	for range 50 {
		var g [6][4]float64
		for i := range g {
			for j := range 4 {
				g[i][j] = rng.NormFloat64() * math.Pow(10, float64(j))
			}
		}
		var a [4][4]float64
		dense := mat.NewDense(4, 4, nil)
		for i := range 4 {
			for j := range 4 {
				for k := range g {
					a[i][j] += g[k][i] * g[k][j]
				}
				dense.Set(i, j, a[i][j])
			}
		}
		got, ok := Invert(a)
		var want mat.Dense
		if err := want.Inverse(dense); err != nil || !ok {
			continue // too nearly singular for either
		}
		for i := range 4 {
			for j := range 4 {
				scale := math.Sqrt(want.At(i, i) * want.At(j, j))
				if d := math.Abs(got[i][j] - want.At(i, j)); d > 1e-8*scale {
					t.Fatalf("element %d %d: %g, want %g", i, j, got[i][j], want.At(i, j))
				}
			}
		}
	}
	if _, ok := Invert([4][4]float64{{1, 1, 0, 0}, {0, 1, 0, 0}, {0, 0, 1, 0}, {0, 0, 0, 1}}); ok {
		t.Error("a singular matrix was inverted")
	}
}

// TestPSFDerivatives: the derivatives of the model are those of its values.
func TestPSFDerivatives(t *testing.T) {
	const h = 0.05 // over several bins of the tables
	for name, m := range map[string]*light{
		"Moffat":     newLight(1, moffats()[12], raster.Moments{XX: 2, XY: 0.4, YY: 1.5}, false),
		"Gaussian":   newLight(1, moffats()[0], raster.Moments{XX: 2, XY: 0, YY: 2}, false),
		"trail":      newLight(1, moffats()[8], raster.Moments{XX: 8, XY: 3, YY: 4}, true),
		"ring":       newLight(1, ringProfile(0.4, 0.2), raster.Moments{XX: 5, XY: 0, YY: 5}, false),
		"far Moffat": newLight(1, moffats()[12], raster.Moments{XX: 0.3, XY: 0, YY: 0.3}, false),
	} {
		peak := 0.0
		for u := 0.0; u < 6; u += 0.1 {
			v, _, _ := m.at(u, 0)
			peak = max(peak, v)
		}
		for v := -6.05; v < 6.2; v += 1.1 {
			for u := -6.1; u < 6.2; u += 1.1 {
				_, dx, dy := m.at(u, v)
				// Moving the star to the right is moving the pixel to the left.
				l, _, _ := m.at(u-h, v)
				r, _, _ := m.at(u+h, v)
				lo, _, _ := m.at(u, v-h)
				hi, _, _ := m.at(u, v+h)
				// The difference over 2h errs by h^2/6 of the third derivative.
				if math.Abs(dx-(l-r)/(2*h)) > 0.02*peak || math.Abs(dy-(lo-hi)/(2*h)) > 0.02*peak {
					t.Fatalf("%s at %.2f %.2f: %.4f %.4f, want %.4f %.4f", name, u, v, dx, dy, (l-r)/(2*h), (lo-hi)/(2*h))
				}
			}
		}
	}
}
