package detect

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"sync"
	"testing"

	"polard/solve/detect/drawn"

	"pgregory.net/rapid"

	"polard/solve/detect/raster"
)

// plainField is a frame for the property tests, drawn once.
func plainField(seed uint64, width, height, stars int) *drawn.Frame {
	key := [4]int{int(seed), width, height, stars}
	if m, ok := plainFields.Load(key); ok {
		return m.(*drawn.Frame)
	}
	m := drawn.New(width, height, seed, drawn.Sky)
	l := drawn.Gaussian(2.6)
	for range stars {
		m.Star(l, 12+m.Rand.Float64()*float64(width-24), 12+m.Rand.Float64()*float64(height-24), 2000/max(0.02, m.Rand.Float64()))
	}
	m.Expose(drawn.Read, drawn.Gain, 100, math.Inf(1))
	plainFields.Store(key, m)
	return m
}

var plainFields sync.Map

func detect(t interface{ Fatal(...any) }, img Image) *Result {
	d, err := Find(context.Background(), img)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// sameStars checks that the bright stars of a that were drawn alone lie, moved by the map, where b
// has them, within the given part of their sigma.
func sameStars(t *rapid.T, stars []drawn.Star, a, b *Result, move func(x, y float64) (float64, float64), sigmas float64) {
	t.Helper()
	const clear = 12 // signal-to-noise of stars that either frame must show
	const apart = 9  // pixels, 8 sigma of the light drawn: nearer, two stars share it
	for _, s := range a.Detections {
		near := 0
		for _, star := range stars {
			if math.Hypot(star.X-s.Pos.X, star.Y-s.Pos.Y) < apart {
				near++
			}
		}
		if s.SNR < clear || near != 1 {
			continue
		}
		x, y := move(s.Pos.X, s.Pos.Y)
		_, r := b.nearest(x, y)
		if limit := sigmas*math.Sqrt(s.Cov[0][0]+s.Cov[1][1]) + 1e-3; !(r <= limit) {
			t.Errorf("star at %.3f %.3f (signal-to-noise %.1f) is expected at %.3f %.3f and found %.4f pixels off, limit %.4f", s.Pos.X, s.Pos.Y, s.SNR, x, y, r, limit)
		}
	}
}

// Part of its sigma by which a star may move when the same pixels are read in
// another way: the mesh of the sky, the samples of its statistics and
// the stars that define the PSF come out a little differently.
const (
	samePixels    = 0.01 // nothing but the numbers' scale or offset changes
	otherMesh     = 0.8  // tiles fall on other pixels, other stars define the PSF
	roundingSigma = 0.02 // float32 rounding of values with a large offset
)

// TestConstantAndScaleChangeNothing: adding a constant to all pixels, or
// multiplying them, leaves the places.
func TestConstantAndScaleChangeNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := plainField(rapid.Uint64Range(0, 20).Draw(t, "seed"), 200, 160, 12)
		add := rapid.Float32Range(-1000, 5000).Draw(t, "constant")
		factor := float32(math.Ldexp(1, rapid.IntRange(-8, 8).Draw(t, "power of two")))
		a := detect(t, m.Image)
		moved := Image{Width: m.Image.Width, Height: m.Image.Height, Pix: slices.Clone(m.Image.Pix)}
		for i := range moved.Pix {
			moved.Pix[i] = (moved.Pix[i] + float32(math.Round(float64(add)))) * factor
		}
		b := detect(t, moved)
		sameStars(t, m.Truth, a, b, func(x, y float64) (float64, float64) { return x, y }, roundingSigma)
		if want := (a.Background + math.Round(float64(add))) * float64(factor); math.Abs(b.Background-want) > 0.05*b.Noise {
			t.Errorf("background %g, want %g", b.Background, want)
		}
	})
}

// TestNegative: turned into a negative, a frame shows the same stars; cold
// pixels and clouds' shadows do not make a frame one.
func TestNegative(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := plainField(rapid.Uint64Range(0, 20).Draw(t, "seed"), 300, 260, 24)
		a := detect(t, m.Image)
		turned := Image{Width: m.Image.Width, Height: m.Image.Height, Pix: slices.Clone(m.Image.Pix)}
		for i, v := range turned.Pix {
			turned.Pix[i] = 30000 - v
		}
		b := detect(t, turned)
		if a.Negative || !b.Negative {
			t.Fatalf("negative: %v, of the turned frame %v", a.Negative, b.Negative)
		}
		sameStars(t, m.Truth, a, b, func(x, y float64) (float64, float64) { return x, y }, otherMesh)
		if math.Abs(a.Background+b.Background-30000) > 0.5*a.Noise {
			t.Errorf("sky %g, of the negative %g", a.Background, b.Background)
		}
		shadowed := Image{Width: m.Image.Width, Height: m.Image.Height, Pix: slices.Clone(m.Image.Pix)}
		for y := 100; y < 130; y++ {
			for x := 20; x < 60; x++ {
				shadowed.Pix[y*shadowed.Width+x] *= 0.3
			}
		}
		for i := 0; i < len(shadowed.Pix); i += 37 {
			shadowed.Pix[i] *= 0.4
		}
		if detect(t, shadowed).Negative {
			t.Error("a shadow and cold pixels make a negative")
		}
	})
}

