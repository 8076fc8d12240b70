package observed_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"polard/mountmodel/internal/simmount"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"
)

// leastDistorted is the number of stars from which a wide field is fitted with a
// third-order term.
const leastDistorted = 12

// rescaled are the stars as a camera fit with a scale wrong by k and a
// third-order term wrong by b (relative, at tangent 1) would give them.
func rescaled(seen []observed.Star, k, b float64) []observed.Star {
	out := make([]observed.Star, len(seen))
	for i, s := range seen {
		x, y := s.Camera.X/s.Camera.Z, s.Camera.Y/s.Camera.Z
		f := 1 + k + b*(x*x+y*y)
		out[i] = observed.Star{Camera: sky.Unit(sky.Vec{X: f * x, Y: f * y, Z: 1}), Local: s.Local, Sigma: s.Sigma}
	}
	return out
}

// A scale that is off by what refraction and aberration do, in narrow fields,
// and a third-order term besides, in wide ones, do not turn the attitude.
func TestAttitudeFreeOfScale(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 1))
		m := simmount.New(rng, sky.Site{Latitude: 45 * sky.Degree}, 1*sky.Degree, sky.Angle(rng.Float64()*90)*sky.Degree)
		m.FieldW = sky.Angle(0.5*math.Exp(rng.Float64()*math.Log(80))) * sky.Degree
		m.Stars = leastDistorted + rng.IntN(100)
		k := rapid.Float64Range(-4e-3, 4e-3).Draw(rt, "scale error")
		b := 0.0
		if m.FieldW > 12*sky.Degree { // every random field then reaches wideField
			b = rapid.Float64Range(-0.02, 0.02).Draw(rt, "third order")
		}
		st, err := observed.FitAttitude(rescaled(m.Field(0), k, b))
		if err != nil {
			rt.Fatal(err)
		}
		// The priors of scale and bend pull by k sigma^2 / (prior^2 sum of squared
		// distances): below 1e-3 arcsec for these fields; inverting the
		// third-order distortion leaves a fifth-order one, 3 b^2 r^5, of at most
		// 0.1 arcsec at the edge of the widest field, symmetric about the centre.
		if d := simmount.TurnBetween(st.R, m.Attitude()); d > 0.05*sky.Arcsecond*max(1, m.FieldW/(10*sky.Degree)) {
			rt.Fatalf("field %.1f degrees, %d stars: attitude off by %.4f arcsec", m.FieldW.Degrees(), m.Stars, d.Arcseconds())
		}
		if st.Mirrored != (m.Attitude().Det() > 0) {
			rt.Fatal("wrong hand")
		}
	})
}

// The stated covariance is true: the squared error in its units has mean 3,
// also when the stated errors of the stars are wrong by a factor and the
// residuals must tell.
func TestAttitudeCovariance(t *testing.T) {
	for _, c := range []struct {
		name       string
		stars      int
		factor     float64 // true over stated error
		mean, give float64
	}{
		// Three degrees of freedom; 1200 trials fix the mean to 0.07 (1-sigma).
		{"errors as stated", 40, 1, 3, 0.3},
		// With n degrees of freedom and a prior of 10 the variance is taken as
		// (10 + n f^2)/(10 + n) times the stated: n = 76, f = 2 gives 3.65, of
		// 4; f = 0.5 gives 0.337, of 0.25.
		{"errors twice as large", 40, 2, 3 * 4 / 3.65, 0.4},
		{"errors half as large", 40, 0.5, 3 * 0.25 / 0.337, 0.3},
	} {
		t.Run(c.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(9, 1))
			sum := 0.0
			const trials = 1200
			for range trials {
				m := simmount.New(rng, sky.Site{Latitude: 45 * sky.Degree}, 1*sky.Degree, 30*sky.Degree)
				m.Stars = c.stars
				st, err := observed.FitAttitude(m.Field(c.factor))
				if err != nil {
					t.Fatal(err)
				}
				e := sky.VectorFromRotation(m.Attitude().Mul(st.R.Transpose()))
				sum += quadratic(t, st.Cov, e)
			}
			if mean := sum / trials; math.Abs(mean-c.mean) > c.give {
				t.Errorf("mean squared error over covariance %.2f, want %.2f", mean, c.mean)
			}
		})
	}
}

// quadratic is e^T cov^-1 e by Cramer's rule.
func quadratic(t *testing.T, cov sky.Matrix, e sky.Vec) float64 {
	t.Helper()
	d := cov.Det()
	if d <= 0 {
		t.Fatal("covariance is not positive")
	}
	a, b, c := cov.Column(0), cov.Column(1), cov.Column(2)
	x := sky.Vec{
		X: sky.FromColumns(e, b, c).Det() / d,
		Y: sky.FromColumns(a, e, c).Det() / d,
		Z: sky.FromColumns(a, b, e).Det() / d,
	}
	return r3.Dot(x, e)
}

