package detect

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"polard/solve/detect/drawn"

	"pgregory.net/rapid"

	"gonum.org/v1/gonum/mat"
)

// The stages of the detection, each against a plain slow version.

// slowClipped is histogram.clipped with sorted values instead of bins.
func slowClipped(values []float32) (median, spread float64) {
	v := slices.Clone(values)
	slices.Sort(v)
	for range clipRounds {
		median = float64(v[len(v)/2])
		var sum, sum2 float64
		for _, x := range v {
			sum += float64(x)
			sum2 += float64(x) * float64(x)
		}
		n := float64(len(v))
		spread = math.Sqrt(sum2/n - sum/n*sum/n)
		kept := slices.DeleteFunc(slices.Clone(v), func(x float32) bool { return math.Abs(float64(x)-median) > clipSigma*spread })
		if len(kept) == len(v) {
			break
		}
		v = kept
	}
	return median, clippedNoise * spread
}

// TestClippedStatistics: the binned statistics agree with the slow ones to a
// part of their own error, with and without stars among the values.
func TestClippedStatistics(t *testing.T) {
	// A bin is 1/16 of the spread.
	const tol = 1.0 / 16
	rng := rand.New(rand.NewPCG(1, 1))
	for _, stars := range []float64{0, 0.05, 0.15} {
		v := make([]float32, 2000)
		for i := range v {
			v[i] = float32(1000 + 12*rng.NormFloat64())
			if rng.Float64() < stars {
				v[i] += float32(1000 * rng.ExpFloat64())
			}
		}
		var h histogram
		m, s := h.clipped(v)
		m0, s0 := slowClipped(v)
		if math.Abs(m-m0) > tol*12 || math.Abs(s-s0) > tol*12 {
			t.Errorf("with %.0f%% stars: median %.2f and spread %.2f, sorted %.2f and %.2f", 100*stars, m, s, m0, s0)
		}
	}
}

// TestCensoredSky: the mean of a sky that is cut off at zero comes out of the
// uncut part, at several depths of the cut.
func TestCensoredSky(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	for _, mean := range []float64{5, 0, -7} {
		const sigma = 10
		var s tileSamples
		var sum, n float64
		for range 2000 {
			x := math.Max(0, mean+sigma*rng.NormFloat64())
			sum += x
			n++
			if x == 0 {
				s.floor++
			}
			s.value = append(s.value, float32(x))
		}
		level, noise := s.censored(0, 0, 1)
		// The mean of 2000 values is known to sigma/sqrt(2000) = 0.22, the fit by
		// two quantiles to about three times that.
		if math.Abs(level-sum/n) > 0.8 {
			t.Errorf("sky %g: level %.2f, mean of the values %.2f", mean, level, sum/n)
		}
		if noise < 0.4*sigma || noise > 1.2*sigma {
			t.Errorf("sky %g: noise %.2f of %d", mean, noise, sigma)
		}
	}
}

// TestSkyRow: the fast row of the sky map is the bilinear map everywhere.
func TestSkyRow(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	for _, size := range [][2]int{{16, 16}, {70, 40}, {333, 200}, {640, 129}} {
		img := Image{Width: size[0], Height: size[1], Pix: make([]float32, size[0]*size[1])}
		for i := range img.Pix {
			img.Pix[i] = float32(float64(i%size[0])*0.7 + 3*rng.NormFloat64() + 1000)
		}
		b, ok := measureSky(img, 1)
		if !ok {
			t.Fatal("no sky")
		}
		level, noise := make([]float32, size[0]), make([]float32, size[0])
		for y := 0; y < size[1]; y += 7 {
			b.levelRow(y, level)
			b.noiseRow(y, noise)
			for x := range level {
				l, n := b.at(float64(x), float64(y))
				if math.Abs(float64(level[x])-l) > 3e-3 || math.Abs(float64(noise[x])-n) > 0.3*n {
					t.Fatalf("%d x %d at %d %d: %g %g, want %g %g", size[0], size[1], x, y, level[x], noise[x], l, n)
				}
			}
		}
		if b.nx == 1 {
			continue // one tile has no slope
		}
		// A ramp is linear: the map must follow it to a part of the noise.
		for _, x := range []int{0, size[0] / 2, size[0] - 1} {
			l, _ := b.at(float64(x), float64(size[1])/2)
			if want := 1000 + 0.7*float64(x); math.Abs(l-want) > 1 {
				t.Errorf("%d x %d: sky %.2f at column %d, want %.2f", size[0], size[1], l, x, want)
			}
		}
	}
}