// TestFlips: turning the image over turns the places over.
func TestFlips(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := plainField(rapid.Uint64Range(0, 20).Draw(t, "seed"), 192, 192, 12)
		w, h := m.Image.Width, m.Image.Height
		flipX, flipY := rapid.Bool().Draw(t, "columns"), rapid.Bool().Draw(t, "rows")
		other := Image{Width: w, Height: h, Pix: make([]float32, w*h)}
		at := func(x, y int) (int, int) {
			if flipX {
				x = w - 1 - x
			}
			if flipY {
				y = h - 1 - y
			}
			return x, y
		}
		for y := range h {
			for x := range w {
				i, j := at(x, y)
				other.Pix[j*w+i] = m.Image.Pix[y*w+x]
			}
		}
		sameStars(t, m.Truth, detect(t, m.Image), detect(t, other), func(x, y float64) (float64, float64) {
			if flipX {
				x = float64(w-1) - x
			}
			if flipY {
				y = float64(h-1) - y
			}
			return x, y
		}, otherMesh)
	})
}

// TestShift: a window moved by whole pixels over the same frame shows the same
// stars, moved.
func TestShift(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := plainField(rapid.Uint64Range(0, 20).Draw(t, "seed"), 300, 260, 24)
		const w, h = 256, 224
		cut := func(x0, y0 int) Image {
			img := Image{Width: w, Height: h}
			for y := range h {
				img.Pix = append(img.Pix, m.Image.Pix[(y+y0)*m.Image.Width+x0:][:w]...)
			}
			return img
		}
		dx, dy := rapid.IntRange(0, 300-w).Draw(t, "dx"), rapid.IntRange(0, 260-h).Draw(t, "dy")
		a, b := detect(t, cut(0, 0)), detect(t, cut(dx, dy))
		// Stars near the border of either window have lost light there, or may be missing.
		a.Detections = slices.DeleteFunc(a.Detections, func(s Detection) bool {
			return s.Pos.X < float64(dx)+10 || s.Pos.Y < float64(dy)+10 || s.Pos.X > w-11 || s.Pos.Y > h-11
		})
		sameStars(t, m.Truth, a, b, func(x, y float64) (float64, float64) { return x - float64(dx), y - float64(dy) }, otherMesh)
	})
}

// TestWorkersDoNotMatter: the result is the same to the last bit on one
// processor and on many, and the image is not changed.
func TestWorkersDoNotMatter(t *testing.T) {
	m := plainField(3, 500, 400, 150)
	was := slices.Clone(m.Image.Pix)
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	one := detect(t, m.Image)
	runtime.GOMAXPROCS(7)
	many := detect(t, m.Image)
	if !slices.Equal(one.Detections, many.Detections) {
		t.Errorf("%d stars on one processor, %d on seven, or not the same ones", len(one.Detections), len(many.Detections))
	}
	if !slices.Equal(was, m.Image.Pix) {
		t.Error("the image was changed")
	}
	if !slices.IsSortedFunc(one.Detections, func(a, b Detection) int {
		switch {
		case a.Flux > b.Flux:
			return -1
		case a.Flux < b.Flux:
			return 1
		}
		return 0
	}) {
		t.Error("the stars are not in order of brightness")
	}
}

// TestUnusableImages: each is refused with its reason.
func TestUnusableImages(t *testing.T) {
	filled := func(w, h int, v float32) Image {
		return Image{Width: w, Height: h, Pix: slices.Repeat([]float32{v}, w*h)}
	}
	nan := float32(math.NaN())
	sparse := filled(400, 400, nan)
	for i := 0; i < len(sparse.Pix); i += 100 {
		sparse.Pix[i] = float32(i % 7)
	}
	full := filled(100, 100, 65535)
	for i := range 200 {
		full.Pix[i] = 100
	}
	full.Saturation = 65535
	for _, c := range []struct {
		name string
		img  Image
		want error
	}{
		{"no pixels", Image{}, ErrNoImage},
		{"tiny", filled(15, 100, 1), ErrNoImage},
		{"too few values", Image{Width: 100, Height: 100, Pix: make([]float32, 99)}, ErrNoImage},
		{"too many values", Image{Width: 100, Height: 100, Pix: make([]float32, 10001)}, ErrNoImage},
		{"negative", Image{Width: -100, Height: -100, Pix: make([]float32, 10000)}, ErrNoImage},
		{"all NaN", filled(100, 100, nan), ErrNoData},
		{"all infinite", filled(100, 100, float32(math.Inf(1))), ErrNoData},
		{"one pixel in a hundred", sparse, ErrNoData},
		{"constant", filled(100, 100, 7), ErrConstant},
		{"zero", filled(100, 100, 0), ErrConstant},
		{"saturated", full, ErrNoData},
	} {
		d, err := Find(context.Background(), c.img)
		if !errors.Is(err, c.want) || d != nil {
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
		}
	}
}

