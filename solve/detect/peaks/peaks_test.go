package peaks

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"polard/solve/detect/raster"
	"polard/solve/detect/residual"
)

func sq(x float64) float64 { return x * x }

func connected(t *testing.T, s strip) *objects {
	t.Helper()
	o, err := connect(t.Context(), []strip{s}, Sigma, math.MaxInt32)
	if err != nil {
		t.Fatal(err)
	}
	return o
}

// slowFilter is the matched filter as its definition has it: the sum over the
// whole kernel around each pixel.
func slowFilter(c *residual.Level, k *kernel) []float64 {
	r := len(k.half) - 1
	out := make([]float64, len(c.Pix))
	at := func(x, y int) float64 {
		if x < 0 || y < 0 || x >= c.Width || y >= c.Height {
			return 0
		}
		return float64(c.Pix[y*c.Width+x])
	}
	for y := range c.Height {
		for x := range c.Width {
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
			out[y*c.Width+x] = sum
		}
	}
	return out
}

// TestFilter: the banded, separable filter is the sum over the kernel, for
// points, trails and rings, with and without the mean around; and what it leaves of white noise is
// as stated.
func TestFilter(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	c := &residual.Level{Width: 71, Height: 150, Scale: 1}
	for range c.Width * c.Height {
		c.Pix = append(c.Pix, float32(rng.NormFloat64()))
	}
	for name, m := range map[string]Shape{
		"point": {Moments: raster.Moments{XX: 1.5, YY: 1.5}},
		"trail": {Moments: raster.Moments{XX: 9, XY: 4, YY: 4}},
		"ring":  {Moments: raster.Round(2), Ring: 5},
	} {
		for _, structured := range []bool{false, true} {
			k := newKernel(m, structured)
			want := slowFilter(c, k)
			var power, n float64
			for y := 20; y < c.Height-20; y++ {
				for x := 20; x < c.Width-20; x++ {
					power += sq(want[y*c.Width+x])
					n++
				}
			}
			// Some hundred independent places: 3 sigma of their spread.
			if ratio := math.Sqrt(power/n) / k.unitSum; ratio < 0.75 || ratio > 1.25 {
				t.Errorf("%s, structured %v: noise %.2f of what is stated", name, structured, ratio)
			}
			b := newBand(c.Width, k)
			for y0 := 0; y0 < c.Height; y0 += stripRows {
				y1 := min(c.Height, y0+stripRows)
				b.run(t.Context(), c, k, y0, y1)
				for y := y0; y < y1; y++ {
					for x, v := range b.row(y - y0) {
						// Shifts do not see what the Gaussian spreads over the border.
						if x < k.reachX || x >= c.Width-k.reachX {
							continue
						}
						// Sums of some hundred float32 products of size 0.1.
						if d := math.Abs(float64(v) - want[y*c.Width+x]); d > 1e-5 {
							t.Fatalf("%s, structured %v, at %d %d: %g, want %g", name, structured, x, y, v, want[y*c.Width+x])
						}
					}
				}
			}
		}
	}
}

// TestStructuredFilterIsBlindToWideThings: a plane and a wave ten times as wide as the star, of the star's height, are nothing to it.
func TestStructuredFilterIsBlindToWideThings(t *testing.T) {
	const fwhm = 3
	s := fwhm / raster.FWHMPerSigma
	draw := func(f func(x, y float64) float64) *residual.Level {
		c := &residual.Level{Width: 128, Height: stripRows, Scale: 1}
		for i := range c.Width * c.Height {
			c.Pix = append(c.Pix, float32(f(float64(i%c.Width), float64(i/c.Width))))
		}
		return c
	}
	highest := func(c *residual.Level, structured bool) float64 {
		k := newKernel(Shape{Moments: raster.Round(s)}, structured)
		b := newBand(c.Width, k)
		b.run(t.Context(), c, k, 0, c.Height)
		top := 0.0
		for y := 20; y < c.Height-20; y++ {
			for _, v := range b.row(y)[20 : c.Width-20] {
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

// slowPeaks finds the maxima by their definition: from each maximum, the
// highest pass to anything higher is found by flooding down to every level.
func slowPeaks(width, height int, v []float32) (peaks [][2]int) {
	for y := range height {
		for x := range width {
			at := v[y*width+x]
			if at < Sigma {
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
			s.add(v[y*w:(y+1)*w], noise, footSigma, y)
		}
		o := connected(t, s)
		var got [][2]int
		for _, list := range o.list {
			for _, p := range o.peaks(t.Context(), list, 1e9) {
				got = append(got, [2]int{p.X, p.Y})
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
			s.add(v[y*w:(y+1)*w], []float32{1, 1.3}, footSigma, y)
		}
		o := connected(t, s)
		for _, list := range o.list {
			one, ok := o.single(list)
			all := prominent(t.Context(), o, list)
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

// TestFloodOfTheHighest: of an object that is too large, the maxima of its highest pixels are among those of all of it, and the
// highest is the same.
func TestFloodOfTheHighest(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	const w, h = 64, 60
	cut := 0
	for range 60 {
		v := make([]float32, w*h)
		for range 12 {
			x, y, a, width := rng.Float64()*w, rng.Float64()*h, 200*rng.Float64(), 2+4*rng.Float64()
			for i := range v {
				v[i] += float32(a * math.Exp(-(sq(float64(i%w)-x)+sq(float64(i/w)-y))/(2*width*width)))
			}
		}
		var s strip
		for y := range h {
			for x := range w {
				v[y*w+x] += float32(rng.NormFloat64())
			}
			s.add(v[y*w:(y+1)*w], []float32{1, 1, 1, 1}, footSigma, y)
		}
		o := connected(t, s)
		for _, list := range o.list {
			if o.pixels(list) < 300 {
				continue
			}
			all := prominent(t.Context(), o, list)
			o.most = o.pixels(list) / 3
			some := prominent(t.Context(), o, list)
			o.most = math.MaxInt32
			for _, p := range some {
				if !slices.Contains(all, p) {
					t.Errorf("%+v is no maximum of all", p)
				}
			}
			if len(some) == 0 || slices.MaxFunc(all, lower) != slices.MaxFunc(some, lower) {
				t.Errorf("%d of %d maxima, without the highest", len(some), len(all))
			}
			if len(some) < len(all) {
				cut++
			}
		}
	}
	if cut < 10 {
		t.Errorf("%d objects had a maximum less: the test shows little", cut)
	}
}

func lower(a, b Peak) int { return cmp.Compare(a.Height, b.Height) }

// The radix sort is the plain one, equal values included.
func TestFalling(t *testing.T) {
	rng := rand.New(rand.NewPCG(10, 10))
	for _, n := range []int{0, 1, 100, 1024, 5000, 70000} {
		vals := make([]float32, n)
		want := make([]int32, n)
		for i := range vals {
			vals[i] = float32(math.Round(math.Exp(12*rng.Float64()))) / 8
			want[i] = int32(i)
		}
		slices.SortStableFunc(want, func(a, b int32) int { return cmp.Compare(vals[b], vals[a]) })
		if got, _ := falling(t.Context(), vals); !slices.Equal(got, want) {
			t.Errorf("%d values out of order", n)
		}
	}
}