// slowFilter is the matched filter as its definition has it: the sum over the
// whole kernel around each pixel.
func slowFilter(c *canvas, k *kernel) []float64 {
	r := len(k.half) - 1
	out := make([]float64, len(c.pix))
	at := func(x, y int) float64 {
		if x < 0 || y < 0 || x >= c.width || y >= c.height {
			return 0
		}
		return float64(c.pix[y*c.width+x])
	}
	for y := range c.height {
		for x := range c.width {
			sum := 0.0
			for i, s := range k.shifts {
				for dy := -r; dy <= r; dy++ {
					for dx := -r; dx <= r; dx++ {
						sum += float64(k.weight[i]) * float64(k.half[max(dx, -dx)]) * float64(k.half[max(dy, -dy)]) * at(x+s[0]+dx, y+s[1]+dy)
					}
				}
			}
			n := len(k.around) - 1
			for dy := -n; dy <= n; dy++ {
				for dx := -n; dx <= n; dx++ {
					sum -= float64(k.around[max(dx, -dx)]) * float64(k.around[max(dy, -dy)]) * at(x+dx, y+dy)
				}
			}
			out[y*c.width+x] = sum
		}
	}
	return out
}

// TestFilter: the banded, separable filter is the sum over the kernel, for
// points, trails and rings, with and without the mean around; and what it leaves of white noise is
// as stated.
func TestFilter(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	c := &canvas{width: 71, height: 150, scale: 1}
	for range c.width * c.height {
		c.pix = append(c.pix, float32(rng.NormFloat64()))
	}
	ring := newPSF(c, ringProfile(0.4, 0.2), 4, 0, 4, false)
	ring.ring = true
	for name, m := range map[string]*psf{
		"point": newPSF(c, moffats()[8], 1.5, 0, 1.5, false),
		"trail": newPSF(c, moffats()[8], 9, 4, 4, true),
		"ring":  ring,
	} {
		for _, rough := range []bool{false, true} {
			k := newKernel(m, rough)
			want := slowFilter(c, k)
			var power, n float64
			for y := 20; y < c.height-20; y++ {
				for x := 20; x < c.width-20; x++ {
					power += sq(want[y*c.width+x])
					n++
				}
			}
			// Some hundred independent places: 3 sigma of their spread.
			if ratio := math.Sqrt(power/n) / k.unitSum; ratio < 0.75 || ratio > 1.25 {
				t.Errorf("%s, rough %v: noise %.2f of what is stated", name, rough, ratio)
			}
			b := newFilterBand(c, k, noiseBlock)
			for y0 := 0; y0 < c.height; y0 += stripRows {
				y1 := min(c.height, y0+stripRows)
				b.run(c, k, y0, y1)
				for y := y0; y < y1; y++ {
					for x, v := range b.row(y - y0) {
						// Shifts do not see what the Gaussian spreads over the border.
						if x < k.reachX || x >= c.width-k.reachX {
							continue
						}
						// Sums of some hundred float32 products of size 0.1.
						if d := math.Abs(float64(v) - want[y*c.width+x]); d > 1e-5 {
							t.Fatalf("%s, rough %v, at %d %d: %g, want %g", name, rough, x, y, v, want[y*c.width+x])
						}
					}
				}
			}
		}
	}
}

