package fits

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

// A file cut at every block, and beside every block, is incomplete; so is one
// that has not begun. The length fixed by its header (section 3.1 and 4.4.1.1)
// without the fill of the last block is enough.
func TestCutAnywhereIsIncomplete(t *testing.T) {
	var long []string
	for i := range 80 {
		long = append(long, fmt.Sprintf("COMMENT filler so that the header has several blocks %d", i))
	}
	whole := frame16(64, 100, make([]int16, 6400), long...)
	pixelsEnd := len(whole) - padding(2*6400)
	cuts := []int{0, 1, 8, 79, 80, 81, pixelsEnd - 1}
	for b := blockSize; b < len(whole); b += blockSize {
		cuts = append(cuts, b-1, b, b+1)
	}
	for _, n := range cuts {
		f, err := Decode("cut.fits", whole[:n])
		switch {
		case n < pixelsEnd && (f != nil || !errors.Is(err, ErrIncomplete)):
			t.Errorf("first %d of %d bytes: %v", n, len(whole), err)
		case n >= pixelsEnd && err != nil:
			t.Errorf("first %d bytes hold all pixels: %v", n, err)
		}
	}
	if _, err := Decode("cut.fits", whole[:pixelsEnd]); err != nil {
		t.Errorf("without the fill: %v", err)
	}
}

// The same for images behind other units, and for packed files.
func TestCutElsewhereIsIncomplete(t *testing.T) {
	for _, name := range []string{"extension.fits", "behind_table.fits", "tiles.fits", "only_table.fits", "packed.fits.gz"} {
		whole, err := os.ReadFile(filepath.Join(reference, name))
		if err != nil {
			t.Fatal(err)
		}
		step := blockSize
		if strings.HasSuffix(name, ".gz") {
			step = 16
		}
		for n := 0; n < len(whole)-step; n += step {
			if n == blockSize && step == blockSize || name == "behind_table.fits" && n == 3*blockSize {
				continue // cut between units: a whole file without an image
			}
			if f, err := Decode(name, whole[:n]); f != nil || !errors.Is(err, ErrIncomplete) {
				t.Errorf("%s: first %d of %d bytes: %v", name, n, len(whole), err)
			}
		}
	}
}

func TestImageWholeButExtensionCut(t *testing.T) {
	extension := build([]string{"XTENSION= 'IMAGE   '", "BITPIX  = 8", "NAXIS   = 2", "NAXIS1  = 60", "NAXIS2  = 60", "PCOUNT  = 0", "GCOUNT  = 1"}, make([]byte, 3600))
	whole := append(small(), extension...)
	if f := mustDecode(t, whole); strings.Contains(strings.Join(f.Warnings, ";"), "cut off") {
		t.Errorf("warnings %q for a whole file", f.Warnings)
	}
	if f := mustDecode(t, whole[:len(whole)-blockSize]); !strings.Contains(strings.Join(f.Warnings, ";"), "cut off") {
		t.Errorf("warnings %q do not tell that the extension is cut", f.Warnings)
	}
	// Anything may follow the last unit (section 3.5).
	mustDecode(t, append(small(), []byte("junk behind the end")...))
}

// layoutCards is a primary header of the given layout.
func layoutCards(bitpix string, naxis string, axes ...string) []string {
	c := []string{"SIMPLE  = T", "BITPIX  = " + bitpix, "NAXIS   = " + naxis}
	for i, a := range axes {
		c = append(c, fmt.Sprintf("%-8s= %s", fmt.Sprintf("NAXIS%d", i+1), a))
	}
	return c
}

