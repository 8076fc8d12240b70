package fits

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// gaussianStar adds a star of total light flux, integrated over pixels:
// products of differences of error functions.
func gaussianStar(pix []float64, width int, x0, y0, sigma, flux float64) {
	height := len(pix) / width
	share := func(at int, centre float64) float64 {
		s := sigma * math.Sqrt2
		return (math.Erf((float64(at)+0.5-centre)/s) - math.Erf((float64(at)-0.5-centre)/s)) / 2
	}
	for y := range height {
		fy := share(y, y0)
		for x := range width {
			pix[y*width+x] += flux * fy * share(x, x0)
		}
	}
}

// windowedCentroid is the centroid within a Gaussian window, repeated until it
// stands still (the windowed position of Bertin's source extractor, in its
// manual, section "Windowed positional parameters").
func windowedCentroid(pix []float32, width int, x, y, sigma, background float64) (float64, float64) {
	for range 60 {
		var sum, sx, sy float64
		for i, v := range pix {
			dx, dy := float64(i%width)-x, float64(i/width)-y
			w := math.Exp(-(dx*dx+dy*dy)/(2*sigma*sigma)) * (float64(v) - background)
			sum, sx, sy = sum+w, sx+w*dx, sy+w*dy
		}
		x, y = x+2*sx/sum, y+2*sy/sum
		if math.Hypot(sx, sy) < 1e-7*sum {
			break
		}
	}
	return x, y
}

const fwhmPerSigma = 2.354820045 // 2 sqrt(2 ln 2)

// A star seen through a colour mosaic stays where it is. The truth is the place
// at which the star was drawn; stars are of strong and of weak colour, and the
// four planes have different gains and backgrounds.
func TestMosaicKeepsCentroids(t *testing.T) {
	const width, height = 24, 24
	patterns := []string{"RGGB", "BGGR", "GRBG", "GBRG"}
	for _, c := range []struct {
		fwhm float64
		// limit of the root mean square error in pixels. The planes are sampled
		// every second pixel, so a star of two pixels is undersampled in each;
		// from 2.5 pixels on a fiftieth of a pixel is asked for, which is below
		// what star noise leaves at signal-to-noise 50.
		limit float64
	}{
		{2.0, 0.05}, {2.5, 0.02}, {3.0, 0.01}, {4.0, 0.002}, {6.0, 0.002},
	} {
		rng := rand.New(rand.NewPCG(7, uint64(c.fwhm*10)))
		sigma := c.fwhm / fwhmPerSigma
		var sum, sumMono, worst float64
		const stars = 200
		for i := range stars {
			x0, y0 := 11.5+rng.Float64()-0.5, 11.5+rng.Float64()-0.5
			star := make([]float64, width*height)
			gaussianStar(star, width, x0, y0, sigma, 20000)
			colour := map[byte]float64{'R': 0.25 + 0.75*rng.Float64(), 'G': 0.8, 'B': 0.25 + 0.75*rng.Float64()}
			background := map[byte]float64{'R': 700, 'G': 1200, 'B': 900}
			p := patterns[i%4]
			raw, mono := make([]float32, len(star)), make([]float32, len(star))
			for j, v := range star {
				filter := p[(j/width%2)*2+j%width%2]
				raw[j] = float32(background[filter] + colour[filter]*v)
				mono[j] = float32(v)
			}
			reduceMosaic(raw, width, height, 1, 0)
			level := (700 + 2*1200 + 900) / 4.0
			// The window of a star that the reduction has widened by its own
			// variance, half a square pixel.
			x, y := windowedCentroid(raw, width, 11.5, 11.5, math.Hypot(sigma, math.Sqrt(0.5)), level)
			e := math.Hypot(x-x0, y-y0)
			sum += e * e
			worst = max(worst, e)
			x, y = windowedCentroid(mono, width, 11.5, 11.5, sigma, 0)
			sumMono += (x-x0)*(x-x0) + (y-y0)*(y-y0)
		}
		rms := math.Sqrt(sum / stars)
		t.Logf("FWHM %.1f: rms %.4f, worst %.4f; monochrome %.5f px", c.fwhm, rms, worst, math.Sqrt(sumMono/stars))
		if rms > c.limit {
			t.Errorf("FWHM %.1f: centroids off by %.4f px (rms), want at most %g", c.fwhm, rms, c.limit)
		}
	}
}