// TestRoughFilterIsBlindToWideThings: a plane and a wave ten times as wide as the star, of the star's height, are nothing to it.
func TestRoughFilterIsBlindToWideThings(t *testing.T) {
	const fwhm = 3
	s := fwhm / fwhmPerSigma
	draw := func(f func(x, y float64) float64) *canvas {
		c := &canvas{width: 128, height: stripRows, scale: 1}
		for i := range c.width * c.height {
			c.pix = append(c.pix, float32(f(float64(i%c.width), float64(i/c.width))))
		}
		return c
	}
	highest := func(c *canvas, rough bool) float64 {
		k := newKernel(newPSF(c, moffats()[0], s*s, 0, s*s, false), rough)
		b := newFilterBand(c, k, noiseBlock)
		b.run(c, k, 0, c.height)
		top := 0.0
		for y := 20; y < c.height-20; y++ {
			for _, v := range b.row(y)[20 : c.width-20] {
				top = max(top, math.Abs(float64(v)))
			}
		}
		return top
	}
	star := draw(func(x, y float64) float64 { return math.Exp(-(sq(x-64) + sq(y-32)) / (2 * s * s)) })
	plane := draw(func(x, y float64) float64 { return (x + y) / 100 })
	wave := draw(func(x, y float64) float64 { return math.Sin(2 * math.Pi * x / (20 * fwhm)) })
	if part := highest(plane, true) / highest(star, true); part > 1e-4 {
		t.Errorf("a plane shows as %g of a star", part)
	}
	if part, plain := highest(wave, true)/highest(star, true), highest(wave, false)/highest(star, false); part > 0.15 || plain < 1 {
		t.Errorf("a wide wave shows as %.2f of a star, %.2f without the mean around taken off", part, plain)
	}
}

// TestRefineLine: between its places a line stays between them, straight ones stay straight, and a glow that grows
// by e in eighty pixels is followed ten times as closely as by straight lines.
func TestRefineLine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.SliceOfN(rapid.Float32Range(-1e4, 1e4), 1, 12).Draw(t, "values")
		k := rapid.IntRange(2, 6).Draw(t, "parts")
		out := make([]float32, len(v)*k)
		refineLine(v, k, out, 1)
		for o, got := range out {
			at := (float64(o)+0.5)/float64(k) - 0.5
			i := int(math.Floor(at))
			if i < 0 || i+1 >= len(v) {
				continue
			}
			if lo, hi := min(v[i], v[i+1]), max(v[i], v[i+1]); got < lo-1e-2 || got > hi+1e-2 {
				t.Fatalf("%g at %g of %v", got, at, v)
			}
		}
	})
	const k, cell, scale = 4, 16.0, 80.0
	var straight, glow []float32
	for i := range 12 {
		straight = append(straight, float32(3*i-5))
		glow = append(glow, float32(1000*math.Exp(float64(i)*cell/scale)))
	}
	out := make([]float32, len(glow)*k)
	refineLine(straight, k, out, 1)
	for o, got := range out {
		if want := 3*((float64(o)+0.5)/k-0.5) - 5; math.Abs(float64(got)-want) > 1e-3 {
			t.Errorf("straight line: %g at %d, want %g", got, o, want)
		}
	}
	refineLine(glow, k, out, 1)
	var curved, lines float64
	for o := 2 * k; o < len(out)-2*k; o++ {
		at := (float64(o)+0.5)/k - 0.5
		i, f := int(at), at-math.Floor(at)
		want := 1000 * math.Exp(at*cell/scale)
		curved = max(curved, math.Abs(float64(out[o])-want)/want)
		lines = max(lines, math.Abs(float64(glow[i])*(1-f)+float64(glow[i+1])*f-want)/want)
	}
	if curved > lines/10 {
		t.Errorf("a glow is missed by %.4f, by straight lines by %.4f", curved, lines)
	}
}

