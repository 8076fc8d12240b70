package fits

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"strings"
	"testing"
)

// compressed gives the files of compressed.zip by name.
func compressed(t testing.TB) map[string][]byte {
	t.Helper()
	z, err := zip.OpenReader(filepath.Join(reference, "compressed.zip"))
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	files := map[string][]byte{}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		if files[f.Name], err = io.ReadAll(r); err != nil {
			t.Fatal(err)
		}
		r.Close()
	}
	return files
}

// stored gives what the compressed image of a file unfolds to.
func stored(t testing.TB, data []byte) (imageFound, []byte) {
	t.Helper()
	found, err := findImage(data)
	if err != nil {
		t.Fatal(err)
	}
	if found.tiles == nil {
		t.Fatal("no compressed image")
	}
	raw, err := found.tiles.unfold(data[found.image.dataStart:][:found.image.dataSize])
	if err != nil {
		t.Fatal(err)
	}
	return found, raw
}

// canonicalNaN writes every NaN as the quiet one without payload.
func canonicalNaN(raw []byte, bitpix int) []byte {
	raw = bytes.Clone(raw)
	switch bitpix {
	case -32:
		for i := 0; i < len(raw); i += 4 {
			if f := math.Float32frombits(binary.BigEndian.Uint32(raw[i:])); f != f {
				binary.BigEndian.PutUint32(raw[i:], 0x7fc00000)
			}
		}
	case -64:
		for i := 0; i < len(raw); i += 8 {
			if f := math.Float64frombits(binary.BigEndian.Uint64(raw[i:])); f != f {
				binary.BigEndian.PutUint64(raw[i:], 0x7ff8000000000000)
			}
		}
	}
	return raw
}

// Every stored number of a compressed image is, bit for bit, what CFITSIO
// 4.2.0 (funpack) unfolds it to, or in the rows "by hand" what was put in
// (testdata/fits/make_compressed.py). The Frame is that of the same numbers in a
// plain file.
func TestCompressedAgainstCFITSIO(t *testing.T) {
	files := compressed(t)
	rows := table(t, "compressed.tsv")
	for _, row := range rows {
		t.Run(row[0], func(t *testing.T) {
			data := files[row[0]]
			found, raw := stored(t, data)
			bitpix, axes := int(number64(t, row[1])), strings.ReplaceAll(row[2], "x", " x ")
			if found.tiles.bitpix != bitpix || times(found.tiles.axes) != axes {
				t.Fatalf("BITPIX %d, %s; want %d, %s", found.tiles.bitpix, times(found.tiles.axes), bitpix, axes)
			}
			sum := sha256.Sum256(canonicalNaN(raw, bitpix))
			if hex.EncodeToString(sum[:]) != row[3] {
				t.Fatalf("other stored numbers than %s", row[4])
			}

			cards := layoutCards(row[1], fmt.Sprint(len(found.tiles.axes)), strings.Split(row[2], "x")...)
			h, err := found.keywords()
			if err != nil {
				t.Fatal(err)
			}
			for _, k := range []string{"BZERO", "BSCALE", "BLANK"} {
				if v, _, ok := h.number(k); ok {
					cards = append(cards, fmt.Sprintf("%-8s= %g", k, v))
				}
			}
			got, want := mustDecode(t, data), mustDecode(t, build(cards, raw))
			if got.Width != want.Width || got.Height != want.Height || got.Saturation != want.Saturation {
				t.Fatalf("%d x %d, saturated at %g; want %d x %d, %g", got.Width, got.Height, got.Saturation, want.Width, want.Height, want.Saturation)
			}
			for i, v := range got.Pix {
				if w := want.Pix[i]; v != w && (v == v || w == w) {
					t.Fatalf("pixel %d is %g, want %g", i, v, w)
				}
			}
		})
	}
	if len(rows) != len(files) {
		t.Errorf("%d rows for %d files", len(rows), len(files))
	}
}

// Appendix I: the seed after 10,000 steps.
func TestDitherSequence(t *testing.T) {
	if got, want := ditherSequence()[ditherLength-1], float32(1043618065.0/2147483647); got != want {
		t.Errorf("number 10000 is %g, want %g", got, want)
	}
}

// ZBLANK is the undefined whole number of a compressed image and goes before
// BLANK (section 10.1.2); in a plain one it means nothing.
func TestZBlank(t *testing.T) {
	tile := rice([]int32{3, 4, 5, 6}, riceCodes[4], 32)
	for _, c := range []struct {
		cards []string
		want  int // the pixel that is undefined, or -1
	}{
		{nil, -1},
		{[]string{"BLANK   = 4"}, 1},
		{[]string{"ZBLANK  = 5"}, 2},
		{[]string{"BLANK   = 4", "ZBLANK  = 5"}, 2},
	} {
		f := mustDecode(t, tileTable([][]byte{tile}, append(tileShape("RICE_1", 16, []int{4, 1}, []int{4, 1}), c.cards...)...))
		for i, v := range f.Pix {
			if undefined := v != v; undefined != (i == c.want) {
				t.Errorf("%q: pixel %d is %g", c.cards, i, v)
			}
		}
	}
	for i, v := range mustDecode(t, small("ZBLANK  = 0")).Pix {
		if v != 0 {
			t.Fatalf("a plain image with ZBLANK: pixel %d is %g", i, v)
		}
	}
}

// A mask of undefined pixels is not read, and that is said.
func TestMaskIsTold(t *testing.T) {
	tile := rice([]int32{3, 4, 5, 6}, riceCodes[4], 32)
	f := mustDecode(t, tileTable([][]byte{tile}, append(tileShape("RICE_1", 16, []int{4, 1}, []int{4, 1}), "ZMASKCMP= 'RICE_1'")...))
	if !strings.Contains(strings.Join(f.Warnings, ";"), "ZMASKCMP") {
		t.Errorf("warnings %q", f.Warnings)
	}
}
