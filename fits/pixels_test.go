package fits

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// roundings is the error allowed on a pixel, in float32 roundings (2^-24) of
// the terms of BZERO + BSCALE x stored: one for the Frame's float32, and three
// for astropy, which scales 8- and 16-bit pixels in float32 (stored value,
// product, sum).
const roundings = 4

// Pixels of every BITPIX with every kind of scaling, and of images in other
// places, against what astropy 5.2 reads (testdata/fits/make_reference.py).
func TestPixelsAgainstAstropy(t *testing.T) {
	for _, name := range []string{"pixels.tsv", "structures.tsv"} {
		frames := map[string]*Frame{}
		for _, row := range table(t, name) {
			f := frames[row[0]]
			if f == nil {
				var err error
				if f, err = ReadFile(filepath.Join(reference, row[0])); err != nil {
					t.Error(err)
					f = &Frame{}
				}
				frames[row[0]] = f
			}
			w, h, i := int(number64(t, row[1])), int(number64(t, row[2])), int(number64(t, row[3]))
			if f.Width != w || f.Height != h || len(f.Pix) != w*h {
				t.Fatalf("%s: %d x %d, want %d x %d", row[0], f.Width, f.Height, w, h)
			}
			want, got := number64(t, row[4]), float64(f.Pix[i])
			tolerance := roundings * number64(t, row[5]) / (1 << 24)
			if math.IsNaN(want) != math.IsNaN(got) || math.Abs(got-want) > tolerance {
				t.Errorf("%s pixel %d: %g, want %g", row[0], i, got, want)
			}
		}
		t.Logf("%s: %d files", name, len(frames))
	}
}

// A pixel whose stored number is BLANK is undefined, and no other is, though a float64 does not tell the two apart: the
// keyword holds a whole number (section 4.4.2.5).
func TestBlankOfWideNumbers(t *testing.T) {
	for _, c := range []struct {
		bits         int
		blank, other int64
		zero         string
	}{
		{16, -32768, -32767, "32768"}, {32, math.MinInt32, math.MinInt32 + 1, "2147483648"}, {32, math.MaxInt32, math.MaxInt32 - 1, "0"},
		{64, math.MinInt64, math.MinInt64 + 1, "9223372036854775808"}, {64, -9223372036854763583, -9223372036854763584, "9223372036854775808"},
		{64, math.MaxInt64, math.MaxInt64 - 1, "0"}, {64, 1<<53 + 1, 1 << 53, "0.0"}, {64, 1 << 33, 1<<33 + 1, "0"},
	} {
		var data []byte
		for _, v := range []int64{c.blank, c.other} {
			switch c.bits {
			case 16:
				data = binary.BigEndian.AppendUint16(data, uint16(v))
			case 32:
				data = binary.BigEndian.AppendUint32(data, uint32(v))
			case 64:
				data = binary.BigEndian.AppendUint64(data, uint64(v))
			}
		}
		f := mustDecode(t, build(append(layoutCards(fmt.Sprint(c.bits), "2", "2", "1"), fmt.Sprintf("BLANK   = %20d", c.blank), "BZERO   = "+c.zero), data))
		if f.Pix[0] == f.Pix[0] || f.Pix[1] != f.Pix[1] {
			t.Errorf("BLANK %d of %d bits: %g for it, %g for %d", c.blank, c.bits, f.Pix[0], f.Pix[1], c.other)
		}
	}
}

