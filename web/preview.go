package web

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"math"
	"net/http"
	"slices"
	"strconv"

	"github.com/labstack/echo/v4"
)

// Preview is a frame to be shown: luminance, row-major, row 0 the first row
// in the file. ID is that of the [Latest] it belongs to.
type Preview struct {
	ID            int64
	Width, Height int
	Pix           []float32
}

// Sizes of the picture.
const (
	// pictureWidth is enough for a laptop's column and for a phone's screen
	// zoomed twice.
	pictureWidth = 1280
	// pictureQuality keeps faint stars free of block edges; a picture takes
	// some 100 to 200 kB.
	pictureQuality = 85
	// picturesKept lets a page that is a few frames behind still get its own.
	picturesKept = 4
	// maxPreviewPixels bounds the work; the largest cameras have 150 million.
	maxPreviewPixels = 400_000_000
)

// The stretch. Sky goes to a dark grey, so that gradients and clouds still
// show; a star of stretchNoise times the sky's noise already stands out.
const (
	skyLevel     = 0.12
	stretchNoise = 3.0
	// whiteQuantile of the pixels stay below full white.
	whiteQuantile = 0.9995
	// madToSigma makes a standard deviation from a median absolute deviation
	// of normal noise: 1/Phi^-1(3/4).
	madToSigma = 1.4826
)

type picture struct {
	id            int64
	jpeg          []byte
	width, height int
}

func (p Preview) check() error {
	if p.Width < 1 || p.Height < 1 || p.Width > maxPreviewPixels/p.Height || len(p.Pix) != p.Width*p.Height {
		return fmt.Errorf("preview: %d by %d does not fit %d pixels", p.Width, p.Height, len(p.Pix))
	}
	return nil
}

// picture shrinks by averaging whole blocks, stretches and encodes. Row 0 of
// the file becomes the bottom row, as FITS images are commonly shown.
func (p Preview) picture() (*picture, error) {
	if err := p.check(); err != nil {
		return nil, err
	}
	block := max(1, (p.Width+pictureWidth-1)/pictureWidth, (p.Height+pictureWidth-1)/pictureWidth)
	w, h := max(1, p.Width/block), max(1, p.Height/block)
	small := make([]float32, w*h)
	for y := range h {
		for x := range w {
			small[y*w+x] = p.mean(x*block, y*block, block)
		}
	}
	tone := newTone(small)
	img := image.NewGray(image.Rect(0, 0, w, h))
	for y := range h {
		row := small[y*w : (y+1)*w]
		out := img.Pix[(h-1-y)*img.Stride:]
		for x, v := range row {
			out[x] = tone.grey(v)
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, &jpeg.Options{Quality: pictureQuality}); err != nil {
		return nil, err
	}
	return &picture{id: p.ID, jpeg: b.Bytes(), width: w, height: h}, nil
}

// mean averages the finite pixels of the block whose first is (x0, y0), as
// much of it as lies in the frame; NaN when there is none.
func (p Preview) mean(x0, y0, block int) float32 {
	var sum float64
	n := 0
	for y := y0; y < min(y0+block, p.Height); y++ {
		for _, v := range p.Pix[y*p.Width+x0 : y*p.Width+min(x0+block, p.Width)] {
			if f := float64(v); !math.IsNaN(f) && !math.IsInf(f, 0) {
				sum += f
				n++
			}
		}
	}
	return float32(sum / float64(n))
}

// tone maps pixel values to grey by an inverse hyperbolic sine (Lupton, Gunn
// and Szalay 1999, AJ 118, 1406): linear in the sky's noise, logarithmic in
// the stars.
type tone struct {
	sky, scale, white float64
}

func newTone(pix []float32) tone {
	// A regular sample of this size gives the median to a hundredth of the
	// noise.
	const sample = 20_000
	step := max(1, len(pix)/sample)
	s := make([]float64, 0, len(pix)/step+1)
	for i := 0; i < len(pix); i += step {
		if v := float64(pix[i]); !math.IsNaN(v) {
			s = append(s, v)
		}
	}
	if len(s) == 0 {
		return tone{scale: 1, white: 1}
	}
	slices.Sort(s)
	t := tone{sky: s[len(s)/2]}
	bright := s[int(whiteQuantile*float64(len(s)-1))]
	for i, v := range s {
		s[i] = math.Abs(v - t.sky)
	}
	slices.Sort(s)
	t.scale = stretchNoise * madToSigma * s[len(s)/2]
	if !(t.scale > 0) { // a flat frame, or one with a few odd pixels
		t.scale = max(1e-6*math.Abs(t.sky), math.SmallestNonzeroFloat32)
	}
	t.white = math.Asinh(max((bright-t.sky)/t.scale, 2))
	return t
}

func (t tone) grey(v float32) uint8 {
	f := float64(v)
	if math.IsNaN(f) {
		return 0
	}
	level := skyLevel + (1-skyLevel)*math.Asinh((f-t.sky)/t.scale)/t.white
	return uint8(255*max(0, min(1, level)) + 0.5)
}

// PublishPreview makes the picture of a frame and tells every page about it.
// It may come before or after the [State] whose Latest has the same ID. The
// pixels are read during the call only. For a frame of 2 megapixels it takes
// some 50 ms, so a caller in a hurry publishes the state first.
func (s *Server) PublishPreview(p Preview) error {
	pic, err := p.picture()
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.pictures = append(s.pictures, pic)
	if n := len(s.pictures) - picturesKept; n > 0 {
		s.pictures = slices.Delete(s.pictures, 0, n)
	}
	if s.state != nil && s.state.Latest != nil && s.state.Latest.ID == p.ID {
		return s.publishLocked()
	}
	return nil
}

// withPicture is the latest frame with its picture, if there is one. The
// caller's value is not touched.
func (s *Server) withPicture(l *Latest) *Latest {
	if l == nil {
		return nil
	}
	out := *l
	out.Picture = nil
	for _, p := range s.pictures {
		if p.id == l.ID {
			out.Picture = &Picture{
				URL:      "/api/v1/preview.jpg?frame=" + strconv.FormatInt(p.id, 10),
				WidthPx:  p.width,
				HeightPx: p.height,
			}
		}
	}
	return &out
}

var errNoPicture = errors.New("there is no picture of that frame")

// getPreview answers with the picture of the frame asked for, or of the
// newest.
func (s *Server) getPreview(c echo.Context) error {
	s.mu.Lock()
	pictures := slices.Clone(s.pictures)
	s.mu.Unlock()
	want := c.QueryParam("frame")
	for _, p := range slices.Backward(pictures) {
		if want == "" || want == strconv.FormatInt(p.id, 10) {
			return c.Blob(http.StatusOK, "image/jpeg", p.jpeg)
		}
	}
	return &problem{status: http.StatusNotFound, code: "no_picture", message: errNoPicture.Error()}
}