// Wrong matches are thrown out; too many are an error.
func TestAttitudeOutliers(t *testing.T) {
	rng := rand.New(rand.NewPCG(10, 1))
	for _, c := range []struct {
		stars, wrong int
		by           sky.Angle
		fails        bool
	}{
		{30, 0, 0, false},
		{30, 1, 10 * sky.Arcsecond, false},
		{30, 6, 20 * sky.Arcsecond, false},
		{8, 1, 30 * sky.Arcsecond, false},
		{300, 60, 60 * sky.Arcsecond, false},
		{30, 29, 10 * sky.Arcminute, true},
	} {
		failures, outside := 0, 0
		const trials = 60
		for range trials {
			m := simmount.New(rng, sky.Site{Latitude: 45 * sky.Degree}, 1*sky.Degree, 30*sky.Degree)
			m.Stars = c.stars
			seen := m.Field(1)
			for i := range c.wrong {
				seen[i].Local = sky.RotationFromVector(r3.Scale(float64(c.by)*(0.5+rng.Float64()), simmount.SquareTo(rng, seen[i].Local))).Apply(seen[i].Local)
			}
			st, err := observed.FitAttitude(seen)
			if err != nil {
				failures++
				continue
			}
			e := sky.VectorFromRotation(m.Attitude().Mul(st.R.Transpose()))
			if quadratic(t, st.Cov, e) > 16.27 { // chi-square of 3: 0.1 %
				outside++
			}
		}
		if c.fails && failures < trials*9/10 {
			t.Errorf("%d of %d stars wrong: only %d of %d refused", c.wrong, c.stars, failures, trials)
		}
		// Half a dozen of trials may lie outside when a star too little wrong to
		// be thrown out pulls.
		if !c.fails && (failures > 0 || outside > trials/10) {
			t.Errorf("%d of %d stars wrong by %s: %d refused, %d outside the covariance", c.wrong, c.stars, sky.AngleWords(c.by), failures, outside)
		}
	}
}

func TestAttitudeRefusals(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 1))
	m := simmount.New(rng, sky.Site{Latitude: 45 * sky.Degree}, 1*sky.Degree, 30*sky.Degree)
	full := m.Pairs(1)
	o, err := observed.NewObserver(m.Site, m.Air, m.Now, 0)
	if err != nil {
		t.Fatal(err)
	}
	with := func(change func(p []observed.Pair) []observed.Pair) []observed.Pair {
		return change(slices.Clone(full))
	}
	for _, c := range []struct {
		name string
		s    []observed.Pair
		want error
	}{
		{"no star", with(func(p []observed.Pair) []observed.Pair { return nil }), observed.ErrFewStars},
		{"two stars", with(func(p []observed.Pair) []observed.Pair { return p[:2] }), observed.ErrFewStars},
		{"one star thrice", with(func(p []observed.Pair) []observed.Pair { return []observed.Pair{p[0], p[0], p[0]} }), sky.ErrRank},
		{"stars along a line", with(func(p []observed.Pair) []observed.Pair {
			var line []observed.Pair
			for i := range 5 {
				c := sky.Unit(sky.Camera{X: float64(i-2) * 1e-3, Z: 1})
				line = append(line, observed.Pair{Camera: c, ICRS: o.ICRS(sky.Local(m.Attitude().Apply(sky.Vec(c)))), Sigma: sky.Arcsecond})
			}
			return line
		}), sky.ErrRank},
		{"no error given", with(func(p []observed.Pair) []observed.Pair { p[3].Sigma = 0; return p }), observed.ErrMatchInDoubt},
		{"NaN error", with(func(p []observed.Pair) []observed.Pair { p[3].Sigma = sky.Angle(math.NaN()); return p }), observed.ErrMatchInDoubt},
		{"no direction", with(func(p []observed.Pair) []observed.Pair { p[3].Camera = sky.Camera{}; return p }), observed.ErrMatchInDoubt},
		{"NaN direction", with(func(p []observed.Pair) []observed.Pair { p[3].ICRS = sky.ICRS{X: math.NaN()}; return p }), observed.ErrMatchInDoubt},
	} {
		t.Run(c.name, func(t *testing.T) {
			if st, err := o.Attitude(c.s); !errors.Is(err, c.want) {
				t.Errorf("got %v, %v; want %v", st.Stars, err, c.want)
			}
		})
	}
}

// The whole way from catalogue directions: refraction squeezes the field by
// parts in a thousand, more along the vertical than across, and the attitude
// on observed directions comes out exact.
func TestAttitudeUnderRefraction(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 1))
	m := simmount.New(rng, sky.Site{Latitude: 25 * sky.Degree, ElevationM: 100}, 1*sky.Degree, 3*sky.Degree)
	m.Stars, m.FieldW = 60, 3*sky.Degree
	for range 20 {
		pairs := m.Pairs(0)
		o, err := observed.NewObserver(m.Site, m.Air, m.Now, 0)
		if err != nil {
			t.Fatal(err)
		}
		st, err := o.Attitude(pairs)
		if err != nil {
			t.Fatal(err)
		}
		// The observer's inverse is good to 1e-4 arcsec for each star.
		if d := simmount.TurnBetween(st.R, m.Attitude()); d > 0.01*sky.Arcsecond {
			t.Errorf("attitude off by %.4f arcsec", d.Arcseconds())
		}
		m.Theta += 17 * sky.Degree
		m.Wait(time.Minute, true)
	}
}
