package index

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"slices"
	"testing"
	"time"

	"polard/catalogs"
)

// smallSpec is of a level that is kept, of some 5,000 stars.
var smallSpec = Spec{Grid: LargeGrid, faintest: 6, stars: 5000, nearest: 4, ShapeBin: 0.2, ShapeTol: 0.0025}

func levelBytes(t testing.TB, l *Level, key [sha256.Size]byte) []byte {
	t.Helper()
	path := filepath.Join(t.TempDir(), "level")
	if err := writeLevel(t.Context(), path, key, l, time.Now()); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func sameLevel(a, b *Level) bool {
	return slices.Equal(a.nodes, b.nodes) && slices.Equal(a.starts, b.starts) && slices.Equal(a.entry, b.entry) &&
		maps.Equal(a.far, b.far) && reflect.DeepEqual(a.Spec, b.Spec) && a.bins == b.bins && a.pivotShift == b.pivotShift
}

// cachedLevel is the level of a spec, by way of a folder.
func cachedLevel(t testing.TB, cat *catalogs.Catalogue, spec Spec, folder string) *Level {
	t.Helper()
	l, err := cached(t.Context(), New(cat, folder, time.Now), spec)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// A level comes back as it was written, and is not built a second time.
func TestCachedLevel(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "made", "when missing")
	built := cachedLevel(t, theCatalogue(), smallSpec, folder)
	path := filepath.Join(folder, smallSpec.fileName())
	key := cacheKey(theCatalogue(), smallSpec)
	read, err := readLevel(t.Context(), path, key, smallSpec)
	if err != nil {
		t.Fatal(err)
	}
	if !sameLevel(built, read) || !sameLevel(built, builtLevel(t, theCatalogue(), smallSpec)) {
		t.Error("the level that was read differs from the one that was built")
	}
	left, err := filepath.Glob(filepath.Join(folder, "*"))
	if err != nil || len(left) != 1 {
		t.Errorf("left in the folder: %v, %v", left, err)
	}

	// Whatever else lies there, the level is right, and the file is again.
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for name, damage := range map[string]func(b []byte) []byte{
		"empty":            func(b []byte) []byte { return nil },
		"cut":              func(b []byte) []byte { return b[:len(b)/2] },
		"cut in its sum":   func(b []byte) []byte { return b[:len(cacheMagic)+sha256.Size+4*8+2] },
		"a bit turned":     func(b []byte) []byte { b[len(b)/3] ^= 4; return b },
		"longer":           func(b []byte) []byte { return append(b, 0) },
		"another program":  func(b []byte) []byte { b[len(cacheMagic)+3]++; return b },
		"another format":   func(b []byte) []byte { b[6]++; return b },
		"endless":          func(b []byte) []byte { b[len(cacheMagic)+sha256.Size+7] = 0xff; return b },
		"zeros as on disk": func(b []byte) []byte { clear(b); return b },
	} {
		if err := os.WriteFile(path, damage(bytes.Clone(whole)), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := readLevel(t.Context(), path, key, smallSpec); err == nil {
			t.Errorf("%s: believed", name)
		}
		if !sameLevel(cachedLevel(t, theCatalogue(), smallSpec, folder), built) {
			t.Errorf("%s: another level", name)
		}
		if now, err := os.ReadFile(path); err != nil || len(now) != len(whole) {
			t.Errorf("%s: not written again: %d bytes, %v", name, len(now), err)
		}
	}

	// A folder that cannot be made costs nothing but time.
	if !sameLevel(cachedLevel(t, theCatalogue(), smallSpec, filepath.Join(path, "below a file")), built) {
		t.Error("without a folder: another level")
	}
}

// sealed is a file whose magic, key and checksum are right, whatever else it says.
func sealed(data []byte, key [sha256.Size]byte) []byte {
	const fixed = len(cacheMagic) + sha256.Size
	if len(data) < fixed+crc32.Size {
		return data
	}
	out := bytes.Clone(data)
	copy(out, cacheMagic)
	copy(out[len(cacheMagic):], key[:])
	body := out[:len(out)-crc32.Size]
	binary.LittleEndian.PutUint32(out[len(body):], crc32.Checksum(body, castagnoli))
	return out
}

// Whatever a file with a right checksum holds, what is believed of it can be searched.
func FuzzCachedLevel(f *testing.F) {
	key := cacheKey(theCatalogue(), smallSpec)
	few := Spec{Grid: LargeGrid, faintest: 1, stars: 15, nearest: 4, ShapeBin: 1, ShapeTol: 0.0025}
	data := levelBytes(f, builtLevel(f, theCatalogue(), few), key)
	f.Add(data)
	for at := 40; at < len(data); at += 31 {
		other := bytes.Clone(data)
		other[at] ^= 0x81
		f.Add(other)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		data = sealed(data, key)
		l, err := decodeLevel(t.Context(), bytes.NewReader(data), int64(len(data)), key, few)
		if err != nil {
			return
		}
		for b := range l.bins.buckets() {
			for _, e := range l.entry[l.starts[b]:l.starts[b+1]] {
				for _, star := range l.Pattern(e) {
					l.nodes[star].vec()
					for k := range Neighbours {
						if j, ok := l.Neighbour(star, k); ok {
							l.nodes[j].vec()
						}
					}
				}
			}
		}
	})
}

// TestLevelRules fails when levels come out differently from those that programs of the same
// levelRules have kept: raise levelRules then, and write the new sum here.
func TestLevelRules(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("the sums are those of amd64: others round differently, and have keys of their own")
	}
	const rules, want = 3, "604a50d29d55e9f1"
	sum := sha256.New()
	for _, spec := range []Spec{smallSpec, {Grid: LargeGrid, faintest: 7, stars: 15000, brighter: 5, nearest: 4, ShapeBin: 0.2, ShapeTol: 0.0025}} {
		l := builtLevel(t, theCatalogue(), spec)
		for _, section := range [][]byte{raw(l.nodes), raw(l.starts), raw(l.entry)} {
			sum.Write(section)
		}
	}
	if got := fmt.Sprintf("%x", sum.Sum(nil)[:8]); got != want || rules != levelRules {
		t.Errorf("the sum is %s with levelRules %d, want %s with %d", got, levelRules, want, rules)
	}
}

// BenchmarkReadLevel beside BenchmarkBuildLevel tells what keeping is worth.
func BenchmarkReadLevel(b *testing.B) {
	cat, err := catalogs.Open()
	if err != nil {
		b.Fatal(err)
	}
	for i, spec := range Specs {
		folder := b.TempDir()
		cachedLevel(b, cat, spec, folder)
		b.Run(fmt.Sprint(i), func(b *testing.B) {
			for b.Loop() {
				if _, err := readLevel(b.Context(), filepath.Join(folder, spec.fileName()), cacheKey(cat, spec), spec); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