// The reduction against the plain sum over the neighbourhood, border by
// reflection about the border pixel.
func TestMosaicAgainstPlainSum(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	weight := [3]float64{1, 2, 1}
	for _, size := range [][2]int{{3, 3}, {4, 3}, {3, 4}, {5, 5}, {17, 12}, {64, 33}} {
		w, h := size[0], size[1]
		pix := make([]float32, w*h)
		for i := range pix {
			pix[i] = float32(1000 + 10*rng.NormFloat64())
		}
		want := make([]float64, len(pix))
		for i := range want {
			for dy := -1; dy <= 1; dy++ {
				for dx := -1; dx <= 1; dx++ {
					x, y := i%w+dx, i/w+dy
					if x < 0 || x >= w {
						x -= 2 * dx
					}
					if y < 0 || y >= h {
						y -= 2 * dy
					}
					want[i] += weight[dx+1] * weight[dy+1] * float64(pix[y*w+x]) / 16
				}
			}
		}
		reduceMosaic(pix, w, h, 1, 0)
		for i, v := range pix {
			// Eight additions in float32.
			if math.Abs(float64(v)-want[i]) > 8*1000.0/(1<<24) {
				t.Fatalf("%d x %d, pixel %d: %g, want %g", w, h, i, v, want[i])
			}
		}
	}
}

// Four planes of different level give one level, border included, to the last
// bit of these whole numbers.
func TestMosaicLevelsCancel(t *testing.T) {
	const w, h = 11, 8
	pix := make([]float32, w*h)
	for i := range pix {
		pix[i] = [4]float32{400, 800, 1200, 160}[(i/w%2)*2+i%w%2]
	}
	reduceMosaic(pix, w, h, 1, 0)
	for i, v := range pix {
		if v != 640 {
			t.Fatalf("pixel %d is %g, want 640", i, v)
		}
	}
}

// Hot pixels go, stars stay, whatever the plane they fall on.
func TestHotPixels(t *testing.T) {
	const w, h, sky, noise = 40, 40, 500.0, 5.0
	rng := rand.New(rand.NewPCG(3, 4))
	field := func() []float64 {
		f := make([]float64, w*h)
		for i := range f {
			f[i] = sky*[4]float64{0.5, 1, 1, 0.7}[(i/w%2)*2+i%w%2] + noise*rng.NormFloat64()
		}
		return f
	}
	narrow := func(f []float64) []float32 {
		p := make([]float32, len(f))
		for i, v := range f {
			p[i] = float32(v)
		}
		return p
	}
	for trial := range 40 {
		x, y := 8+trial%3, 8+trial/3
		f := field()
		f[y*w+x] += 3000
		p := narrow(f)
		replaceHotPixels(p, w, h, 1)
		if excess := float64(p[y*w+x]) - f[y*w+x] + 3000; math.Abs(excess) > 6*noise {
			t.Errorf("hot pixel at %d, %d: %.0f above its own colour is left", x, y, excess)
		}

		f = field()
		star := make([]float64, w*h)
		gaussianStar(star, w, float64(x)+0.3*rng.NormFloat64(), float64(y)+0.3*rng.NormFloat64(), 1.3/fwhmPerSigma, 5000)
		for i := range f { // seen in one filter 2.5 times as well as in the others
			f[i] += star[i] * [4]float64{1, 0.4, 0.4, 0.4}[((i/w+y)%2)*2+(i%w+x)%2]
		}
		p = narrow(f)
		replaceHotPixels(p, w, h, 1)
		for i, v := range p {
			if v != float32(f[i]) {
				t.Errorf("star at %d, %d: pixel %d, %d was replaced", x, y, i%w, i/w)
			}
		}
	}
}

// Undefined and saturated pixels mark their neighbourhood and nothing else.
func TestMosaicMarksSpread(t *testing.T) {
	const w, h = 16, 16
	pix := make([]float32, w*h)
	for i := range pix {
		pix[i] = 100
	}
	for _, at := range []int{4*w + 4, 4*w + 5, 5*w + 4, 5*w + 5} { // too many to be a hot pixel
		pix[at] = 4095
	}
	pix[10*w+10] = float32(math.NaN())
	reduceMosaic(pix, w, h, 1, 4095)
	for i, v := range pix {
		x, y := i%w, i/w
		nearStar := x >= 3 && x <= 6 && y >= 3 && y <= 6
		nearNaN := x >= 9 && x <= 11 && y >= 9 && y <= 11
		switch {
		case nearNaN != (v != v), nearStar != (v == 4095), !nearStar && !nearNaN && v != 100:
			t.Errorf("pixel %d, %d is %g", x, y, v)
		}
	}
}

