package fits

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync"
	"syscall"
)

// ReadFile reads the frame in a file. Errors of the file system keep their
// identity (fs.ErrNotExist, fs.ErrPermission); those of the content wrap
// [ErrIncomplete], [ErrMalformed] or [ErrUnsupported].
func ReadFile(path string) (*Frame, error) {
	data, err := ReadBytes(path, nil, nil)
	if err != nil {
		return nil, err
	}
	return Decode(filepath.Base(path), data)
}

// readStep is how much of a file is read at a time: what a slow network brings within a second or so.
const readStep = 1 << 20

// ReadBytes reads a whole file of believable kind and size, into the room given if that is large enough. step, if not nil, is called
// with each part that was read, in order; the parts change no more.
func ReadBytes(path string, room []byte, step func(part []byte)) ([]byte, error) {
	f, size, err := openRegular(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if size > maxFileBytes {
		return nil, fmt.Errorf("%s: %w: %d MB long; at most %d MB are read", filepath.Base(path), ErrUnsupported, size>>20, maxFileBytes>>20)
	}
	data := room[:cap(room)]
	if int64(len(data)) < size {
		data = make([]byte, size)
	}
	data = data[:size]
	for have := 0; have < len(data); {
		n, err := f.Read(data[have:min(len(data), have+readStep)])
		have += n
		if errors.Is(err, io.EOF) { // cut meanwhile
			return data[:have], nil
		}
		if err != nil {
			return nil, err
		}
		if step != nil && n > 0 {
			step(data[have-n : have])
		}
	}
	return data, nil
}

// openRegular opens a file and gives its length. It does not wait for the other end of a
// pipe, nor touch a device: a name may have become that of another thing at any moment, so
// what was opened is looked at again.
func openRegular(path string) (*os.File, int64, error) {
	refused := fmt.Errorf("%s: %w: not a regular file", filepath.Base(path), ErrUnsupported)
	info, err := os.Stat(path)
	if err != nil {
		return nil, 0, err
	}
	if !info.Mode().IsRegular() {
		return nil, 0, refused
	}
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, 0, err
	}
	if info, err = f.Stat(); err == nil && !info.Mode().IsRegular() {
		err = refused
	}
	if err != nil {
		f.Close()
		return nil, 0, err
	}
	return f, info.Size(), nil
}

// Readable tells whether a file can be opened now.
func Readable(path string) bool {
	f, _, err := openRegular(path)
	if err != nil {
		return false
	}
	f.Close()
	return true
}

// Decode reads the frame in the bytes of a file, which may be packed with
// gzip. name is for messages. On error the frame is nil and the error wraps
// [ErrIncomplete], [ErrMalformed] or [ErrUnsupported].
//
// The frame is the primary array if that is an image, else the first extension
// that is one, plain or compressed in tiles (section 10.1). Decode does not keep
// data.
func Decode(name string, data []byte) (*Frame, error) { return DecodeInto(name, data, nil) }

// DecodeInto is Decode for whoever reads one frame after the other: the pixels lie in the room given, if that is
// large enough. Fresh memory of the size of a frame costs as much time as reading it.
func DecodeInto(name string, data []byte, room []float32) (*Frame, error) {
	f, err := decode(data, room)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	f.Name = name
	return f, nil
}

// faultOf makes an error of a panic; fuzzing looks for those.
func faultOf(panicked any) error { return fmt.Errorf("%w (%v)", ErrFault, panicked) }

func decode(data []byte, room []float32) (frame *Frame, err error) {
	defer func() {
		if r := recover(); r != nil {
			frame, err = nil, faultOf(r)
		}
	}()
	data, err = inflate(data, maxInflated)
	if err != nil {
		return nil, err
	}
	if len(data) > maxFileBytes {
		return nil, fmt.Errorf("%w: %d MB long; at most %d MB are read", ErrUnsupported, len(data)>>20, maxFileBytes>>20)
	}
	found, err := findImage(data)
	if err != nil {
		return nil, err
	}
	u := found.image
	if have := len(data) - u.dataStart; have < u.dataSize {
		return nil, fmt.Errorf("%w: %d of %d bytes of pixels are there", ErrIncomplete, max(0, have), u.dataSize)
	}
	h, err := found.keywords()
	if err != nil {
		return nil, err
	}
	raw, bitpix := data[u.dataStart:u.dataStart+u.dataSize], u.bitpix
	if t := found.tiles; t != nil {
		if raw, err = t.unfold(raw); err != nil {
			return nil, err
		}
		bitpix = t.bitpix
		h.warnings = append(h.warnings, t.warnings...)
	}
	scale, warnings, err := readScaling(bitpix, found.tiles != nil, h)
	if err != nil {
		return nil, err
	}

	f := &Frame{Width: found.layout.width, Height: found.layout.height}
	f.Warnings = append(h.warnings, warnings...)
	level, stated := statedSaturation(h, scale)
	f.Saturation, f.Counts = level, bitpix == 16 && scale.scale == 1 && found.layout.colours == 1
	f.Pix = luminance(raw, found.layout, scale, level, room)
	if found.layout.colours == 1 {
		if level := clippedAt(f.Pix, scale); level > 0 && !stated {
			f.Saturation = level
		}
		f.readMosaic(h, scale)
	}
	f.describe(h)
	if rest := found.rest(data); rest != "" {
		f.Warnings = append(f.Warnings, rest)
	}
	return f, nil
}