// Frames of a camera, 0 to 65,535 over a sky of 800, in whole numbers of every width: unsigned, signed, upside down and in
// steps. astropy writes the unsigned ones and reads the stored numbers of all; the pixels are BZERO + BSCALE x stored in the
// whole numbers of Python, which have any length (section 4.4.2.5 and table 11), and a Frame holds them exactly.
func TestWholeNumbersAgainstAstropy(t *testing.T) {
	const script = `
import sys
import numpy as np
from astropy.io import fits
rng = np.random.default_rng(int(sys.argv[2]))
want = np.clip(rng.normal(800, 12, 24 * 16), 0, 65535).astype(np.int64)
want[:6] = [0, 1, 65535, 65534, 801, 32768]
def tell(name, scale, zero):
    with fits.open(name, do_not_scale_image_data=True) as f:
        stored = next(h for h in f if h.data is not None).data.ravel()
    print(name, *[zero + scale * int(v) for v in stored], sep="\t")
def signed(name, bits, scale, zero):
    values = np.array([(max(int(v), 1) // abs(scale) * abs(scale) - zero) // scale for v in want], dtype=">i%d" % (bits // 8)).reshape(16, 24)
    h = fits.PrimaryHDU(values)
    h.header["BSCALE"], h.header["BZERO"] = scale, zero
    h.header["BITPIX"] = bits
    with open(name, "wb") as f:
        text = h.header.tostring().encode()
        f.write(text + values.tobytes() + b"\0" * (-values.nbytes % 2880))
    tell(name, scale, zero)
for bits in 16, 32, 64:
    name = "%s/unsigned%d.fits" % (sys.argv[1], bits)
    kind = {16: np.uint16, 32: np.uint32, 64: np.uint64}[bits]
    fits.PrimaryHDU(want.astype(kind).reshape(16, 24)).writeto(name)
    tell(name, 1, 2 ** (bits - 1))
    signed("%s/plain%d.fits" % (sys.argv[1], bits), bits, 1, 32768)
    signed("%s/down%d.fits" % (sys.argv[1], bits), bits, -1, 65535 if bits > 16 else 32767)
    if bits > 16:
        signed("%s/far%d.fits" % (sys.argv[1], bits), bits, -1, 2 ** (bits - 1))
        signed("%s/steps%d.fits" % (sys.argv[1], bits), bits, 4, 2 ** (bits - 1))
        signed("%s/stepsdown%d.fits" % (sys.argv[1], bits), bits, -2, 2 ** (bits - 1))
name = sys.argv[1] + "/rice32.fits"
fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(want.astype(np.uint32).reshape(16, 24), compression_type="RICE_1")]).writeto(name)
with fits.open(name) as f:
    print(name, *[int(v) for v in f[1].data.ravel()], sep="\t")
`
	out, err := exec.Command(pythonWithAstropy(t), "-c", script, t.TempDir(), "7").Output()
	if err != nil {
		failed, _ := errors.AsType[*exec.ExitError](err)
		t.Fatalf("%v: %s", err, failed.Stderr)
	}
	for line := range strings.Lines(string(out)) {
		fields := strings.Split(strings.TrimSpace(line), "\t")
		f, err := ReadFile(fields[0])
		if err != nil || len(f.Pix) != len(fields)-1 {
			t.Fatalf("%s: %v", fields[0], err)
		}
		wrong := 0
		for i, v := range f.Pix {
			if want := number64(t, fields[i+1]); float64(v) != want {
				if wrong++; wrong == 1 {
					t.Errorf("%s, pixel %d: %g, want %g", filepath.Base(fields[0]), i, v, want)
				}
			}
		}
		if wrong > 1 {
			t.Errorf("%s: %d of %d pixels", filepath.Base(fields[0]), wrong, len(f.Pix))
		}
	}
}

// Keywords of an extension come first, those of the primary header behind
// them, BZERO never (section 4.4.2.5: each array has its own).
func TestExtensionInheritsDate(t *testing.T) {
	f, err := ReadFile(filepath.Join(reference, "extension.fits"))
	if err != nil {
		t.Fatal(err)
	}
	if got := f.Mid.Format("2006-01-02T15:04:05"); got != "2026-03-07T10:00:02" {
		t.Errorf("middle %s: DATE-OBS of the primary header plus half the EXPTIME of 4 s of the extension is 10:00:02", got)
	}
}

func TestLegalButNotRead(t *testing.T) {
	for _, c := range []struct{ file, reason string }{
		{"only_table.fits", "BINTABLE"},
	} {
		f, err := ReadFile(filepath.Join(reference, c.file))
		if f != nil || !errors.Is(err, ErrUnsupported) || !strings.Contains(err.Error(), c.reason) {
			t.Errorf("%s: %v, %v; want ErrUnsupported that names %s", c.file, f, err, c.reason)
		}
	}
}

