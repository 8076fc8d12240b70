package rehearsal

import (
	"math"
	"testing"
)

// The pixel integral against a plain sum over 100 by 100 points of the pixel.
func TestPixelMoffatAgainstFineSum(t *testing.T) {
	const fine = 100
	plain := func(dx, dy, inv float64) float64 {
		sum := 0.0
		for i := range fine {
			for j := range fine {
				x := dx + (float64(i)+0.5)/fine - 0.5
				y := dy + (float64(j)+0.5)/fine - 0.5
				sum += math.Pow(1+(x*x+y*y)*inv, -moffatExponent)
			}
		}
		return sum / (fine * fine)
	}
	for _, c := range []struct{ fwhm, limit float64 }{
		// As gaussNodes says; the fine sum itself is good to 1e-5.
		{minFWHM, 1.4e-3},
		{2.5, 3e-5},
		{5, 1e-5},
	} {
		a := moffatWidth(c.fwhm)
		inv := 1 / (a * a)
		worst := 0.0
		for _, off := range [][2]float64{{0, 0}, {0.5, 0.5}, {0.3, -0.2}} {
			for dx := range 12 {
				for dy := range 12 {
					x, y := float64(dx)+off[0], float64(dy)+off[1]
					worst = max(worst, math.Abs(pixelMoffat(x, y, inv)-plain(x, y, inv)))
				}
			}
		}
		t.Logf("FWHM %.1f: worst error %.1e of the peak", c.fwhm, worst)
		if worst > c.limit {
			t.Errorf("FWHM %g: off by %.2e of the peak, want at most %.0e", c.fwhm, worst, c.limit)
		}
	}
}

// Half the light of the peak at half the full width, by definition.
func TestMoffatWidth(t *testing.T) {
	for _, fwhm := range []float64{1.2, 3, 10} {
		a := moffatWidth(fwhm)
		u := fwhm * fwhm / 4 / (a * a)
		if got := math.Pow(1+u, -moffatExponent); math.Abs(got-0.5) > 1e-12 {
			t.Errorf("FWHM %g: %g of the peak at half the width", fwhm, got)
		}
	}
}

// All the light of a star is in its image, and its middle is where it should
// be.
func TestAddStarKeepsLightAndPlace(t *testing.T) {
	const size, flux = 401, 50000.0
	for _, c := range []struct{ x, y, fwhm float64 }{
		{200, 200, 2}, {200.5, 199.5, 3}, {199.7, 200.31, 1.5}, {200.1, 200.9, 6},
	} {
		m := image{width: size, height: size, pix: make([]float32, size*size)}
		m.addStar(c.x, c.y, flux, moffatWidth(c.fwhm), 1e-4)
		sum, sx, sy := 0.0, 0.0, 0.0
		for i, v := range m.pix {
			sum += float64(v)
			sx += float64(v) * float64(i%size)
			sy += float64(v) * float64(i/size)
		}
		// Outside radius r lies (1 + r^2/a^2)^-2 of the light: 1e-4 here at most.
		if math.Abs(sum/flux-1) > 1e-3 {
			t.Errorf("%+v: %.1f of %g electrons", c, sum, flux)
		}
		if dx, dy := sx/sum-c.x, sy/sum-c.y; math.Hypot(dx, dy) > 1e-3 {
			t.Errorf("%+v: the middle is off by %.4f, %.4f", c, dx, dy)
		}
	}
}

// A star beside the detector leaves its wing and nothing panics, wherever it
// stands.
func TestAddStarAtTheEdges(t *testing.T) {
	for _, p := range [][2]float64{{-3, 5}, {34, 5}, {5, -3}, {5, 26}, {-1e9, 4}, {1e9, 1e9}, {math.NaN(), 3}, {math.Inf(1), 3}} {
		m := image{width: 32, height: 24, pix: make([]float32, 32*24)}
		m.addStar(p[0], p[1], 1e5, moffatWidth(3), 0.1)
		sum := 0.0
		for _, v := range m.pix {
			sum += float64(v)
		}
		near := math.Abs(p[0]) < 100
		if near != (sum > 0) {
			t.Errorf("star at %v left %g electrons", p, sum)
		}
	}
}
