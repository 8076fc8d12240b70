package fits

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

// seeds are the reference files, some damaged, and headers as programs write
// them.
func seeds(f *testing.F) {
	paths, err := filepath.Glob(filepath.Join(reference, "*.fits*"))
	if err != nil || len(paths) == 0 {
		f.Fatalf("no seeds: %v", err)
	}
	for _, path := range paths {
		data, err := os.ReadFile(path)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
		f.Add(data[:len(data)/2])
	}
	// Of each algorithm, dither and shape one.
	files := compressed(f)
	for _, name := range []string{"u1_r_0", "i2_r_1", "i4_r_2", "i2_g1_3", "i4_g2_4", "i2_h_0", "i4_h_2", "f4_r_1_2", "f8_g2_2_0", "f4_h_no_0", "f8_g1_lossless_0", "smooth_i2", "gzipped_tiles", "uncompressed_tiles", "nocompress_f4", "scale_for_all", "pointers_of_64_bits", "heap_behind_gap", "blank"} {
		f.Add(files[name+".fits.fz"])
	}
	f.Add(small("DATE-OBS= '2026-03-07T10:52:59'", "EXPTIME = 1e1", "DATE-LOC= '2026-03-07T03:53:00'", "UTCOFFSE= -7", "OBJCTRA = '23 30 00'", "OBJCTDEC= '10 00 00'", "OBJCTHA = '01 00 00'", "OBJCTALT= '53 15 00'", "AIRMASS = 1.25"))
	f.Add(small("BAYERPAT= 'RGGB'", "DATE-OBS= '2026-03-07T10:52:59.500-0700'", "EXPTIME = 1e1", "SITELAT = '31 30 00 N'", "SITELONG= 110.5", "LST-OBS = '07:37:34'"))
	f.Add(frame16(16, 9, make([]int16, 144), "BAYERPAT= 'GBRG'", "BSCALE  = -1e300", "BZERO   = 1E308", "BLANK   = 0"))
	f.Add(build(layoutCards("-32", "3", "3", "4", "2"), make([]byte, 96)))
	f.Add(build(layoutCards("16", "2", "99999999999999999999", "-1"), nil))
}

// checkFrame holds what is promised of every frame, and of every refusal.
func checkFrame(t *testing.T, data []byte, f *Frame, err error) {
	if err != nil {
		kinds := 0
		for _, k := range []error{ErrIncomplete, ErrMalformed, ErrUnsupported} {
			if errors.Is(err, k) {
				kinds++
			}
		}
		if kinds != 1 || f != nil || errors.Is(err, errReader) {
			t.Fatalf("frame %v, error %v", f != nil, err)
		}
		return
	}
	if f.Width <= 0 || f.Height <= 0 || len(f.Pix) != f.Width*f.Height {
		t.Fatalf("%d x %d with %d pixels", f.Width, f.Height, len(f.Pix))
	}
	for _, v := range f.Pix {
		if math.IsInf(float64(v), 0) {
			t.Fatal("an infinite pixel")
		}
	}
	for _, v := range []float64{f.PixelUm, f.FocalMm, f.ScaleHint.Radians(), f.Exposure.Seconds()} {
		if !(v >= 0) || math.IsInf(v, 0) {
			t.Fatalf("optics or exposure %v, %v, %v, %v", f.PixelUm, f.FocalMm, f.ScaleHint, f.Exposure)
		}
	}
	if f.Position != nil && !(math.Abs(math.Sqrt(f.Position.X*f.Position.X+f.Position.Y*f.Position.Y+f.Position.Z*f.Position.Z)-1) < 1e-9) {
		t.Fatalf("position %v is no unit vector", f.Position)
	}
	if f.Site != nil && f.Site.Check() != nil {
		t.Fatalf("site: %v", f.Site.Check())
	}
	for _, s := range append([]string{f.Instrument, f.Object, f.ImageType}, f.Warnings...) {
		if strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r == 0xfffd }) {
			t.Fatalf("text %q is not fit to be shown", s)
		}
	}
	if f.Mid.IsZero() && !f.Start.IsZero() {
		t.Fatal("a start without a middle")
	}
}

// reserved bounds what decoding may reserve for a file: its own pixels as
// float32 (four bytes for one), the cards of its header as Go values, and what
// a packed file or compressed tiles unfold to.
func reserved(data []byte) uint64 {
	const unfolding = 1032 // deflate's largest ratio (RFC 1951: 258 bytes in two bits)
	n := uint64(len(data))
	switch {
	case len(data) > 1 && data[0] == 0x1f:
		n = min(n*unfolding, 2*maxInflated)
	case bytes.Contains(data, []byte("HCOMPRESS_1")): // which has no largest ratio
		n = 2 * maxInflated
	case bytes.Contains(data, []byte("ZIMAGE")):
		n = min(n*unfolding, 2*maxInflated)
	}
	return 1<<21 + 40*n
}

func FuzzDecode(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		frame, err := Decode("fuzz.fits", data)
		runtime.ReadMemStats(&after)
		if got := after.TotalAlloc - before.TotalAlloc; got > reserved(data) {
			t.Fatalf("%d bytes reserved for %d", got, len(data))
		}
		checkFrame(t, data, frame, err)
	})
}

