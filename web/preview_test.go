package web

import (
	"bytes"
	"image"
	"image/jpeg"
	"math"
	"testing"
)

func picture8(t *testing.T, p Preview) *image.Gray {
	t.Helper()
	pic, err := p.picture()
	if err != nil {
		t.Fatal(err)
	}
	img, err := jpeg.Decode(bytes.NewReader(pic.jpeg))
	if err != nil {
		t.Fatal(err)
	}
	gray, ok := img.(*image.Gray)
	if !ok {
		t.Fatalf("picture is %T, not grey", img)
	}
	if b := gray.Bounds(); b.Dx() != pic.width || b.Dy() != pic.height {
		t.Fatalf("size %v, told %d by %d", b, pic.width, pic.height)
	}
	return gray
}

// A star in row 0 of the file shows at the bottom of the picture, where FITS
// viewers put it (common practice), at its column.
func TestPreviewOrientation(t *testing.T) {
	p := Preview{Width: 64, Height: 48, Pix: make([]float32, 64*48)}
	for i := range p.Pix {
		p.Pix[i] = 100 + float32(i%7)
	}
	for dy := range 3 {
		for dx := range 3 {
			p.Pix[dy*64+50+dx] = 5000
		}
	}
	img := picture8(t, p)
	if star, other := img.GrayAt(51, 46).Y, img.GrayAt(51, 1).Y; star < 200 || other > 100 {
		t.Errorf("bottom %d, top %d", star, other)
	}
}

// The sky lies at its level, and a star of ten times the noise stands well
// above it.
func TestPreviewStretch(t *testing.T) {
	p, _ := starField(3)
	img := picture8(t, p)
	var sum float64
	for _, v := range img.Pix {
		sum += float64(v)
	}
	mean := sum / float64(len(img.Pix)) / 255
	// The mean of the noisy sky is its level, give or take the noise clipped
	// at black and the few stars: a tenth.
	if math.Abs(mean-skyLevel) > 0.1 {
		t.Errorf("mean level %.3f, want about %.2f", mean, skyLevel)
	}
	tone := newTone(p.Pix)
	sky, star := tone.grey(float32(tone.sky)), tone.grey(float32(tone.sky+10*tone.scale/stretchNoise))
	if int(star) < int(sky)+60 {
		t.Errorf("sky %d, a star of ten sigma %d", sky, star)
	}
}

func TestPreviewShrinks(t *testing.T) {
	p := Preview{Width: 3000, Height: 2000, Pix: make([]float32, 3000*2000)}
	img := picture8(t, p)
	if b := img.Bounds(); b.Dx() != 1000 || b.Dy() != 666 {
		t.Errorf("%v", b)
	}
}

// Bad input gives an error or a dull picture, never a panic.
func TestPreviewBadInput(t *testing.T) {
	nan, inf := float32(math.NaN()), float32(math.Inf(1))
	fill := func(n int, v float32) []float32 {
		s := make([]float32, n)
		for i := range s {
			s[i] = v
		}
		return s
	}
	for _, c := range []struct {
		name string
		p    Preview
		ok   bool
	}{
		{"no pixels", Preview{}, false},
		{"short", Preview{Width: 10, Height: 10, Pix: fill(99, 1)}, false},
		{"negative", Preview{Width: -10, Height: -10, Pix: fill(100, 1)}, false},
		{"overflow", Preview{Width: math.MaxInt, Height: 2, Pix: fill(2, 1)}, false},
		{"flat", Preview{Width: 10, Height: 10, Pix: fill(100, 7)}, true},
		{"zero", Preview{Width: 10, Height: 10, Pix: fill(100, 0)}, true},
		{"NaN", Preview{Width: 10, Height: 10, Pix: fill(100, nan)}, true},
		{"infinite", Preview{Width: 10, Height: 10, Pix: fill(100, inf)}, true},
		{"huge", Preview{Width: 10, Height: 10, Pix: fill(100, math.MaxFloat32)}, true},
		{"one", Preview{Width: 1, Height: 1, Pix: fill(1, 3)}, true},
		{"thin", Preview{Width: 5000, Height: 1, Pix: fill(5000, 3)}, true},
	} {
		if _, err := c.p.picture(); (err == nil) != c.ok {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

func BenchmarkPreview2MP(b *testing.B) {
	p := Preview{Width: 1920, Height: 1080, Pix: make([]float32, 1920*1080)}
	for i := range p.Pix {
		p.Pix[i] = float32(800 + (i*7919)%37)
	}
	for b.Loop() {
		if _, err := p.picture(); err != nil {
			b.Fatal(err)
		}
	}
}