// slowPeaks finds the maxima by their definition: from each maximum, the
// highest pass to anything higher is found by flooding down to every level.
func slowPeaks(width, height int, v []float32) (peaks [][2]int) {
	for y := range height {
		for x := range width {
			at := v[y*width+x]
			if at < peakSigma {
				continue
			}
			// The highest level at which this pixel is connected to a higher one.
			levels := slices.Clone(v)
			slices.SortFunc(levels, func(a, b float32) int {
				switch {
				case a > b:
					return -1
				case a < b:
					return 1
				}
				return 0
			})
			saddle := float32(math.Inf(-1))
			for _, l := range levels {
				if l > at || l < footSigma {
					continue
				}
				if reaches(width, height, v, x, y, l, at) {
					saddle = l
					break
				}
			}
			if at-saddle >= max(prominenceSigma, prominencePart*saddle) || math.IsInf(float64(saddle), -1) {
				peaks = append(peaks, [2]int{x, y})
			}
		}
	}
	return peaks
}

// reaches tells whether from (x, y) pixels of at least level lead to one above at.
func reaches(width, height int, v []float32, x, y int, level, at float32) bool {
	seen := make([]bool, len(v))
	stack := [][2]int{{x, y}}
	seen[y*width+x] = true
	for len(stack) > 0 {
		p := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		if v[p[1]*width+p[0]] > at {
			return true
		}
		for j := max(0, p[1]-1); j <= min(height-1, p[1]+1); j++ {
			for i := max(0, p[0]-1); i <= min(width-1, p[0]+1); i++ {
				if k := j*width + i; !seen[k] && v[k] >= level {
					seen[k] = true
					stack = append(stack, [2]int{i, j})
				}
			}
		}
	}
	return false
}

// TestPeaks: the merge tree finds the maxima that the slow search does.
func TestPeaks(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 6))
	const w, h = 26, 22
	total := 0
	for range 40 {
		v := make([]float32, w*h)
		for range 6 {
			x, y, a, s := rng.Float64()*w, rng.Float64()*h, 30*rng.Float64(), 1+2*rng.Float64()
			for i := range v {
				v[i] += float32(a * math.Exp(-(sq(float64(i%w)-x)+sq(float64(i/w)-y))/(2*s*s)))
			}
		}
		for i := range v {
			v[i] += float32(rng.NormFloat64())
		}
		var s strip
		noise := []float32{1, 1} // of cells of noiseCell columns
		for y := range h {
			s.collect(v[y*w:(y+1)*w], noise, y)
		}
		runs, objects := connect([]strip{s})
		var got [][2]int
		for _, o := range objects {
			for _, p := range runs.peaks(o, 1e9) {
				got = append(got, [2]int{p.x, p.y})
			}
		}
		want := slowPeaks(w, h, v)
		order := func(a, b [2]int) int { return (a[1]-b[1])*w + a[0] - b[0] }
		slices.SortFunc(got, order)
		slices.SortFunc(want, order)
		if !slices.Equal(got, want) {
			t.Fatalf("maxima %v, want %v", got, want)
		}
		total += len(got)
	}
	if total < 40 {
		t.Errorf("only %d maxima in all: the test shows little", total)
	}
}

// An object with one maximum is what the merge tree makes of it, equal pixels included.
func TestSingleMaximum(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	const w, h = 30, 24
	single, many := 0, 0
	for range 400 {
		var s strip
		coarse := float32(1 + rng.IntN(4))
		v := make([]float32, w*h)
		for range 3 {
			x, y, a, width := rng.Float64()*w, rng.Float64()*h, 30*rng.Float64(), 1+2*rng.Float64()
			for i := range v {
				v[i] += float32(a * math.Exp(-(sq(float64(i%w)-x)+sq(float64(i/w)-y))/(2*width*width)))
			}
		}
		for i := range v {
			v[i] = coarse * float32(math.Round(float64(v[i]/coarse)))
		}
		for y := range h {
			s.collect(v[y*w:(y+1)*w], []float32{1, 1.3}, y)
		}
		runs, objects := connect([]strip{s})
		for _, o := range objects {
			one, ok := runs.single(o)
			all := runs.maxima(o)
			switch {
			case !ok:
				many++
			case len(all) != 1 || all[0] != one:
				t.Fatalf("the only maximum %+v, by the tree %+v", one, all)
			default:
				single++
			}
		}
	}
	if single < 100 || many < 100 {
		t.Errorf("%d objects with one maximum and %d with more: the test shows little", single, many)
	}
}

