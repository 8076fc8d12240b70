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

// keptSpec is of a level that is kept, of some 5,000 stars.
var keptSpec = Spec{Grid: LargeGrid, faintest: 6, stars: 5000, spokes: 4, ShapeBin: 0.2, ShapeTol: 0.0025}

func levelBytes(t testing.TB, l *Level, key [sha256.Size]byte) []byte {
	t.Helper()
	path := filepath.Join(t.TempDir(), "level")
	if err := writeLevel(path, key, l, time.Now()); err != nil {
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
		maps.Equal(a.far, b.far) && reflect.DeepEqual(a.Spec, b.Spec) && a.bins == b.bins && a.hubShift == b.hubShift
}

// A level comes back as it was written, and is not built a second time.
func TestKeptLevel(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "made", "when missing")
	built := keptLevel(theCatalogue(), keptSpec, folder, time.Now)
	path := filepath.Join(folder, keptSpec.fileName())
	key := keptKey(theCatalogue(), keptSpec)
	read, err := readLevel(path, key, keptSpec)
	if err != nil {
		t.Fatal(err)
	}
	if !sameLevel(built, read) || !sameLevel(built, buildLevel(theCatalogue(), keptSpec)) {
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
		"cut in its sum":   func(b []byte) []byte { return b[:len(keptMagic)+sha256.Size+4*8+2] },
		"a bit turned":     func(b []byte) []byte { b[len(b)/3] ^= 4; return b },
		"longer":           func(b []byte) []byte { return append(b, 0) },
		"another program":  func(b []byte) []byte { b[len(keptMagic)+3]++; return b },
		"another format":   func(b []byte) []byte { b[6]++; return b },
		"endless":          func(b []byte) []byte { b[len(keptMagic)+sha256.Size+7] = 0xff; return b },
		"zeros as on disk": func(b []byte) []byte { clear(b); return b },
	} {
		if err := os.WriteFile(path, damage(bytes.Clone(whole)), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := readLevel(path, key, keptSpec); err == nil {
			t.Errorf("%s: believed", name)
		}
		if !sameLevel(keptLevel(theCatalogue(), keptSpec, folder, time.Now), built) {
			t.Errorf("%s: another level", name)
		}
		if now, err := os.ReadFile(path); err != nil || len(now) != len(whole) {
			t.Errorf("%s: not written again: %d bytes, %v", name, len(now), err)
		}
	}

	// A folder that cannot be made costs nothing but time.
	if !sameLevel(keptLevel(theCatalogue(), keptSpec, filepath.Join(path, "below a file"), time.Now), built) {
		t.Error("without a folder: another level")
	}
}

// sealed is a file whose magic, key and checksum are right, whatever else it says.
func sealed(data []byte, key [sha256.Size]byte) []byte {
	const fixed = len(keptMagic) + sha256.Size
	if len(data) < fixed+crc32.Size {
		return data
	}
	out := bytes.Clone(data)
	copy(out, keptMagic)
	copy(out[len(keptMagic):], key[:])
	body := out[:len(out)-crc32.Size]
	binary.LittleEndian.PutUint32(out[len(body):], crc32.Checksum(body, castagnoli))
	return out
}

// Whatever a file with a right checksum holds, what is believed of it can be searched.
func FuzzKeptLevel(f *testing.F) {
	key := keptKey(theCatalogue(), keptSpec)
	few := Spec{Grid: LargeGrid, faintest: 1, stars: 15, spokes: 4, ShapeBin: 1, ShapeTol: 0.0025}
	data := levelBytes(f, buildLevel(theCatalogue(), few), key)
	f.Add(data)
	for at := 40; at < len(data); at += 31 {
		other := bytes.Clone(data)
		other[at] ^= 0x81
		f.Add(other)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		data = sealed(data, key)
		l, err := decodeLevel(bytes.NewReader(data), int64(len(data)), key, few)
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
	for _, spec := range []Spec{keptSpec, {Grid: LargeGrid, faintest: 7, stars: 15000, brighter: 5, spokes: 4, ShapeBin: 0.2, ShapeTol: 0.0025}} {
		l := buildLevel(theCatalogue(), spec)
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
		keptLevel(cat, spec, folder, time.Now)
		b.Run(fmt.Sprint(i), func(b *testing.B) {
			for b.Loop() {
				if _, err := readLevel(filepath.Join(folder, spec.fileName()), keptKey(cat, spec), spec); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