// The fast way for 16 bits and the plain one give the same.
func TestConvert16FastIsPlain(t *testing.T) {
	const n = 1 << 16
	raw := make([]byte, 2*n)
	for i := range n {
		raw[2*i], raw[2*i+1] = byte(i>>8), byte(i)
	}
	for _, zero := range []float64{0, 32768, -5, 1 << 20} {
		for _, length := range []int{n, n - 1, n - 2, n - 3, 3, 1, 0} {
			fast := make([]float32, length)
			s := scaling{bitpix: 16, scale: 1, zero: zero}
			s.convert(fast, raw)
			for i, v := range fast {
				if want := s.physical(int64(int16(i))); v != want {
					t.Fatalf("BZERO %g, stored %d: %g, want %g", zero, int16(i), v, want)
				}
			}
		}
	}
}

// The end of the range of stored numbers (sections 5.2.1, 5.2.2, 5.2.5).
func TestSaturation(t *testing.T) {
	ramp := make([]int16, 16)
	for i := range ramp {
		ramp[i] = int16(i * 100)
	}
	clipped := func(at int16) []int16 {
		p := append([]int16{}, ramp...)
		for i := range clippedPixels {
			p[i] = at
		}
		return p
	}
	for _, c := range []struct {
		name  string
		pix   []int16
		cards []string
		want  float32
	}{
		{"unsigned 16 bits", ramp, []string{"BZERO   = 32768"}, 65535},
		{"signed 16 bits", ramp, nil, 32767},
		{"stated", ramp, []string{"BZERO   = 32768", "SATURATE= 50000.0"}, 50000},
		{"12-bit converter", clipped(4095), nil, 4095},
		{"14-bit converter", clipped(16383), nil, 16383},
		{"12 bits shifted up to 16", clipped(int16(4095<<4 - 32768)), []string{"BZERO   = 32768"}, 65520},
		{"clipped, but stated", clipped(4095), []string{"SATURATE= 4000"}, 4000},
		{"three pixels at 4095 are no proof", append(clipped(4095)[:3], ramp[3:]...), nil, 32767},
		{"falling scale", ramp, []string{"BSCALE  = -1"}, 32768},
	} {
		if got := mustDecode(t, frame16(4, 4, c.pix, c.cards...)).Saturation; got != c.want {
			t.Errorf("%s: saturation %g, want %g", c.name, got, c.want)
		}
	}
	if got := mustDecode(t, build([]string{"SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 2", "NAXIS1  = 1", "NAXIS2  = 1"}, []byte{7})).Saturation; got != 255 {
		t.Errorf("8 bits: saturation %g, want 255", got)
	}
}

