package catalogs_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"polard/catalogs"
	"polard/mountmodel/sky"

	"pgregory.net/rapid"
)

type fataler interface{ Fatal(args ...any) }

func mustEncode(t fataler, stars []catalogs.Star) []byte {
	data, err := catalogs.EncodeCoarse(stars)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func mustParse(t fataler, data []byte) *catalogs.Catalogue {
	c, err := catalogs.Parse(data)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// What goes in comes out, within half a step; the order given has no part.
func TestEncodeAndParse(t *testing.T) {
	// The derivation stands at bundledPerEdge in format.go; the grid of these
	// small files is coarser.
	const place = placeError * 96 / catalogs.CoarsePerEdge
	rapid.Check(t, func(t *rapid.T) {
		stars := make([]catalogs.Star, rapid.IntRange(0, 40).Draw(t, "stars"))
		for i := range stars {
			stars[i] = drawStar(t, fmt.Sprintf("star %d", i))
		}
		data := mustEncode(t, stars)
		c := mustParse(t, data)
		if c.Len() != len(stars) {
			t.Fatalf("%d stars of %d", c.Len(), len(stars))
		}
		same := func(s, g catalogs.Star) bool {
			tolerance := 0.5 + 1e-3
			if max(math.Abs(float64(s.PMRA)), math.Abs(float64(s.PMDec))) >= slowLimit {
				tolerance = 0.05 + 1e-3 // and the rounding of float32 at 12000
			}
			return sky.Separation(g.Dir, s.Dir) <= place &&
				math.Abs(float64(g.V-s.V)) <= magError && g.HasPM == s.HasPM &&
				math.Abs(float64(g.PMRA-s.PMRA)) <= tolerance && math.Abs(float64(g.PMDec-s.PMDec)) <= tolerance
		}
		out := allStars(c)
		for _, s := range stars {
			if !slices.ContainsFunc(out, func(g catalogs.Star) bool { return same(s, g) }) {
				t.Fatalf("%+v is not in %+v", s, out)
			}
		}
		for _, g := range out {
			if !slices.ContainsFunc(stars, func(s catalogs.Star) bool { return same(s, g) }) {
				t.Fatalf("%+v was not in %+v", g, stars)
			}
		}
		shuffled := rapid.Permutation(stars).Draw(t, "order")
		if !bytes.Equal(mustEncode(t, shuffled), data) {
			t.Fatal("another order gives another file")
		}
	})
}

func TestEncodeRefusesWhatDoesNotFit(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	good := catalogs.Star{Dir: sky.ICRS{Z: 1}, V: 5}
	for name, change := range map[string]func(*catalogs.Star){
		"no direction":        func(s *catalogs.Star) { s.Dir = sky.ICRS{} },
		"direction NaN":       func(s *catalogs.Star) { s.Dir.X = nan },
		"direction infinite":  func(s *catalogs.Star) { s.Dir.Y = inf },
		"too bright":          func(s *catalogs.Star) { s.V = -1.6 },
		"too faint":           func(s *catalogs.Star) { s.V = 15.6 },
		"V NaN":               func(s *catalogs.Star) { s.V = float32(nan) },
		"motion NaN":          func(s *catalogs.Star) { s.HasPM, s.PMRA = true, float32(nan) },
		"motion infinite":     func(s *catalogs.Star) { s.HasPM, s.PMDec = true, float32(inf) },
		"motion out of range": func(s *catalogs.Star) { s.HasPM, s.PMDec = true, 3e8 },
	} {
		bad := good
		change(&bad)
		if data, err := catalogs.Encode([]catalogs.Star{good, bad}, [32]byte{}); err == nil || data != nil {
			t.Errorf("%s: taken", name)
		} else if !strings.Contains(err.Error(), "star 1 ") {
			t.Errorf("%s: the error does not name the star: %v", name, err)
		}
	}
}

// sample is a small file with slow and fast stars and stars without motion.
func sample(t fataler) []byte {
	var stars []catalogs.Star
	for i := range 30 {
		stars = append(stars, catalogs.Star{
			Dir:  sky.ICRSFromRADec(sky.Angle(12*i)*sky.Degree, sky.Angle(6*i-87)*sky.Degree),
			V:    float32(i) / 2,
			PMRA: float32(i*i*i) - 20, PMDec: float32(7 - i),
			HasPM: i%4 != 0,
		}, catalogs.Star{Dir: sky.ICRS{Z: 1}, V: float32(i)/3 - 1})
	}
	return mustEncode(t, stars)
}

// seal puts the right checksum into a file, so that what lies behind the
// checksum is tried too.
func seal(data []byte) []byte {
	if len(data) >= 28 {
		binary.LittleEndian.PutUint32(data[24:], 0)
		binary.LittleEndian.PutUint32(data[24:], crc32.ChecksumIEEE(data))
	}
	return data
}

// Offsets in a coarse file (layout in format.go).
const (
	firstOffset = 64
	cellCount   = 6 * catalogs.CoarsePerEdge * catalogs.CoarsePerEdge
	fastOffset  = firstOffset + 4*(cellCount+1)
)

func TestParseRefuses(t *testing.T) {
	good := sample(t)
	mustParse(t, good)
	fast := int(binary.LittleEndian.Uint32(good[20:]))
	stars := fastOffset + 12*fast
	put := func(offset int, x uint32) func([]byte) []byte {
		return func(d []byte) []byte {
			binary.LittleEndian.PutUint32(d[offset:], x)
			return seal(d)
		}
	}
	for _, k := range []struct {
		name   string
		change func([]byte) []byte
		kind   error
		says   string
	}{
		{"empty", func(d []byte) []byte { return nil }, catalogs.ErrNotCatalogue, ""},
		{"something else", func(d []byte) []byte { return bytes.Repeat([]byte("SIMPLE  "), 400) }, catalogs.ErrNotCatalogue, ""},
		{"cut in the header", func(d []byte) []byte { return d[:40] }, catalogs.ErrNotCatalogue, ""},
		{"next version", put(8, 2), catalogs.ErrVersion, "version 2"},
		{"cut", func(d []byte) []byte { return d[:len(d)-1] }, catalogs.ErrDamaged, "bytes long"},
		{"cut to the header", func(d []byte) []byte { return d[:64] }, catalogs.ErrDamaged, "bytes long"},
		{"longer", func(d []byte) []byte { return append(d, 0) }, catalogs.ErrDamaged, "bytes long"},
		{"a bit of a star", func(d []byte) []byte { d[len(d)-3] ^= 4; return d }, catalogs.ErrDamaged, "checksum"},
		{"a bit of the source", func(d []byte) []byte { d[50] ^= 1; return d }, catalogs.ErrDamaged, "checksum"},
		{"a bit of the checksum", func(d []byte) []byte { d[25] ^= 1; return d }, catalogs.ErrDamaged, "checksum"},
		{"no cells", put(12, 0), catalogs.ErrDamaged, "header"},
		{"very many cells", put(12, math.MaxUint32), catalogs.ErrDamaged, "header"},
		{"very many stars", put(16, math.MaxUint32), catalogs.ErrDamaged, "header"},
		{"very many stars that fit an index", put(16, math.MaxInt32), catalogs.ErrDamaged, "bytes long"},
		{"more fast stars than stars", put(20, 1000), catalogs.ErrDamaged, "header"},
		{"first cell late", put(firstOffset, 1), catalogs.ErrDamaged, "cell 0"},
		{"cells go back", put(firstOffset+4*(cellCount-1), 0), catalogs.ErrDamaged, "cell"},
		{"cell beyond the end", put(firstOffset+4, math.MaxUint32), catalogs.ErrDamaged, "cell 1"},
		{"cells end early", put(firstOffset+4*cellCount, 59), catalogs.ErrDamaged, ""},
		{"fast star unmarked", put(fastOffset, 0), catalogs.ErrDamaged, "motion"},
		{"mark of motion unknown", func(d []byte) []byte {
			d[stars+5], d[stars+6] = 0x80, 9
			return seal(d)
		}, catalogs.ErrDamaged, "star 0"},
		{"mark of a fast star gone", func(d []byte) []byte {
			last := stars + 7*int(binary.LittleEndian.Uint32(d[fastOffset+12*(fast-1):]))
			d[last+5] = 0
			return seal(d)
		}, catalogs.ErrDamaged, "listed"},
		{"bright after faint", func(d []byte) []byte {
			// The pole holds 30 stars, in one cell.
			c := mustParse(t, bytes.Clone(d))
			lo, _ := c.CellRange(c.CellOf(sky.ICRS{Z: 1}))
			d[stars+7*int(lo)+4] = 255
			return seal(d)
		}, catalogs.ErrDamaged, "order"},
	} {
		c, err := catalogs.Parse(k.change(bytes.Clone(good)))
		if c != nil || !errors.Is(err, k.kind) || !strings.Contains(err.Error(), k.says) {
			t.Errorf("%s: got %v, want %v that says %q", k.name, err, k.kind, k.says)
		}
	}
}

// Every single damaged byte is found.
func TestParseFindsEveryDamagedByte(t *testing.T) {
	good := sample(t)
	for i := range good {
		bad := bytes.Clone(good)
		bad[i] ^= 0x40
		if _, err := catalogs.Parse(bad); err == nil {
			t.Fatalf("byte %d damaged, and taken", i)
		}
	}
}

// A file is refused or can be read through and through; nothing panics. Fuzz
// with -fuzzminimizetime 20x: files are too long to be minimised for a minute.
func FuzzParse(f *testing.F) {
	good := sample(f)
	f.Add(good)
	f.Add(good[:len(good)-7])
	f.Add([]byte{})
	f.Add(mustEncode(f, nil))
	twisted := bytes.Clone(good)
	binary.LittleEndian.PutUint32(twisted[firstOffset+4*7:], 40)
	f.Add(twisted)
	f.Fuzz(func(t *testing.T, data []byte) {
		for _, d := range [][]byte{data, seal(bytes.Clone(data))} {
			c, err := catalogs.Parse(d)
			if err != nil {
				if !errors.Is(err, catalogs.ErrNotCatalogue) && !errors.Is(err, catalogs.ErrVersion) && !errors.Is(err, catalogs.ErrDamaged) {
					t.Fatalf("an error of no kind: %v", err)
				}
				continue
			}
			n := 0
			c.Cone(sky.ICRS{X: 1}, 180*sky.Degree, math.Inf(1), func(s catalogs.Star) {
				if s != c.Star(s.ID) || c.CellOf(s.Dir) < 0 {
					t.Fatalf("odd star %v", s)
				}
				s.At(2030)
				n++
			})
			if n != c.Len() {
				t.Fatalf("%d stars of %d", n, c.Len())
			}
		}
	})
}

// The bundled file is the one that the provenance page describes, made from
// the files that the compiler asks for.
func TestProvenanceDescribesTheBundledFile(t *testing.T) {
	page, err := os.ReadFile("PROVENANCE.md")
	if err != nil {
		t.Fatal(err)
	}
	file, err := os.ReadFile("tycho2.stars")
	if err != nil {
		t.Fatal(err)
	}
	if sum := fmt.Sprintf("%x", sha256.Sum256(file)); !strings.Contains(string(page), sum) {
		t.Errorf("PROVENANCE.md does not name the SHA-256 of tycho2.stars, %s", sum)
	}
	const largest = 24 << 20
	if len(file) > largest {
		t.Errorf("the file has %d bytes, agreed are %d at most", len(file), largest)
	}
	sums, err := os.ReadFile("compile/SHA256SUMS")
	if err != nil {
		t.Fatal(err)
	}
	if got, want := open(t).Source(), sha256.Sum256(sums); got != want {
		t.Errorf("tycho2.stars was made from other files: %x, SHA256SUMS has %x", got, want)
	}
	if n := slices.Collect(strings.Lines(string(sums))); len(n) != 21 {
		t.Errorf("SHA256SUMS lists %d files, the catalogue has 20 and a supplement", len(n))
	}
}
