package solve

import (
	"fmt"
	"math"
	"testing"
)

// nearest is the detected star next to a place, and its distance.
func (d *Detection) nearest(x, y float64) (Star, float64) {
	best, dist := Star{}, math.Inf(1)
	for _, s := range d.Stars {
		if r := math.Hypot(s.Pos.X-x, s.Pos.Y-y); r < dist {
			best, dist = s, r
		}
	}
	return best, dist
}

// accuracy is what a set of stars says about centroids.
type accuracy struct {
	found, all    int
	rms           float64 // of one coordinate, pixels
	normalised    float64 // root mean square of errors over their stated sigma
	bound         float64 // Cramer-Rao, root mean square
	squares, chi2 float64
	bound2        float64
	spurious      int
}

// measure compares the test stars of a frame, those of the given electrons, with the truth.
func (a *accuracy) measure(m *mock, d *Detection, l light, electrons, variance float64) {
	n := 0
	for i, s := range m.truth {
		if s.electrons != electrons {
			continue
		}
		a.all++
		b, r := d.nearest(s.x, s.y)
		if r > 2 {
			continue
		}
		a.found++
		ex, ey := b.Pos.X-s.x, b.Pos.Y-s.y
		a.squares += (ex*ex + ey*ey) / 2
		det := b.Cov[0][0]*b.Cov[1][1] - b.Cov[0][1]*b.Cov[0][1]
		a.chi2 += (ex*ex*b.Cov[1][1] - 2*ex*ey*b.Cov[0][1] + ey*ey*b.Cov[0][0]) / det / 2
		if i%16 == 0 {
			a.bound2 += sq(cramerRao(l, electrons, variance, s.x-math.Round(s.x), s.y-math.Round(s.y)))
			n++
		}
	}
	a.spurious += len(d.Stars) - len(m.truth)
	a.rms = math.Sqrt(a.squares / float64(a.found))
	a.normalised = math.Sqrt(a.chi2 / float64(a.found))
	if n > 0 {
		a.bound = math.Sqrt(a.bound2 / float64(n))
		a.bound2 = 0
	}
}

// electronsFor gives the star that an ideal matched filter sees at the
// signal-to-noise snr over the noise of the sky alone.
func electronsFor(l light, snr, variance float64) float64 {
	r := int(l.reach()) + 1
	p2 := 0.0
	for y := -r; y <= r; y++ {
		for x := -r; x <= r; x++ {
			p2 += sq(l.pixel(float64(x), float64(y)))
		}
	}
	return snr * math.Sqrt(variance/p2)
}

const (
	testSky, testRead, testGain = 400.0, 5.0, 1.5
	// testVariance is that of a pixel of sky, in electrons: shot, read and
	// rounding noise.
	testVariance = testSky + testRead*testRead + testGain*testGain/12
)

// starField is a frame with stars of the given signal-to-noise and a few
// brighter ones among them, as every frame has, on a loose grid.
func starField(l light, snr float64, seed uint64) (m *mock, electrons float64) {
	const side = 768
	electrons = electronsFor(l, snr, testVariance)
	m = newMock(side, side, seed, testSky)
	gap := max(28, 7*l.reach()/5)
	loose := gap / 3 // no rows of stars
	i := 0
	for y := gap; y < side-gap; y += gap {
		for x := gap; x < side-gap; x += gap {
			e := electrons
			if i%25 == 12 {
				e *= 10
			}
			i++
			m.star(l, x+loose*(m.rng.Float64()-0.5), y+loose*(m.rng.Float64()-0.5), e)
		}
	}
	m.expose(testRead, testGain, 100, math.Inf(1))
	return m, electrons
}