// TestBanding: the offsets of rows and of columns come out of a frame with
// stars, and a frame without a pattern is left alone.
func TestBanding(t *testing.T) {
	for _, rows := range []bool{true, false} {
		for _, pattern := range []float64{0, 6} {
			m := drawn.New(400, 360, 9, testSky)
			m.Stars(drawn.Gaussian(3), 80, testVariance)
			n := m.Image.Width
			if rows {
				n = m.Image.Height
			}
			want := make([]float64, n)
			for i := range want {
				want[i] = pattern * m.Rand.NormFloat64()
			}
			for i := range m.Electrons {
				if rows {
					m.Electrons[i] += want[i/m.Image.Width]
				} else {
					m.Electrons[i] += want[i%m.Image.Width]
				}
			}
			img := m.Expose(testRead, 1, 0, math.Inf(1))
			b, _ := measureSky(img, 1)
			gotRows, gotColumns := b.banding(img, 1)
			got, other := gotRows, gotColumns
			if !rows {
				got, other = gotColumns, gotRows
			}
			if other != nil || (got != nil) != (pattern > 0) {
				t.Errorf("pattern %g in rows (%v): corrected %v, the other way %v", pattern, rows, got != nil, other != nil)
			}
			if got == nil {
				continue
			}
			var sum float64
			for i, v := range got {
				sum += sq(float64(v) - want[i])
			}
			// 400 pixels of noise 21 tell a mean to 1.0; the sky map of tiles of some 60
			// lines, from which offsets count, adds 1.25/sqrt(60) of the pattern, 1.0.
			if rms := math.Sqrt(sum / float64(n)); rms > 1.7 {
				t.Errorf("offsets err by %.2f, root mean square", rms)
			}
		}
	}
}

// TestMomentsOfGaussian: the adaptive moments of a Gaussian are its own, plus
// the 1/12 of the pixels that it is integrated over.
func TestMomentsOfGaussian(t *testing.T) {
	for _, fwhm := range []float64{2, 3, 5} {
		m := drawn.New(64, 64, 1, 0)
		m.Star(drawn.Gaussian(fwhm), 31.3, 32.8, 1e4)
		c := &canvas{width: 64, height: 64, scale: 1}
		for _, e := range m.Electrons {
			c.pix = append(c.pix, float32(e))
		}
		p := &prepared{}
		s, ok := p.moments(c, 31, 33, 1.2)
		want := sq(fwhm/fwhmPerSigma) + 1.0/12
		// The window ends at 3 sigma, and below FWHM 2.5 pixels are coarse.
		if !ok || math.Abs(s.xx/want-1) > 0.03 || math.Abs(s.yy/want-1) > 0.03 || math.Abs(s.xy) > 0.01*want {
			t.Errorf("FWHM %.1f: moments %.3f %.3f %.3f, want %.3f (settled: %v)", fwhm, s.xx, s.xy, s.yy, want, ok)
		}
		if math.Hypot(s.x-31.3, s.y-32.8) > 0.005 || math.Abs(s.flux/1e4-1) > 0.05 {
			t.Errorf("FWHM %.1f: centre %.3f %.3f and flux %.0f", fwhm, s.x, s.y, s.flux)
		}
	}
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
		c := &canvas{width: 80, height: 80, scale: 1}
		for _, e := range m.Electrons {
			c.pix = append(c.pix, float32(e))
		}
		s, ok := (&prepared{}).moments(c, 40, 40, 1.5)
		long, short := s.axes()
		if got := trailLength(long, short); !ok || math.Abs(got-length) > 0.05*length {
			t.Errorf("length %.2f from axes %.2f and %.2f, want %.1f", got, long, short, length)
		}
	}
}