// Files from the test suites of FITS libraries, not part of this project: each
// reads to the pixels that astropy 5.2 reads, or is refused with a reason. The
// sums and first pixels were taken with astropy by hand; pan_noheader.fits is an
// undeclared mosaic, and went through scipy.ndimage.convolve with [1 2 1] x [1 2 1] / 16,
// mode "mirror".
func TestOddFiles(t *testing.T) {
	folder := os.Getenv("POLARD_REALFRAMES")
	if folder == "" {
		t.Skip("POLARD_REALFRAMES is not set")
	}
	refused := map[string]string{
		"astropy_random_groups.fits": "random groups",
		"astropy_verify.fits":        "without an image",
		"astropy_zerowidth.fits":     "777777701 x 0",
		"fv_datacube.fits":           "64 x 64 x 30",
		"midas_tst0002.fits":         "73 x 31 x 5",
		"midas_tst0007.fits":         "38 values",
	}
	for name, reason := range refused {
		_, err := ReadFile(filepath.Join(folder, "odd-fits", name))
		if !errors.Is(err, ErrUnsupported) || !strings.Contains(err.Error(), reason) {
			t.Errorf("%s: %v; want ErrUnsupported with %q", name, err, reason)
		}
	}
	read := map[string]struct {
		width, height     int
		first, last, mean string
	}{
		"astropy_comp.fits":            {440, 300, "7.0", "65.0", "260.741446969697"},
		"astropy_double_ext.fits":      {5, 5, "0.0", "0.0", "0.0"},
		"fitsio_gzip.fits.fz":          {10, 10, "0.0", "0.0", "0.0"},
		"nomtam_m13_gzip.fits":         {300, 300, "112.0", "112.0", "147.7044111111111"},
		"nomtam_m13_rice.fits":         {300, 300, "112.0", "112.0", "147.7044111111111"},
		"nomtam_m13real_rice.fits":     {300, 300, "112.85546112060547", "112.89404296875", "148.5766555170695"},
		"astropy_blank.fits":           {1, 1, "nan", "nan", "nan"},
		"astropy_header_newlines.fits": {1, 1, "0.0", "0.0", "0.0"},
		"astropy_scale.fits":           {20, 21, "557.7562866210938", "493.34698486328125", "531.4351558140346"},
		"astropy_test0.fits":           {40, 40, "313.0", "314.0", "313.138125"},
		"ccdproc_science-mef.fits":     {10, 10, "100.471435546875", "99.48812103271484", "100.03511253356933"},
		"feder_uint16_16x16.fits":      {16, 16, "0.0", "65535.0", "32767.5"},
		"midas_tst0001.fits":           {123, 321, "1.0", "59.0", "127.35430438416533"},
		"midas_tst0003.fits":           {137, 271, "1.0", "37127.0", "18564.0"},
		"midas_tst0004.fits":           {256, 256, "35.4796764025", "35.479627251400004", "35.32"},
		"midas_tst0005.fits":           {102, 109, "135.1999969482422", "134.94357299804688", "0.0"},
		"midas_tst0006.fits":           {77, 173, "32.0", "31.893522639814005", "-1.9074399993079486e-15"},
		"nomtam_m13.fits":              {300, 300, "112.0", "112.0", "147.7044111111111"},
		"nomtam_m13real.fits":          {300, 300, "112.836181640625", "112.85452270507812", "148.57494977238974"},
		"nomtam_test.fits.gz":          {5, 5, "0.0", "24.0", "12.0"},
		"nomtam_test_dup.fits":         {5, 5, "0.0", "24.0", "12.0"},
		"pan_noheader.fits":            {200, 200, "2189.0", "2176.75", "2222.59855"},
	}
	entries, err := os.ReadDir(filepath.Join(folder, "odd-fits"))
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		want, known := read[e.Name()]
		if _, isRefused := refused[e.Name()]; !known && !isRefused {
			t.Errorf("%s is in neither table", e.Name())
		}
		if !known {
			continue
		}
		f, err := ReadFile(filepath.Join(folder, "odd-fits", e.Name()))
		if err != nil {
			t.Error(err)
			continue
		}
		var sum, size float64
		for _, v := range f.Pix {
			sum += float64(v)
			size += math.Abs(float64(v))
		}
		n := float64(len(f.Pix))
		for _, c := range []struct {
			what, want string
			got, size  float64
		}{
			{"first", want.first, float64(f.Pix[0]), math.Abs(float64(f.Pix[0]))},
			{"last", want.last, float64(f.Pix[len(f.Pix)-1]), math.Abs(float64(f.Pix[len(f.Pix)-1]))},
			{"mean", want.mean, sum / n, size / n},
		} {
			v, _ := strconv.ParseFloat(c.want, 64)
			if math.IsNaN(v) != math.IsNaN(c.got) || math.Abs(v-c.got) > roundings*c.size/(1<<24) {
				t.Errorf("%s: %s pixel %g, want %s", e.Name(), c.what, c.got, c.want)
			}
		}
		if f.Width != want.width || f.Height != want.height {
			t.Errorf("%s: %d x %d, want %d x %d", e.Name(), f.Width, f.Height, want.width, want.height)
		}
	}
}
