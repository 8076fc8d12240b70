package fits

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math/bits"
	"strings"
	"testing"
	"time"
)

// hostileTile is a tile of HCOMPRESS_1 of a few hundred bytes that claims so many
// pixels and bit planes: each plane a tree whose root is empty.
func hostileTile(side, planes int) []byte {
	b := []byte{0xdd, 0x99}
	for _, v := range []uint32{uint32(side), uint32(side), 1} {
		b = binary.BigEndian.AppendUint32(b, v)
	}
	b = binary.BigEndian.AppendUint64(b, 1)
	b = append(b, byte(planes), byte(planes), byte(planes))
	var word uint64
	have := 0
	put := func(v uint64, n int) {
		word, have = word<<n|v, have+n
		for have >= 8 {
			b = append(b, byte(word>>(have-8)))
			have -= 8
		}
	}
	levels := bits.Len(uint((side+1)/2 - 1))
	for range 4 * planes {
		put(0xf, 4) // a tree
		for range levels {
			put(0x00, 3) // that goes on in one quadrant
		}
	}
	put(0, 4)  // the end
	put(0, 40) // signs, and room to read ahead
	return b
}

// mostPlanes are as many bit planes as are read.
const mostPlanes = 62

// hostileImage, some kilobytes, claims the largest image that is read: 2^28 pixels in
// tiles of 2^24.
func hostileImage() []byte {
	const side, tile = 16384, 4096
	rows := make([][]byte, side/tile*side/tile)
	for i := range rows {
		rows[i] = hostileTile(tile, mostPlanes)
	}
	return tileTable(rows, tileShape("HCOMPRESS_1", 8, []int{side, side}, []int{tile, tile})...)
}

func BenchmarkHostileCompression(b *testing.B) {
	data := hostileImage()
	b.Logf("%d bytes", len(data))
	for b.Loop() {
		if _, err := Decode("x", data); err != nil {
			b.Fatal(err)
		}
	}
}

// A file of some kilobytes can claim a large image, with every bit plane there can
// be: it costs the memory of that image and a time in proportion to it.
func TestHostileCompression(t *testing.T) {
	const side = 1024
	data := tileTable([][]byte{hostileTile(side, mostPlanes)}, tileShape("HCOMPRESS_1", 16, []int{side, side}, []int{side, side})...)
	begin := time.Now()
	_, err := Decode("x", data)
	if errors.Is(err, ErrFault) {
		t.Error(err)
	}
	t.Logf("%d bytes that claim %d megapixels: %v (%v)", len(data), side*side>>20, time.Since(begin), err)

	if _, err := Decode("x", tileTable([][]byte{hostileTile(side, mostPlanes)}, tileShape("HCOMPRESS_1", 16, []int{6000, 6000}, []int{6000, 6000})...)); !errors.Is(err, ErrUnsupported) {
		t.Errorf("a larger one: %v", err)
	}
}

// manyKeywords is a frame with so many keywords of different names, each twice.
func manyKeywords(n int) []byte {
	var cards []string
	for i := range n {
		cards = append(cards, fmt.Sprintf("K%07d= %d", i%(n/2), i))
	}
	return small(append(cards, "DATE-OBS= '2026-11-03T19:12:00'")...)
}

// As many keywords as a header may hold are read to the last.
func TestManyKeywords(t *testing.T) {
	f := mustDecode(t, manyKeywords(maxHeaderBytes/cardSize-40))
	if f.Start.IsZero() {
		t.Error("the last keyword was not read")
	}
}

// A string that goes on without end is read to its bound, and what follows it too.
func TestEndlessString(t *testing.T) {
	cards := []string{"OBJECT  = 'begin&'"}
	for range 52000 {
		cards = append(cards, "CONTINUE  'more and more of it&'")
	}
	f := mustDecode(t, small(append(cards, "DATE-OBS= '2026-11-03T19:12:00'")...))
	if !strings.HasPrefix(f.Object, "beginmore") || len(f.Object) > mostContinued*68 || f.Start.IsZero() {
		t.Errorf("%d letters, %v", len(f.Object), f.Start)
	}
}

// BenchmarkManyKeywords tells that their time grows as they do.
func BenchmarkManyKeywords(b *testing.B) {
	for _, n := range []int{5000, 50000} {
		data := manyKeywords(n)
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			for b.Loop() {
				if _, err := Decode("x", data); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