// Tolerances of the accuracy table.
const (
	// boundTol: root mean square error over the Cramer-Rao bound, for stars of
	// signal-to-noise 10 and more. The bound knows flux and sky, the fit does
	// not; below 15 errors are no longer linear; the rms of 700 coordinates
	// scatters by 3 percent.
	boundTol = 1.12
	// undersampledTol is the same for stars narrower than undersampled pixels of
	// FWHM, where the pixel's phase adds to the errors of the brightest.
	undersampledTol = 1.20
	undersampled    = 1.6
	// honestTol: normalised residuals have unit variance within 10 percent, so
	// their root within 5; it scatters by 3 percent itself.
	honestTol = 0.05 + 0.04
	// Above brightSNR the PSF's own error counts as much as noise, and is
	// stated for the worst case: sigma may be that much too large.
	brightSNRTest  = 300
	brightCautious = 0.87
)

// TestCovarianceIsTrue prints the table of centroid errors over
// signal-to-noise and FWHM, against the Cramer-Rao bound, and checks that the
// stated covariance is true.
func TestCovarianceIsTrue(t *testing.T) {
	if testing.Short() {
		t.Skip("many frames")
	}
	const seed = 20260101
	t.Logf("seed %d", seed)
	t.Logf("profile       FWHM   SNR   found      rms     bound  ratio  normalised  spurious")
	for _, wide := range []float64{1.5, 2, 3, 4.5, 7} {
		for i, l := range []light{gaussianLight{wide}, newMoffatLight(wide, 3)} {
			name := []string{"Gaussian", "Moffat 3"}[i]
			for _, snr := range []float64{7, 15, 100, 1000} {
				if i == 1 && snr == 15 {
					continue
				}
				t.Run(fmt.Sprintf("%s %.1f %.0f", name, wide, snr), func(t *testing.T) {
					var a accuracy
					m, e := starField(l, snr, seed)
					d, err := Detect(m.img)
					if err != nil {
						t.Fatal(err)
					}
					a.measure(m, d, l, e, testVariance)
					t.Logf("%-10s %6.1f %6.0f %3d/%-3d %8.4f %8.4f %6.3f %8.3f %6d", name, wide, snr, a.found, a.all, a.rms, a.bound, a.rms/a.bound, a.normalised, a.spurious)
					limit, least := boundTol, 1-honestTol
					if wide < undersampled {
						limit = undersampledTol
					}
					if snr > brightSNRTest {
						least = brightCautious
					}
					if ratio := a.rms / a.bound; snr >= 10 && !(ratio <= limit) {
						t.Errorf("rms error is %.3f of the Cramer-Rao bound, want at most %.2f", ratio, limit)
					}
					if !(a.normalised >= least && a.normalised <= 1+honestTol) {
						t.Errorf("normalised residuals %.3f, want %.2f to %.2f", a.normalised, least, 1+honestTol)
					}
				})
			}
		}
	}
}

// TestCovarianceOfMosaics: the same where noise is alike from pixel to pixel. A wide
// star's errors are stated for the worst case: the correlation is measured over two pixels.
func TestCovarianceOfMosaics(t *testing.T) {
	if testing.Short() {
		t.Skip("many frames")
	}
	const seed = 20260101
	const cautious = 0.85
	for _, wide := range []float64{2, 3, 4.5} {
		for _, snr := range []float64{10, 30, 100} {
			l := gaussianLight{wide}
			m, e := starField(l, snr, seed)
			m.img = mosaicLike(m.img)
			d, err := Detect(m.img)
			if err != nil {
				t.Fatal(err)
			}
			var a accuracy
			a.measure(m, d, l, e, testVariance)
			t.Logf("FWHM %.1f SNR %.0f: %d of %d stars, rms error %.4f pixels, normalised %.3f", wide, snr, a.found, a.all, a.rms, a.normalised)
			if !(a.normalised >= cautious && a.normalised <= 1+honestTol) {
				t.Errorf("FWHM %.1f SNR %.0f: normalised residuals %.3f, want %.2f to %.2f", wide, snr, a.normalised, cautious, 1+honestTol)
			}
		}
	}
}