// FuzzHeader gives the cards of a header freely, behind a layout that is
// right, so that every keyword reader is reached.
func FuzzHeader(f *testing.F) {
	for _, cards := range []string{
		"DATE-OBS= '2026-03-07T10:52:59.500-0700';EXPTIME = 60.0;TIMESYS = 'TT'",
		"DATE-OBS= '19/05/94';TIME-OBS= '15:41:16';UT      = '15:41:16.5';MJD-OBS = 49491.65",
		"DATE-AVG= '2016-12-31T23:59:60.9Z';DATE-END= '2017-01-01T00:00:10';MJD-AVG = 57754.0",
		"XPIXSZ  = 2.9;XBINNING= 2;CCDSUM  = '2 2';FOCALLEN= 35.5;PIXSCALE= '1.5'",
		"CTYPE1  = 'RA---TAN';CTYPE2  = 'DEC--TAN';CRVAL1  = 10;CRVAL2  = 80;CRPIX1  = 1;CRPIX2  = 2;CD1_1   = 1e-4;CD2_2   = 1d-4;CROTA2  = 9",
		"OBJCTRA = '02 05 14.9';OBJCTDEC= '+46 46 09';RA      = 31.3;DEC     = 46.7;HA      = 330.0",
		"SITELAT = '31 30 00 N';SITELONG= '110d30m00s W';ALT-OBS = 1268;LST-OBS = '07:37:34'",
		"BAYERPAT= 'RGGB';XBAYROFF= 1;ROWORDER= 'BOTTOM-UP';BLANK   = 0;BSCALE  = 2;BZERO   = 32768;SATURATE= 1",
		"OBJECT  = 'long&';CONTINUE  'er ''name''&';CONTINUE  '';INSTRUME= '\xe9';BIG     = 99999999999999999999;C       = (1,2)",
		"CONTINUE  'x';CONTINUE;HIERARCH A B = 'c';END;COMMENT x;NAXIS1  = 4;SIMPLE  = F",
	} {
		f.Add([]byte(cards))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		if len(text) > 20000 {
			t.Skip("headers of this length are FuzzDecode's")
		}
		var cards []string
		for _, c := range bytes.Split(text, []byte(";")) {
			// A card of more than 80 characters would only move the others.
			cards = append(cards, string(c[:min(len(c), cardSize)]))
		}
		data := frame16(8, 6, make([]int16, 48), cards...)
		frame, err := Decode("fuzz.fits", data)
		checkFrame(t, data, frame, err)
	})
}

// FuzzTiles gives the bytes of tiles freely, in a table that is right, so that
// every decoder is reached.
func FuzzTiles(f *testing.F) {
	for name, data := range compressed(f) {
		found, err := findImage(data)
		if err != nil {
			f.Fatal(err)
		}
		t := found.tiles
		if t.count > 12 || len(t.axes) != 2 || strings.HasPrefix(name, "nocompress") {
			continue
		}
		first, err := t.locate(data[found.image.dataStart:][:found.image.dataSize], 0)
		if err != nil {
			f.Fatal(err)
		}
		for i, a := range tileAlgorithms {
			for k, bitpix := range tileTypes {
				if a == t.algorithm && bitpix == t.bitpix {
					f.Add(uint8(i), uint8(k), uint8(t.tile[0]), uint8(t.tile[1]), uint8(t.tile[0]), uint8(t.tile[1]), uint8(t.quantised.method)+1, first.bytes)
				}
			}
		}
	}
	f.Add(uint8(0), uint8(1), uint8(9), uint8(8), uint8(4), uint8(3), uint8(0), []byte("three tiles along each axis"))
	f.Fuzz(func(t *testing.T, algorithm, kind, width, height, tileWidth, tileHeight, method uint8, heap []byte) {
		a, bitpix := tileAlgorithms[int(algorithm)%len(tileAlgorithms)], tileTypes[int(kind)%len(tileTypes)]
		axes := []int{max(1, int(width)), max(1, int(height))}
		tile := []int{max(1, int(tileWidth)), max(1, int(tileHeight))}
		cards := tileShape(a, bitpix, axes, tile)
		if bitpix < 0 && method > 0 {
			quantiser := []string{"NO_DITHER", "SUBTRACTIVE_DITHER_1", "SUBTRACTIVE_DITHER_2"}[int(method-1)%3]
			cards = append(cards, "ZSCALE  = 0.1", "ZZERO   = -5.0", "ZBLANK  = 3", "ZQUANTIZ= '"+quantiser+"'", "ZDITHER0= 9999")
		}
		bytepix := min(4, max(bitpix, -bitpix)/8)
		cards = append(cards, "ZNAME1  = 'BYTEPIX'", fmt.Sprintf("ZVAL1   = %d", bytepix), "ZNAME2  = 'SMOOTH'", fmt.Sprintf("ZVAL2   = %d", method%2))
		// The bytes in equal parts, the rest in the first.
		count := ((axes[0]-1)/tile[0] + 1) * ((axes[1]-1)/tile[1] + 1)
		tiles := make([][]byte, count)
		part := len(heap) / count
		for i := count - 1; i > 0; i-- {
			tiles[i], heap = heap[len(heap)-part:], heap[:len(heap)-part]
		}
		tiles[0] = heap
		data := tileTable(tiles, cards...)
		frame, err := Decode("fuzz.fits", data)
		checkFrame(t, data, frame, err)
	})
}

var (
	tileAlgorithms = []string{"RICE_1", "GZIP_1", "GZIP_2", "HCOMPRESS_1", "NOCOMPRESS"}
	tileTypes      = []int{8, 16, 32, 64, -32, -64}
)
