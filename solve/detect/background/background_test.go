package background

import (
	"math"
	"math/rand/v2"
	"testing"

	"polard/solve/detect/drawn"
	"polard/solve/detect/raster"

	"pgregory.net/rapid"
)

func measured(t *testing.T, img raster.Image) *Map {
	t.Helper()
	m, err := Measure(t.Context(), 1, img)
	if err != nil {
		t.Fatal(err)
	}
	return m
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
		img := raster.Image{Width: size[0], Height: size[1], Pix: make([]float32, size[0]*size[1])}
		for i := range img.Pix {
			img.Pix[i] = float32(float64(i%size[0])*0.7 + 3*rng.NormFloat64() + 1000)
		}
		b := measured(t, img)
		level, noise := make([]float32, size[0]), make([]float32, size[0])
		for y := 0; y < size[1]; y += 7 {
			b.EachSpan(y, size[0], func(x0, x1 int, first, slope float32) {
				for x := x0; x < x1; x++ {
					level[x] = first + float32(x-x0)*slope
				}
			})
			b.NoiseRow(y, noise)
			for x := range level {
				l, n := b.At(float64(x), float64(y))
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
			l, _ := b.At(float64(x), float64(size[1])/2)
			if want := 1000 + 0.7*float64(x); math.Abs(l-want) > 1 {
				t.Errorf("%d x %d: sky %.2f at column %d, want %.2f", size[0], size[1], l, x, want)
			}
		}
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

// TestBanding: the offsets of rows and of columns come out of a frame with
// stars, and a frame without a pattern is left alone.
func TestBanding(t *testing.T) {
	for _, rows := range []bool{true, false} {
		for _, pattern := range []float64{0, 6} {
			m := drawn.New(400, 360, 9, drawn.Sky)
			m.Stars(drawn.Gaussian(3), 80, drawn.Variance)
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
			img := m.Expose(drawn.Read, 1, 0, math.Inf(1))
			lines, err := WithLines(t.Context(), 1, img, measured(t, img))
			if err != nil {
				t.Fatal(err)
			}
			gotRows, gotColumns := lines.rows, lines.columns
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

// TestFinerSky: beside a step in the sky the finer mesh is right within half the
// pixel noise a part's width away, where the coarse one is off by several times that; and a
// plain frame, a gradient or a frame of broad stars gets none.
func TestFinerSky(t *testing.T) {
	const w, h, level, edge = 512, 384, 400.0, 230
	finer := func(img raster.Image, m *Map, fwhm float64) *Map {
		f, err := Finer(t.Context(), 1, img, m, fwhm)
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	draw := func(sky func(x, y float64) float64, stars bool) raster.Image {
		m := drawn.New(w, h, 41, 0)
		for i := range m.Electrons {
			m.Electrons[i] = sky(float64(i%w), float64(i/w))
		}
		if stars {
			m.Stars(drawn.Gaussian(2.5), 60, drawn.Variance)
		}
		return m.Expose(drawn.Read, 1, 0, math.Inf(1))
	}
	step := draw(func(x, y float64) float64 {
		if x > edge {
			return 20 * level
		}
		return level
	}, true)
	coarse := measured(t, step)
	fine := finer(step, coarse, 3)
	if fine == nil {
		t.Fatal("no finer mesh beside a step")
	}
	worst := 0.0
	const noise = 21.0 // sqrt(level + drawn.Read^2)
	for y := 20.0; y < h-20; y += 10 {
		const beside = edge - 64.0/finerCells - curvedStep // the step itself moves what is nearer
		was, _ := coarse.At(beside, y)
		now, sigma := fine.At(beside, y)
		worst = max(worst, math.Abs(was-level)/noise)
		if math.Abs(now-level) > 0.5*noise || sigma < 0.7*noise || sigma > 1.4*noise {
			t.Errorf("at %g %g the sky is %.1f with noise %.1f, want %.0f and %.0f", beside, y, now, sigma, level, noise)
		}
	}
	if worst < 3 {
		t.Errorf("the coarse mesh is off by %.1f noise only: this test shows nothing", worst)
	}
	for name, img := range map[string]raster.Image{
		"plain":    draw(func(x, y float64) float64 { return level }, true),
		"gradient": draw(func(x, y float64) float64 { return level * (1 + x/w + y/h) }, true),
	} {
		if finer(img, measured(t, img), 3) != nil {
			t.Errorf("%s: a finer mesh", name)
		}
	}
	if finer(step, coarse, 10) != nil {
		t.Error("a mesh finer than stars of 10 pixels")
	}
}