// readMosaic finds whether the pixels stand behind a mosaic of colour filters, and if so averages the colours.
func (f *Frame) readMosaic(h *header, scale scaling) {
	mosaic, warnings := declaresMosaic(h)
	if !mosaic && alternates(f.Pix, f.Width, f.Height) {
		mosaic = true
		warnings = append(warnings, "the header names no colour filters (BAYERPAT), but the pixels alternate as behind them: colours are averaged")
	}
	f.Warnings = append(f.Warnings, warnings...)
	if mosaic {
		reduceMosaic(f.Pix, f.Width, f.Height, scale.quantum(), f.Saturation)
	}
}

// describe fills in what the keywords tell about the exposure.
func (f *Frame) describe(h *header) {
	m := readMoment(h)
	f.Start, f.Mid, f.Exposure = m.start, m.mid, m.exposure
	f.Warnings = append(f.Warnings, m.warnings...)
	o := readOptics(h, f.Width, f.Height)
	f.PixelUm, f.BinX, f.BinY, f.FocalMm, f.ScaleHint, f.Position = o.pixelUm, o.binX, o.binY, o.focalMm, o.scale, o.position
	f.Warnings = append(f.Warnings, o.warnings...)
	stated, warnings := readStated(h, m, f.Position)
	f.Stated, f.Warnings = stated, append(f.Warnings, warnings...)
	if m.zone == nil && f.Stated != nil && len(f.Stated.Zones) == 1 {
		m.zone = &f.Stated.Zones[0]
	}
	site, warnings := readSite(h, m)
	f.Site, f.Weather = site, readWeather(h)
	f.Warnings = append(f.Warnings, warnings...)
	f.Instrument, _, _ = h.text("INSTRUME", "CAMERA", "DETNAM")
	f.Object, _, _ = h.text("OBJECT")
	f.ImageType, _, _ = h.text("IMAGETYP", "IMGTYPE", "OBSTYPE", "FRAME")
}

// statedSaturation gives the level that the header states, or the end of the
// range of the stored numbers.
func statedSaturation(h *header, s scaling) (level float32, stated bool) {
	if v, _, ok := h.number("SATURATE", "SATLEVEL", "DATASAT"); ok && v > 0 {
		return float32(v), true
	}
	return float32(s.fullScale()), false
}

// clippedPixels is how many pixels at the largest value, when that value is
// where a converter of fewer bits ends, show that it ends there: of some
// twenty such values among 65,536, one would hold the peaks of four pixels by
// chance in no realistic frame.
const clippedPixels = 4

// clippedAt finds the level at which a 10-, 12- or 14-bit converter in a 16-bit
// file saturates: at 2^bits - 1, or that shifted up to fill the 16 bits. It is 0
// when nothing shows such a level.
func clippedAt(pix []float32, s scaling) float32 {
	if s.bitpix != 16 || s.scale != 1 {
		return 0
	}
	var peak float32
	var mu sync.Mutex
	inParts(len(pix), func(from, to int) {
		var here float32
		for _, v := range pix[from:to] {
			if v > here {
				here = v
			}
		}
		mu.Lock()
		defer mu.Unlock()
		peak = max(peak, here)
	})
	if level := int(peak); float32(level) != peak || !converterEnd(level) {
		return 0
	}
	count := 0
	for _, v := range pix {
		if v == peak {
			count++
		}
	}
	if count < clippedPixels {
		return 0
	}
	return peak
}

func converterEnd(level int) bool {
	for bits := 10; bits <= 14; bits += 2 {
		for shift := range 16 - bits + 1 {
			if level == (1<<bits-1)<<shift {
				return true
			}
		}
	}
	return false
}