// TestInvert4 against gonum.
func TestInvert4(t *testing.T) {
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
		got, ok := invert4(a)
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
	if _, ok := invert4([4][4]float64{{1, 1, 0, 0}, {0, 1, 0, 0}, {0, 0, 1, 0}, {0, 0, 0, 1}}); ok {
		t.Error("a singular matrix was inverted")
	}
}

// TestPSFDerivatives: the derivatives of the model are those of its values.
func TestPSFDerivatives(t *testing.T) {
	c := &canvas{width: 10, height: 10, scale: 1}
	const h = 0.05 // over several bins of the tables
	for name, m := range map[string]*psf{
		"Moffat":     newPSF(c, moffats()[12], 2, 0.4, 1.5, false),
		"Gaussian":   newPSF(c, moffats()[0], 2, 0, 2, false),
		"trail":      newPSF(c, moffats()[8], 8, 3, 4, true),
		"ring":       newPSF(c, ringProfile(0.4, 0.2), 5, 0, 5, false),
		"far Moffat": newPSF(c, moffats()[12], 0.3, 0, 0.3, false),
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

// TestFinerSky: beside a step in the sky the finer mesh is right within half the
// pixel noise a part's width away, where the coarse one is off by several times that; and a
// plain frame, a gradient or a frame of broad stars gets none.
func TestFinerSky(t *testing.T) {
	const w, h, level, edge = 512, 384, 400.0, 230
	draw := func(sky func(x, y float64) float64, stars bool) Image {
		m := drawn.New(w, h, 41, 0)
		for i := range m.Electrons {
			m.Electrons[i] = sky(float64(i%w), float64(i/w))
		}
		if stars {
			m.Stars(drawn.Gaussian(2.5), 60, testVariance)
		}
		return m.Expose(testRead, 1, 0, math.Inf(1))
	}
	step := draw(func(x, y float64) float64 {
		if x > edge {
			return 20 * level
		}
		return level
	}, true)
	coarse, _ := measureSky(step, 1)
	fine := coarse.finer(step, 3, 1)
	if fine == nil {
		t.Fatal("no finer mesh beside a step")
	}
	worst := 0.0
	const noise = 21.0 // sqrt(level + testRead^2)
	for y := 20.0; y < h-20; y += 10 {
		const beside = edge - 64.0/finerCells - curvedStep // the step itself moves what is nearer
		was, _ := coarse.at(beside, y)
		now, sigma := fine.at(beside, y)
		worst = max(worst, math.Abs(was-level)/noise)
		if math.Abs(now-level) > 0.5*noise || sigma < 0.7*noise || sigma > 1.4*noise {
			t.Errorf("at %g %g the sky is %.1f with noise %.1f, want %.0f and %.0f", beside, y, now, sigma, level, noise)
		}
	}
	if worst < 3 {
		t.Errorf("the coarse mesh is off by %.1f noise only: this test shows nothing", worst)
	}
	for name, img := range map[string]Image{
		"plain":    draw(func(x, y float64) float64 { return level }, true),
		"gradient": draw(func(x, y float64) float64 { return level * (1 + x/w + y/h) }, true),
	} {
		mesh, _ := measureSky(img, 1)
		if mesh.finer(img, 3, 1) != nil {
			t.Errorf("%s: a finer mesh", name)
		}
	}
	if coarse.finer(step, 10, 1) != nil {
		t.Error("a mesh finer than stars of 10 pixels")
	}
}
