package detect

import (
	"context"
	"math"
	"testing"

	"polard/solve/detect/drawn"
)

// nearest is the detected star next to a place, and its distance.
func (d *Result) nearest(x, y float64) (Detection, float64) {
	best, dist := Detection{}, math.Inf(1)
	for _, s := range d.Detections {
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
	bounds        int
	spurious      int
}

// measure compares the test stars of a frame, those of the given electrons, with the truth.
func (a *accuracy) measure(m *drawn.Frame, d *Result, l drawn.Light, electrons, variance float64) {
	for i, s := range m.Truth {
		if s.Electrons != electrons {
			continue
		}
		a.all++
		b, r := d.nearest(s.X, s.Y)
		if r > 2 {
			continue
		}
		a.found++
		ex, ey := b.Pos.X-s.X, b.Pos.Y-s.Y
		a.squares += (ex*ex + ey*ey) / 2
		det := b.Cov[0][0]*b.Cov[1][1] - b.Cov[0][1]*b.Cov[0][1]
		a.chi2 += (ex*ex*b.Cov[1][1] - 2*ex*ey*b.Cov[0][1] + ey*ey*b.Cov[0][0]) / det / 2
		if i%16 == 0 {
			a.bound2 += sq(drawn.CramerRao(l, electrons, variance, s.X-math.Round(s.X), s.Y-math.Round(s.Y)))
			a.bounds++
		}
	}
	a.spurious += len(d.Detections) - len(m.Truth)
	a.rms = math.Sqrt(a.squares / float64(a.found))
	a.normalised = math.Sqrt(a.chi2 / float64(a.found))
	a.bound = math.Sqrt(a.bound2 / float64(a.bounds))
}

// starField is a frame with stars of the given signal-to-noise and a few
// brighter ones among them, as every frame has, on a loose grid.
func starField(l drawn.Light, snr float64, seed uint64) (m *drawn.Frame, electrons float64) {
	const side = 768
	electrons = drawn.Electrons(l, snr, drawn.Variance)
	m = drawn.New(side, side, seed, drawn.Sky)
	gap := max(28, 7*l.Reach()/5)
	loose := gap / 3 // no rows of stars
	i := 0
	for y := gap; y < side-gap; y += gap {
		for x := gap; x < side-gap; x += gap {
			e := electrons
			if i%25 == 12 {
				e *= 10
			}
			i++
			m.Star(l, x+loose*(m.Rand.Float64()-0.5), y+loose*(m.Rand.Float64()-0.5), e)
		}
	}
	m.Expose(drawn.Read, drawn.Gain, 100, math.Inf(1))
	return m, electrons
}

// Tolerances of the accuracy table.
const (
	// boundTol: root mean square error over the Cramer-Rao bound, for stars of
	// signal-to-noise 30 and more. The bound knows flux and sky, the fit does
	// not; below, errors are no longer linear.
	boundTol = 1.06
	// honestTol: normalised residuals have unit variance within 10 percent. Of the stars of four frames
	// it scatters by 2 percent itself.
	honestTol    = 0.1
	honestFrames = 4
)

// TestCovarianceIsTrue prints the table of centroid errors over
// signal-to-noise and FWHM, each with one of the two profiles in turn, against
// the Cramer-Rao bound, and checks that the stated covariance is true.
func TestCovarianceIsTrue(t *testing.T) {
	if testing.Short() {
		t.Skip("many frames")
	}
	const seed = 20260101
	t.Logf("seed %d", seed)
	t.Logf("profile      FWHM   SNR      found      rms     bound  ratio  variance  spurious")
	for w, wide := range []float64{1.5, 2, 3, 4.5, 7} {
		for i, l := range []drawn.Light{drawn.Gaussian(wide), drawn.Moffat(wide, 3)} {
			name := []string{"Gaussian", "Moffat 3"}[i]
			for s, snr := range []float64{8, 30, 100, 1000} {
				if (w+s+i)%2 == 1 {
					continue
				}
				var a accuracy
				for k := range uint64(honestFrames) {
					m, e := starField(l, snr, seed+k)
					d, err := Find(context.Background(), m.Image)
					if err != nil {
						t.Fatal(err)
					}
					a.measure(m, d, l, e, drawn.Variance)
				}
				variance := sq(a.normalised)
				t.Logf("%-10s %6.1f %6.0f %5d/%-4d %8.4f %8.4f %6.3f %8.3f %6d", name, wide, snr, a.found, a.all, a.rms, a.bound, a.rms/a.bound, variance, a.spurious)
				if ratio := a.rms / a.bound; snr >= 30 && !(ratio <= boundTol) {
					t.Errorf("%s FWHM %.1f SNR %.0f: rms error is %.3f of the Cramer-Rao bound, want at most %.2f", name, wide, snr, ratio, boundTol)
				}
				if !(math.Abs(variance-1) <= honestTol) {
					t.Errorf("%s FWHM %.1f SNR %.0f: variance of normalised residuals %.3f, want 1 within %.2f", name, wide, snr, variance, honestTol)
				}
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
	const least, most = 0.72, 1.19 // of the variance
	for _, wide := range []float64{2, 3, 4.5} {
		for _, snr := range []float64{10, 30, 100} {
			l := drawn.Gaussian(wide)
			var a accuracy
			for k := range uint64(honestFrames) {
				m, e := starField(l, snr, seed+k)
				m.Image = drawn.Smoothed(m.Image)
				d, err := Find(context.Background(), m.Image)
				if err != nil {
					t.Fatal(err)
				}
				a.measure(m, d, l, e, drawn.Variance)
			}
			variance := sq(a.normalised)
			t.Logf("FWHM %.1f SNR %.0f: %d of %d stars, rms error %.4f pixels, variance %.3f", wide, snr, a.found, a.all, a.rms, variance)
			if !(variance >= least && variance <= most) {
				t.Errorf("FWHM %.1f SNR %.0f: variance of normalised residuals %.3f, want %.2f to %.2f", wide, snr, variance, least, most)
			}
		}
	}
}

func sq(x float64) float64 { return x * x }
