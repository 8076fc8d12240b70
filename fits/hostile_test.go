package fits

import (
	"context"
	"encoding/binary"
	"errors"
	"math/bits"
	"path/filepath"
	"testing"
	"time"
)

// hostileTile is a tile of HCOMPRESS_1 of a few hundred bytes that claims as many
// pixels and bit planes as are read: each plane a tree whose root is empty.
func hostileTile(side int) []byte {
	b := []byte{0xdd, 0x99}
	for _, v := range []uint32{uint32(side), uint32(side), 1} {
		b = binary.BigEndian.AppendUint32(b, v)
	}
	b = binary.BigEndian.AppendUint64(b, 1)
	b = append(b, 62, 62, 62)
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
	for range 4 * 62 {
		put(0xf, 4) // a tree
		for range levels {
			put(0x00, 3) // that goes on in one quadrant
		}
	}
	put(0, 4)  // the end
	put(0, 40) // signs, and room to read ahead
	return b
}

// A file of some kilobytes can claim a large image, with every bit plane there can
// be: it costs the memory of that image and a time in proportion to it, and does
// not hold up the end of the program.
func TestHostileCompression(t *testing.T) {
	const side = 1024
	data := tileTable([][]byte{hostileTile(side)}, tileShape("HCOMPRESS_1", 16, []int{side, side}, []int{side, side})...)
	begin := time.Now()
	_, err := Decode("x", data)
	if errors.Is(err, ErrFault) {
		t.Error(err)
	}
	t.Logf("%d bytes that claim %d megapixels: %v (%v)", len(data), side*side>>20, time.Since(begin), err)

	if _, err := Decode("x", tileTable([][]byte{hostileTile(side)}, tileShape("HCOMPRESS_1", 16, []int{6000, 6000}, []int{6000, 6000})...)); !errors.Is(err, ErrUnsupported) {
		t.Errorf("a larger one: %v", err)
	}

	folder := t.TempDir()
	put(t, filepath.Join(folder, "slow.fits"), data)
	put(t, filepath.Join(folder, "next.fits"), exposure(1))
	ctx, cancel := context.WithCancel(t.Context())
	w := NewWatcher(Options{Folder: folder, Quiet: time.Millisecond})
	time.AfterFunc(50*time.Millisecond, cancel)
	begin = time.Now()
	seen := map[string]int{}
	if err := w.Run(ctx, func(a Arrival) { seen[filepath.Base(a.Path)]++ }); err != nil {
		t.Error(err)
	}
	t.Logf("the watcher stopped after %v", time.Since(begin))
	// The file is not lost: the next run delivers it.
	ctx, cancel = context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	if err := w.Run(ctx, func(a Arrival) {
		if seen[filepath.Base(a.Path)]++; len(seen) == 2 {
			cancel()
		}
	}); err != nil {
		t.Error(err)
	}
	if seen["slow.fits"] != 1 || seen["next.fits"] != 1 {
		t.Errorf("delivered %v", seen)
	}
}