// The reduction averages neighbours with [1 2 1]/4 both ways: the scatter of white noise shrinks by
// (sqrt(1+4+1)/4)^2 = 6/16, and the noise of a sum over many pixels stays as it was.
func TestMosaicNoise(t *testing.T) {
	const shrinks = 16.0 / 6
	const w, h = 400, 400
	rng := rand.New(rand.NewPCG(5, 6))
	pix := make([]float32, w*h)
	for i := range pix {
		pix[i] = float32(100 * rng.NormFloat64())
	}
	reduceMosaic(pix, w, h, 1, 0)
	var sum float64
	for _, v := range pix {
		sum += float64(v) * float64(v)
	}
	scatter := math.Sqrt(sum / (w * h))
	// 160,000 values, of which neighbours are correlated: about 0.5 %.
	if got := 100 / scatter; math.Abs(got/shrinks-1) > 0.02 {
		t.Errorf("the scatter shrinks %.3f times, want %.3f", got, shrinks)
	}
	const side = 20 // blocks, whose border blurs by a pixel of 20
	var blocks float64
	for by := range h / side {
		for bx := range w / side {
			var s float64
			for y := range side {
				for x := range side {
					s += float64(pix[(by*side+y)*w+bx*side+x])
				}
			}
			blocks += s * s
		}
	}
	got := math.Sqrt(blocks/(w/side*h/side)) / side
	if math.Abs(got/(scatter*shrinks)-1) > 0.12 { // 400 blocks: 3.5 % (1 sigma), and the border
		t.Errorf("the noise of a mean is that of white noise of %.1f a pixel, want %.1f", got, scatter*shrinks)
	}
}

// What headers say of colour filters (common practice).
func TestDeclaresMosaic(t *testing.T) {
	for pattern, want := range map[string]bool{
		"": false, "RGGB": true, "rggb    ": true, "GBRG": true, "CYGM": true, "XTRANS6X6": true, "NONE": false, "mono": false, "RGB": false,
	} {
		h := &header{values: map[string]any{"COLORTYP": pattern}}
		got, warnings := declaresMosaic(h)
		if got != want || (len(warnings) > 0) != (pattern == "XTRANS6X6") {
			t.Errorf("%q: %v, want %v, warnings %q", pattern, got, want, warnings)
		}
	}
}

// A pixel of a colour image that is saturated in one colour is saturated.
func TestColourSaturation(t *testing.T) {
	raw := []byte{10, 255, 20, 30, 40, 60} // two pixels in three planes
	f := mustDecode(t, build(layoutCards("8", "3", "2", "1", "3"), raw))
	if want := []float32{(10 + 20 + 40) / 3.0, 255}; fmt.Sprint(f.Pix) != fmt.Sprint(want) {
		t.Errorf("luminance %v, want %v", f.Pix, want)
	}
}

// Pixels that alternate as behind colour filters are taken for a mosaic without a
// keyword; what alternates in one direction, or changes slowly, is not.
func TestUndeclaredMosaic(t *testing.T) {
	const width, height, noise = 64, 48, 20
	rng := rand.New(rand.NewPCG(3, 4))
	filters := func(pattern string, red, green, blue float64) func(x, y int) float64 {
		return func(x, y int) float64 {
			return 1000 + map[byte]float64{'R': red, 'G': green, 'B': blue}[pattern[y%2*2+x%2]]
		}
	}
	for _, c := range []struct {
		name  string
		level func(x, y int) float64
		want  bool
	}{
		{"RGGB", filters("RGGB", 60, 100, 50), true},
		{"BGGR", filters("BGGR", 60, 100, 50), true},
		{"GRBG", filters("GRBG", 60, 100, 50), true},
		{"GBRG", filters("GBRG", 60, 100, 50), true},
		{"green in the middle, RGGB", filters("RGGB", 150, 100, 50), true},
		{"green in the middle, GRBG", filters("GRBG", 150, 100, 50), true},
		{"one grey", filters("RGGB", 100, 100, 100), false},
		{"odd and even columns", func(x, y int) float64 { return 1000 + 100*float64(x%2) }, false},
		{"odd and even rows", func(x, y int) float64 { return 1000 + 100*float64(y%2) }, false},
		{"a steep gradient", func(x, y int) float64 { return 1000 + 50*float64(x) + 70*float64(y) }, false},
	} {
		pix := make([]int16, width*height)
		for i := range pix {
			pix[i] = int16(math.Round(c.level(i%width, i/width) + noise*rng.NormFloat64()))
		}
		f := mustDecode(t, frame16(width, height, pix))
		if strings.Contains(strings.Join(f.Warnings, " "), "BAYERPAT") != c.want {
			t.Errorf("%s: warnings %q, want mosaic %v", c.name, f.Warnings, c.want)
		}
	}
}