// What a header must not be. Source: FITS Standard 4.0, section 4.4.1.
func TestLiesAndDamage(t *testing.T) {
	text := func(s string) []byte { return []byte(s) }
	var many []string
	for i := range 999 {
		many = append(many, fmt.Sprintf("%d", 1+i%2))
	}
	packed := func(data []byte) []byte {
		var b bytes.Buffer
		z := gzip.NewWriter(&b)
		if _, err := z.Write(data); err != nil {
			t.Fatal(err)
		}
		if err := z.Close(); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	random := make([]byte, 5000)
	for i := range random {
		random[i] = byte(i * i * 31 >> 3)
	}
	noEnd := bytes.Replace(small(), []byte("END     "), []byte("COMMENT "), 1)
	for _, c := range []struct {
		name   string
		data   []byte
		kind   error
		reason string
	}{
		{"a picture", text("\xff\xd8\xff\xe0 and more"), ErrMalformed, "begins with"},
		{"text", text("Dear diary"), ErrMalformed, "begins with"},
		{"random bytes", random, ErrMalformed, ""},
		{"zeros as reserved before writing", make([]byte, 10*blockSize), ErrIncomplete, "zeros"},
		{"no END, pixels follow", append(noEnd, bytes.Repeat([]byte{1, 200}, 2*blockSize)...), ErrMalformed, "END"},
		{"no END in the file", noEnd[:blockSize], ErrIncomplete, "within the header"},
		{"header without end", bytes.Repeat(fmt.Appendf(nil, "%-80s", "SIMPLE  = T"), maxHeaderBytes/80+36), ErrMalformed, "no END"},
		{"terabytes", build(layoutCards("16", "2", "1000000", "1000000"), nil), ErrUnsupported, "claims"},
		{"overflow of 64 bits", build(layoutCards("-64", "3", "4294967296", "4294967296", "4294967296"), nil), ErrMalformed, "NAXIS1"},
		{"overflow of 32 bits", build(layoutCards("8", "3", "65536", "65536", "65536"), nil), ErrUnsupported, "claims"},
		{"beyond an int64", build(layoutCards("8", "2", "99999999999999999999", "2"), nil), ErrUnsupported, "NAXIS1"},
		{"negative axis", build(layoutCards("8", "2", "-4", "4"), nil), ErrMalformed, "NAXIS1 is -4"},
		{"negative axes whose product is positive", build(layoutCards("8", "2", "-4", "-4"), make([]byte, 16)), ErrMalformed, "NAXIS1 is -4"},
		{"NAXIS 999", build(layoutCards("8", "999", many...), nil), ErrUnsupported, "claims"},
		{"NAXIS 1000", build(layoutCards("8", "1000"), nil), ErrMalformed, "NAXIS is 1000"},
		{"NAXIS -1", build(layoutCards("8", "-1"), nil), ErrMalformed, "NAXIS is -1"},
		{"NAXIS2 missing", build(layoutCards("8", "2", "4"), make([]byte, 16)), ErrMalformed, "NAXIS2 is missing"},
		{"NAXIS missing", build([]string{"SIMPLE  = T", "BITPIX  = 8"}, nil), ErrMalformed, "NAXIS is missing"},
		{"BITPIX missing", build([]string{"SIMPLE  = T", "NAXIS   = 0"}, nil), ErrMalformed, "BITPIX is missing"},
		{"BITPIX 12", build(layoutCards("12", "2", "4", "4"), make([]byte, 32)), ErrMalformed, "BITPIX is 12"},
		{"BITPIX as a word", build(layoutCards("'sixteen'", "2", "4", "4"), make([]byte, 32)), ErrMalformed, "BITPIX"},
		{"BITPIX real", build(layoutCards("16.0", "2", "4", "4"), make([]byte, 32)), ErrMalformed, "BITPIX"},
		{"NAXIS1 a logical", build(layoutCards("16", "2", "T", "4"), make([]byte, 32)), ErrMalformed, "NAXIS1"},
		{"NAXIS1 twice", build(append(layoutCards("16", "2", "4", "4"), "NAXIS1  = 5"), make([]byte, 32)), ErrMalformed, "NAXIS1 stands twice"},
		{"no pixels", build(layoutCards("16", "2", "0", "4"), nil), ErrUnsupported, "holds none"},
		{"a row", build(layoutCards("16", "1", "4"), make([]byte, 8)), ErrUnsupported, "4 values"},
		{"five planes", build(layoutCards("8", "3", "4", "4", "5"), make([]byte, 80)), ErrUnsupported, "4 x 4 x 5"},
		{"random groups (section 6.1)", build([]string{"SIMPLE  = T", "BITPIX  = -32", "NAXIS   = 3", "NAXIS1  = 0", "NAXIS2  = 3", "NAXIS3  = 4", "GROUPS  = T", "PCOUNT  = 5", "GCOUNT  = 2"}, make([]byte, 2*(5+12)*4)), ErrUnsupported, "random groups"},
		{"random groups, cut", build([]string{"SIMPLE  = T", "BITPIX  = -32", "NAXIS   = 3", "NAXIS1  = 0", "NAXIS2  = 300", "NAXIS3  = 4", "GROUPS  = T", "PCOUNT  = 5", "GCOUNT  = 2"}, make([]byte, 2*(5+1200)*4))[:blockSize+5000], ErrIncomplete, ""},
		{"an extension of another kind", append(build(layoutCards("8", "0"), nil), build([]string{"XTENSION= 'DUMP    '", "BITPIX  = 8", "NAXIS   = 1", "NAXIS1  = 4"}, make([]byte, 4))...), ErrUnsupported, "DUMP"},
		{"SIMPLE = 1", build([]string{"SIMPLE  = 1", "BITPIX  = 8", "NAXIS   = 0"}, nil), ErrMalformed, "SIMPLE"},
		{"SIMPLE = F", build([]string{"SIMPLE  = F", "BITPIX  = 8", "NAXIS   = 0"}, nil), ErrUnsupported, "SIMPLE = F"},
		{"BSCALE 0", small("BSCALE  = 0.0"), ErrMalformed, "BSCALE"},
		{"empty", build(layoutCards("8", "0"), nil), ErrUnsupported, "without an image"},
		{"table that claims 2 TB", append(build(layoutCards("8", "0"), nil), build([]string{"XTENSION= 'BINTABLE'", "BITPIX  = 8", "NAXIS   = 2", "NAXIS1  = 2000000000", "NAXIS2  = 1000", "PCOUNT  = 0", "GCOUNT  = 1"}, nil)...), ErrUnsupported, "claims"},
		{"extension with groups", append(build(layoutCards("8", "0"), nil), build([]string{"XTENSION= 'IMAGE   '", "BITPIX  = 8", "NAXIS   = 2", "NAXIS1  = 4", "NAXIS2  = 4", "PCOUNT  = 0", "GCOUNT  = 7"}, make([]byte, 112))...), ErrMalformed, "GCOUNT"},
		{"a packed picture", packed([]byte("\xff\xd8\xff\xe0 and more")), ErrMalformed, "begins with"},
		{"gzip, damaged", append([]byte{0x1f, 0x8b, 9, 9, 9, 9, 9, 9, 9, 9}, make([]byte, 100)...), ErrMalformed, "gzip"},
	} {
		f, err := Decode("x.fits", c.data)
		if f != nil || !errors.Is(err, c.kind) || !strings.Contains(err.Error(), c.reason) || !strings.HasPrefix(err.Error(), "x.fits: ") {
			t.Errorf("%s: %v; want %v that says %q", c.name, err, c.kind, c.reason)
		}
		for _, other := range []error{ErrIncomplete, ErrMalformed, ErrUnsupported} {
			if other != c.kind && errors.Is(err, other) {
				t.Errorf("%s: %v is also %v", c.name, err, other)
			}
		}
	}
}

// NaN, infinity, all zero, all saturated: read, with nothing infinite in the
// frame.
func TestUnusualPixels(t *testing.T) {
	put := func(v float32) []byte {
		b := math.Float32bits(v)
		return []byte{byte(b >> 24), byte(b >> 16), byte(b >> 8), byte(b)}
	}
	inf := float32(math.Inf(1))
	var data []byte
	for _, v := range []float32{float32(math.NaN()), inf, -inf, 1} {
		data = append(data, put(v)...)
	}
	f := mustDecode(t, build(layoutCards("-32", "2", "2", "2"), data))
	for i, v := range f.Pix[:3] {
		if v == v {
			t.Errorf("pixel %d is %g, want NaN", i, v)
		}
	}
	if f.Pix[3] != 1 {
		t.Errorf("pixel 3 is %g", f.Pix[3])
	}
	// A double beyond float32.
	f = mustDecode(t, build(layoutCards("-64", "2", "1", "1"), []byte{0x7f, 0, 0, 0, 0, 0, 0, 0}))
	if f.Pix[0] == f.Pix[0] {
		t.Errorf("2^1009 became %g", f.Pix[0])
	}
	for _, v := range []int16{0, math.MaxInt16} {
		pix := make([]int16, 64)
		for i := range pix {
			pix[i] = v
		}
		for _, cards := range [][]string{nil, {"BAYERPAT= 'RGGB'"}} {
			f := mustDecode(t, frame16(8, 8, pix, cards...))
			for i, got := range f.Pix {
				if got != float32(v) {
					t.Fatalf("pixel %d of a frame of %d is %g (%v)", i, v, got, cards)
				}
			}
		}
	}
}

// packed is a file packed with gzip, with zeros behind it up to a size.
func packed(t *testing.T, data []byte, size int) []byte {
	t.Helper()
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	_, err := z.Write(data)
	for zeros := make([]byte, 1<<20); err == nil && size > len(data); size -= len(zeros) {
		_, err = z.Write(zeros[:min(len(zeros), size-len(data))])
	}
	if err := errors.Join(err, z.Close()); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// A packed file unfolds to the bound and no further, and to its first image only.
func TestInflateIsBounded(t *testing.T) {
	const limit = 1 << 20
	head := build(layoutCards("8", "2", "1000", "1000"), nil)
	for _, size := range []int{len(head) + 1e6, limit, limit + 1, 3 * limit} {
		out, err := inflate(packed(t, head, size), limit)
		if size <= limit && len(out) != len(head)+1e6 || size > limit && !errors.Is(err, ErrUnsupported) {
			t.Errorf("%d bytes: %d bytes, %v", size, len(out), err)
		}
	}
	claim := build(layoutCards("8", "2", "2000", "1000"), nil)
	if _, err := inflate(packed(t, claim, 2*limit), limit); !errors.Is(err, ErrUnsupported) {
		t.Errorf("a claim beyond the bound: %v", err)
	}
}

// What unfolds beyond the bound, or claims to, is refused at the cost of what its header says
// at most, and of little where that is beyond the bound itself or beyond what so few bytes
// can hold; a frame that is whole costs its own size once.
func TestWhatUnfoldsCostsWhatItHolds(t *testing.T) {
	if testing.Short() {
		t.Skip("two gigabytes are unfolded: two minutes under the race detector")
	}
	empty := build([]string{"XTENSION= 'IMAGE   '", "BITPIX  = 8", "NAXIS   = 0", "PCOUNT  = 0", "GCOUNT  = 1"}, nil)
	headers := append(build(layoutCards("8", "0"), nil), bytes.Repeat(empty, 4000)...)
	for name, c := range map[string]struct {
		data    []byte
		allowed uint64 // bytes reserved
		want    error
	}{
		"4000 headers without data":        {packed(t, headers, 0), 10 * maxUnits * blockSize, nil},
		"512 MB claimed and there":         {packed(t, build(layoutCards("16", "2", "16384", "16384"), nil), 600<<20), 2 << 20, ErrUnsupported},
		"32 MB claimed, 600 MB there":      {packed(t, build(layoutCards("16", "2", "4096", "4096"), nil), 600<<20), 40 << 20, ErrUnsupported},
		"240 MB claimed, 30 kB there":      {packed(t, build(layoutCards("16", "2", "12000", "10000"), nil), 30<<10), 2 << 20, ErrIncomplete},
		"a table, then tables without end": {packed(t, build([]string{"SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 0"}, nil), 300<<20), 2 << 20, nil},
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, err := inflate(c.data, maxInflated)
		runtime.ReadMemStats(&after)
		if c.want != nil && !errors.Is(err, c.want) && !(errors.Is(c.want, ErrIncomplete) && err == nil) {
			t.Errorf("%s: %v", name, err)
		}
		if got := after.TotalAlloc - before.TotalAlloc; got > c.allowed {
			t.Errorf("%s: %d MB were reserved, want at most %d", name, got>>20, c.allowed>>20)
		}
	}
	for _, data := range [][]byte{headers, packed(t, headers, 0)} {
		if _, err := Decode("x", data); !errors.Is(err, ErrUnsupported) || !strings.Contains(err.Error(), "no image among the first 1000 units") {
			t.Errorf("headers without data: %v", err)
		}
	}
	whole := packed(t, build(layoutCards("16", "2", "4096", "4096"), make([]byte, 32<<20)), 0)
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	out, err := inflate(whole, maxInflated)
	runtime.ReadMemStats(&after)
	if got := after.TotalAlloc - before.TotalAlloc; err != nil || len(out) < 32<<20 || got > 34<<20 {
		t.Errorf("a whole frame of 32 MB: %d bytes, %v, %d MB reserved", len(out), err, got>>20)
	}
}

// A header's claims reserve nothing: a file of two blocks that claims the
// largest image is refused at the cost of its own size.
func TestLiesReserveNothing(t *testing.T) {
	const allowed = 1 << 20 // bytes: a hundred times the file, a thousandth of the claim
	lie := build(layoutCards("-64", "2", "10000", "10000"), nil)
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	_, err := Decode("lie.fits", lie)
	runtime.ReadMemStats(&after)
	if !errors.Is(err, ErrIncomplete) {
		t.Error(err)
	}
	if got := after.TotalAlloc - before.TotalAlloc; got > allowed {
		t.Errorf("%d bytes were reserved for a file of %d", got, len(lie))
	}
}

func TestReadFileRefusesWhatIsNoFile(t *testing.T) {
	folder := t.TempDir()
	if _, err := ReadFile(filepath.Join(folder, "none.fits")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("missing file: %v", err)
	}
	if _, err := ReadFile(folder); !errors.Is(err, ErrUnsupported) {
		t.Errorf("folder: %v", err)
	}
	huge := filepath.Join(folder, "huge.fits")
	if err := os.WriteFile(huge, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(huge, 1<<40); err != nil {
		t.Skipf("no sparse files here: %v", err)
	}
	if _, err := ReadFile(huge); !errors.Is(err, ErrUnsupported) {
		t.Errorf("file of a terabyte: %v", err)
	}
}