// TestOddImages: whatever the pixels are, an answer comes, in bounded time and
// with finite numbers.
func TestOddImages(t *testing.T) {
	const w, h = 400, 300
	rng := rand.New(rand.NewPCG(5, 5))
	for _, c := range []struct {
		name string
		at   func(x, y int) float64
		most int // stars
	}{
		{"uniform noise", func(x, y int) float64 { return 65535 * rng.Float64() }, 3},
		{"checkerboard", func(x, y int) float64 { return float64((x + y) % 2) }, 0},
		{"stripes", func(x, y int) float64 { return 100 * float64(x%8/4) }, 0},
		{"ramp", func(x, y int) float64 { return float64(x) }, 0},
		{"edge", func(x, y int) float64 { return 1000*float64(x/200) + rng.NormFloat64() }, 2},
		{"one bright pixel", func(x, y int) float64 {
			if x == 200 && y == 100 {
				return 60000
			}
			return 100 + 3*rng.NormFloat64()
		}, 2},
		{"heavy tails", func(x, y int) float64 { return math.Tan(math.Pi * (rng.Float64() - 0.5)) }, 40},
		{"huge values", func(x, y int) float64 { return 1e30 * rng.Float64() }, 3},
		{"tiny values", func(x, y int) float64 { return 1e-30 * rng.Float64() }, 3},
		{"few values", func(x, y int) float64 {
			if x < 100 && y < 100 {
				return 100 + rng.NormFloat64()
			}
			return math.NaN()
		}, 2},
		{"infinite pixels", func(x, y int) float64 {
			if rng.IntN(50) == 0 {
				return math.Inf(1 - 2*rng.IntN(2))
			}
			return 100 + rng.NormFloat64()
		}, 3},
		{"one star on nothing", func(x, y int) float64 {
			return 1000 * math.Exp(-(sq(float64(x)-200.3)+sq(float64(y)-150.6))/8)
		}, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			img := Image{Width: w, Height: h, Pix: make([]float32, w*h)}
			for i := range img.Pix {
				img.Pix[i] = float32(c.at(i%w, i/w))
			}
			d := detect(t, img)
			if len(d.Detections) > c.most {
				t.Errorf("%d stars, want at most %d", len(d.Detections), c.most)
			}
			checkFinite(t, d)
		})
	}
}

// checkFinite: all numbers are finite, and covariances positive.
func checkFinite(t interface{ Errorf(string, ...any) }, d *Result) {
	for _, s := range d.Detections {
		for _, v := range []float64{s.Pos.X, s.Pos.Y, s.Flux, s.SNR, s.Cov[0][0], s.Cov[0][1], s.Cov[1][1]} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Errorf("a number that is none: %+v", s)
			}
		}
		if !(s.Cov[0][0] > 0 && s.Cov[0][0]*s.Cov[1][1] > s.Cov[0][1]*s.Cov[0][1]) || !(s.Flux > 0) || !(s.SNR > 0) {
			t.Errorf("not a star: %+v", s)
		}
	}
	for _, v := range []float64{d.Background, d.Noise, d.FWHM} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			t.Errorf("a number that is none: %+v", d)
		}
	}
}

// FuzzDetect: no image makes the detection panic or answer with nonsense. Bytes
// become pixels of a small image.
func FuzzDetect(f *testing.F) {
	m := plainField(1, 64, 48, 5)
	b := make([]byte, len(m.Image.Pix))
	for i, v := range m.Image.Pix {
		b[i] = byte(v / 4)
	}
	f.Add(uint8(64), float32(0), float32(1), b)
	f.Add(uint8(20), float32(255), float32(100), make([]byte, 20*20))
	f.Add(uint8(16), float32(0), float32(1e30), []byte("a short text repeated until the image is full, with letters for pixels"))
	// Found by fuzzing: noise that alternates, and a sky above its saturation.
	f.Add(uint8('A'), float32(0), float32(1e30), []byte("20xaocc bext reCeated until the imageciy fitx baxterx for pixblX"))
	f.Fuzz(func(t *testing.T, width uint8, saturation, scale float32, b []byte) {
		if len(b) == 0 || width == 0 {
			return
		}
		const most = 1 << 14
		w := int(width)
		h := max(raster.MinSide, min(most, len(b))/w)
		img := Image{Width: w, Height: h, Saturation: saturation, Pix: make([]float32, w*h)}
		for i := range img.Pix {
			img.Pix[i] = float32(b[i%len(b)]) * scale
			if b[i%len(b)] == 254 {
				img.Pix[i] = float32(math.NaN())
			}
		}
		d, err := Find(context.Background(), img)
		if err == nil {
			checkFinite(t, d)
		}
	})
}
