package fits

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// tileTable lays out a compressed image whose tiles hold the given bytes, in
// one column COMPRESSED_DATA.
func tileTable(tiles [][]byte, cards ...string) []byte {
	var rows, heap []byte
	for _, tile := range tiles {
		rows = binary.BigEndian.AppendUint32(rows, uint32(len(tile)))
		rows = binary.BigEndian.AppendUint32(rows, uint32(len(heap)))
		heap = append(heap, tile...)
	}
	head := []string{
		"XTENSION= 'BINTABLE'", "BITPIX  = 8", "NAXIS   = 2", "NAXIS1  = 8", fmt.Sprintf("NAXIS2  = %d", len(tiles)),
		fmt.Sprintf("PCOUNT  = %d", len(heap)), "GCOUNT  = 1", "TFIELDS = 1",
		"TTYPE1  = 'COMPRESSED_DATA'", "TFORM1  = '1PB'", "ZIMAGE  = T",
	}
	return append(build(layoutCards("8", "0"), nil), build(append(head, cards...), append(rows, heap...))...)
}

// tileShape is the layout of a compressed image, in cards.
func tileShape(algorithm string, bitpix int, axes, tile []int) []string {
	cards := []string{"ZCMPTYPE= '" + algorithm + "'", fmt.Sprintf("ZBITPIX = %d", bitpix), fmt.Sprintf("ZNAXIS  = %d", len(axes))}
	for i := range axes {
		cards = append(cards, fmt.Sprintf("%-8s= %d", fmt.Sprintf("ZNAXIS%d", i+1), axes[i]), fmt.Sprintf("%-8s= %d", fmt.Sprintf("ZTILE%d", i+1), tile[i]))
	}
	return cards
}

// rice encodes numbers, each block with the split that takes the fewest bits.
func rice(values []int32, c riceCode, block int) []byte {
	mask := uint32(1)<<c.valueBits - 1
	if c.valueBits == 32 {
		mask = 1<<32 - 1
	}
	var out []byte
	var queue uint64
	have := 0
	put := func(v uint32, n int) {
		for n > 0 {
			step := min(n, 32)
			queue, have = queue<<step|uint64(v)&(1<<step-1), have+step
			n -= step
			for ; have >= 8; have -= 8 {
				out = append(out, byte(queue>>(have-8)))
			}
		}
	}
	last := uint32(values[0]) & mask
	put(last, c.valueBits)
	for len(values) > 0 {
		now := values[:min(block, len(values))]
		values = values[len(now):]
		mapped := make([]uint32, len(now))
		most := uint32(0)
		for i, v := range now {
			d := int32((uint32(v)-last)<<(32-c.valueBits)) >> (32 - c.valueBits)
			last = uint32(v) & mask
			mapped[i] = uint32(d<<1^d>>31) & mask
			most |= mapped[i]
		}
		if most == 0 {
			put(0, c.splitBits)
			continue
		}
		best, least := c.rawSplit, uint64(c.valueBits*len(now))
		for split := range c.rawSplit {
			cost := uint64(0)
			for _, m := range mapped {
				cost += uint64(m>>split) + 1 + uint64(split)
			}
			if cost < least {
				best, least = split, cost
			}
		}
		put(uint32(best+1), c.splitBits)
		for _, m := range mapped {
			if best == c.rawSplit {
				put(m, c.valueBits)
				continue
			}
			for zeros := m >> best; zeros > 0; {
				step := min(zeros, 32)
				put(0, int(step))
				zeros -= step
			}
			put(1, 1)
			put(m, best)
		}
	}
	if have > 0 {
		put(0, 8-have)
	}
	return out
}

// What is coded comes back, whatever the numbers.
func TestRiceRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		bytepix := rapid.SampledFrom([]int{1, 2, 4}).Draw(t, "BYTEPIX")
		block := rapid.SampledFrom([]int{16, 32}).Draw(t, "BLOCKSIZE")
		c := riceCodes[bytepix]
		low := int32(-1) << (c.valueBits - 1)
		high := -(low + 1)
		if bytepix == 1 {
			low, high = 0, 255
		}
		n := rapid.IntRange(1, 100).Draw(t, "n")
		values := make([]int32, n)
		walk := rapid.Int32Range(low, high)
		small := rapid.Int32Range(0, 40)
		for i := range values {
			switch rapid.IntRange(0, 9).Draw(t, "kind") {
			case 0:
				values[i] = walk.Draw(t, "value")
			case 1, 2, 3:
				values[i] = small.Draw(t, "value")
			default:
				values[i] = values[max(0, i-1)]
			}
		}
		coded := rice(values, c, block)
		got := make([]int32, n)
		if err := unrice(got, coded, c, block); err != nil {
			t.Fatal(err)
		}
		for i := range got {
			if got[i] != values[i] {
				t.Fatalf("number %d is %d, want %d", i, got[i], values[i])
			}
		}
		// A byte less is noticed: the last byte holds bits of the last number.
		if err := unrice(got, coded[:len(coded)-1], c, block); !errors.Is(err, errTileShort) {
			t.Fatalf("cut: %v", err)
		}
	})
}

// What a compressed image must not be (section 10.1, 7.3.5), and what is not
// read.
func TestTilesLiesAndDamage(t *testing.T) {
	row := func(v int32) []byte { return rice([]int32{v, v + 1, v + 2, v + 9}, riceCodes[2], 32) }
	good := [][]byte{row(1), row(5), row(-7)}
	rice2 := []string{"ZNAME1  = 'BLOCKSIZE'", "ZVAL1   = 32", "ZNAME2  = 'BYTEPIX'", "ZVAL2   = 2"}
	shape := tileShape("RICE_1", 16, []int{4, 3}, []int{4, 1})
	whole := func(tiles [][]byte, cards ...string) []byte {
		return tileTable(tiles, append(append(append([]string{}, shape...), rice2...), cards...)...)
	}
	// replaced is a whole file with one card put in the place of another.
	replaced := func(old, new string) []byte {
		data := whole(good)
		at := bytes.Index(data, []byte(old))
		if at < 0 {
			t.Fatalf("no card %q", old)
		}
		at -= at % cardSize
		copy(data[at:], fmt.Sprintf("%-80s", new))
		return data
	}
	zipped := func(n int) []byte {
		var b bytes.Buffer
		z := gzip.NewWriter(&b)
		z.Write(make([]byte, n))
		z.Close()
		return b.Bytes()
	}
	mustDecode(t, whole(good))
	shared := whole(good)
	for i := range good { // each tile is all of the heap
		at := len(shared) - blockSize + 8*i
		binary.BigEndian.PutUint32(shared[at:], uint32(len(good[0])+len(good[1])+len(good[2])))
		binary.BigEndian.PutUint32(shared[at+4:], 0)
	}
	outside := whole(good)
	binary.BigEndian.PutUint32(outside[len(outside)-blockSize+4:], 1<<31)
	nan := func(cards ...string) []byte {
		return tileTable(good, append(append(tileShape("RICE_1", -32, []int{4, 3}, []int{4, 1}), rice2...), cards...)...)
	}
	for _, c := range []struct {
		name   string
		data   []byte
		kind   error
		reason string
	}{
		{"PLIO_1", replaced("ZCMPTYPE", "ZCMPTYPE= 'PLIO_1'"), ErrUnsupported, "PLIO_1"},
		{"an algorithm of the future", replaced("ZCMPTYPE", "ZCMPTYPE= 'ZSTD_1'"), ErrUnsupported, "ZSTD_1"},
		{"no algorithm", replaced("ZCMPTYPE", "COMMENT"), ErrUnsupported, "algorithm"},
		{"no ZBITPIX", replaced("ZBITPIX", "COMMENT"), ErrMalformed, "ZBITPIX is missing"},
		{"ZBITPIX 12", replaced("ZBITPIX", "ZBITPIX = 12"), ErrMalformed, "ZBITPIX is 12"},
		{"ZBITPIX 64 in Rice", replaced("ZBITPIX", "ZBITPIX = 64"), ErrUnsupported, "64-bit"},
		{"no ZNAXIS1", replaced("ZNAXIS1", "COMMENT"), ErrMalformed, "ZNAXIS1 is missing"},
		{"negative axis", replaced("ZNAXIS1", "ZNAXIS1 = -4"), ErrMalformed, "ZNAXIS1 is -4"},
		{"no pixels", replaced("ZNAXIS1", "ZNAXIS1 = 0"), ErrMalformed, "0 tiles"},
		{"terabytes", replaced("ZNAXIS1", "ZNAXIS1 = 2000000000"), ErrUnsupported, "MB"},
		{"tiles of no size", replaced("ZTILE1", "ZTILE1  = 0"), ErrMalformed, "ZTILE1 is 0"},
		{"more tiles than rows", replaced("ZTILE1", "ZTILE1  = 3"), ErrMalformed, "6 tiles in a table of 3 rows"},
		{"longer rows than tiles", replaced("ZNAXIS1", "ZNAXIS1 = 400000"), ErrMalformed, "300000 tiles"},
		{"blocks of 8", replaced("ZVAL1", "ZVAL1   = 8"), ErrUnsupported, "blocks of 8"},
		{"numbers of 8 bytes", replaced("ZVAL2", "ZVAL2   = 8"), ErrUnsupported, "8 bytes"},
		{"no columns", replaced("TFIELDS", "TFIELDS = 0"), ErrMalformed, "TFIELDS"},
		{"no such column", replaced("TTYPE1", "TTYPE1  = 'DATA'"), ErrMalformed, "no column COMPRESSED_DATA"},
		{"a column that is none", replaced("TFORM1", "TFORM1  = '1?'"), ErrMalformed, "TFORM1"},
		{"a column without a letter", replaced("TFORM1", "TFORM1  = '12'"), ErrMalformed, "TFORM1"},
		{"a pointer to nothing", replaced("TFORM1", "TFORM1  = '1P'"), ErrMalformed, "TFORM1"},
		{"a column wider than the row", replaced("TFORM1", "TFORM1  = '1QB'"), ErrMalformed, "wider"},
		{"two pointers a row", replaced("TFORM1", "TFORM1  = '2PB'"), ErrMalformed, "wider"},
		{"bytes in the row", replaced("TFORM1", "TFORM1  = '8B'"), ErrMalformed, "COMPRESSED_DATA has the form"},
		{"THEAP in the rows", whole(good, "THEAP   = 8"), ErrMalformed, "THEAP"},
		{"THEAP behind the end", whole(good, "THEAP   = 1000"), ErrMalformed, "THEAP"},
		{"a tile without data", whole([][]byte{good[0], nil, good[2]}), ErrMalformed, "tile 2 of 3 (RICE_1): no column"},
		{"a tile cut short", whole([][]byte{good[0], good[1][:3], good[2]}), ErrMalformed, "tile 2 of 3 (RICE_1): its bytes end"},
		{"tiles that share bytes", shared, ErrMalformed, "shares"},
		{"a tile outside the heap", outside, ErrMalformed, "tile 1 of 3 (RICE_1): its bytes would be outside"},
		{"a split of 26", tileTable([][]byte{append([]byte{0, 0, 0, 1}, 0xd8, 0, 0, 0, 0, 0)}, append(tileShape("RICE_1", 32, []int{4, 1}, []int{4, 1}), "ZNAME1  = 'BYTEPIX'", "ZVAL1   = 4")...), ErrMalformed, "damaged"},
		{"zeros without end", tileTable([][]byte{append([]byte{0, 1, 0x20}, make([]byte, 40)...)}, append(tileShape("RICE_1", 16, []int{4, 1}, []int{4, 1}), "ZNAME1  = 'BYTEPIX'", "ZVAL1   = 2")...), ErrMalformed, "end before"},
		{"gzip that is none", tileTable(good, tileShape("GZIP_1", 16, []int{4, 3}, []int{4, 1})...), ErrMalformed, "tile 1 of 3 (GZIP_1)"},
		{"gzip of too much", tileTable([][]byte{zipped(1 << 20)}, tileShape("GZIP_1", 16, []int{4, 4}, []int{4, 4})...), ErrMalformed, "another number"},
		{"gzip of too little", tileTable([][]byte{zipped(9)}, tileShape("GZIP_2", 16, []int{4, 4}, []int{4, 4})...), ErrMalformed, "another number"},
		{"gzip cut", tileTable([][]byte{zipped(32)[:20]}, tileShape("GZIP_1", 16, []int{4, 4}, []int{4, 4})...), ErrMalformed, "end before"},
		{"gzip with a wrong sum", tileTable([][]byte{append(zipped(32)[:len(zipped(32))-8], make([]byte, 8)...)}, tileShape("GZIP_1", 16, []int{4, 4}, []int{4, 4})...), ErrMalformed, "damaged"},
		{"real numbers in Rice without a scale", nan(), ErrMalformed, "no ZSCALE"},
		{"dither of the future", nan("ZSCALE  = 1.0", "ZQUANTIZ= 'DITHER_9'"), ErrUnsupported, "DITHER_9"},
		{"ZDITHER0 0", nan("ZSCALE  = 1.0", "ZQUANTIZ= 'SUBTRACTIVE_DITHER_1'", "ZDITHER0= 0"), ErrMalformed, "ZDITHER0"},
		{"ZSCALE a word", nan("ZSCALE  = 'one'"), ErrMalformed, "ZSCALE"},
		{"ZBLANK a fraction", nan("ZSCALE  = 1.0", "ZBLANK  = 1.5"), ErrMalformed, "ZBLANK"},
		{"whole numbers with a scale", whole(good, "ZSCALE  = 2.0"), ErrUnsupported, "scale"},
		{"HCOMPRESS of one row", tileTable([][]byte{append([]byte{0xdd, 0x99, 0, 0, 0, 1, 0, 0, 0, 4}, make([]byte, 20)...)}, tileShape("HCOMPRESS_1", 16, []int{4, 1}, []int{4, 1})...), ErrMalformed, "damaged"},
		{"HCOMPRESS of another size", tileTable([][]byte{append([]byte{0xdd, 0x99, 0, 0, 0, 5, 0, 0, 0, 4}, make([]byte, 20)...)}, tileShape("HCOMPRESS_1", 16, []int{4, 4}, []int{4, 4})...), ErrMalformed, "damaged"},
		{"HCOMPRESS of another algorithm", tileTable([][]byte{make([]byte, 40)}, tileShape("HCOMPRESS_1", 16, []int{4, 4}, []int{4, 4})...), ErrMalformed, "damaged"},
		{"HCOMPRESS of 200 planes", tileTable([][]byte{append([]byte{0xdd, 0x99, 0, 0, 0, 4, 0, 0, 0, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 200}, make([]byte, 20)...)}, tileShape("HCOMPRESS_1", 16, []int{4, 4}, []int{4, 4})...), ErrMalformed, "damaged"},
		{"HCOMPRESS in a huge tile", tileTable([][]byte{make([]byte, 40)}, tileShape("HCOMPRESS_1", 8, []int{10000, 10000}, []int{10000, 10000})...), ErrUnsupported, "smaller"},
	} {
		f, err := Decode("x.fits", c.data)
		if f != nil || !errors.Is(err, c.kind) || !strings.Contains(err.Error(), c.reason) {
			t.Errorf("%s: %v; want %v that says %q", c.name, err, c.kind, c.reason)
		}
	}
}

// Any byte of a tile changed, or the tile cut anywhere: refused or read, never
// a panic, and what is read has all its pixels.
func TestTilesDamagedAnywhere(t *testing.T) {
	files := compressed(t)
	for _, name := range []string{"u1_r_0", "i2_g2_0", "i2_h_0", "i4_h_0", "f4_r_2_0", "gzipped_tiles", "pointers_of_64_bits", "smooth_i2"} {
		data := files[name+".fits.fz"]
		found, err := findImage(data)
		if err != nil {
			t.Fatal(err)
		}
		u := found.image
		step := 1 + u.dataSize/500
		for at := u.dataStart; at < u.dataStart+u.dataSize; at += step {
			for _, flip := range []byte{0xff, 1 << (at % 8)} {
				damaged := bytes.Clone(data)
				damaged[at] ^= flip
				f, err := Decode(name, damaged)
				checkFrame(t, damaged, f, err)
			}
			if f, err := Decode(name, data[:at]); f != nil || !errors.Is(err, ErrIncomplete) {
				t.Fatalf("%s: first %d of %d bytes: %v", name, at, len(data), err)
			}
		}
	}
}

// The order of delivery needs the time, which a compressed image keeps in its
// own header.
func TestPeekCompressed(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.fits.fz")
	if err := os.WriteFile(path, compressed(t)["i2_r_1.fits.fz"], 0o644); err != nil {
		t.Fatal(err)
	}
	mid, err := Peek(path, int64(len(compressed(t)["i2_r_1.fits.fz"])), nil)
	if want := time.Date(2026, 3, 8, 1, 2, 3, 0, time.UTC); err != nil || !mid.Equal(want) {
		t.Errorf("%v, %v; want %v", mid, err, want)
	}
}

// An image too large for a bound on what is packed is refused at the cost of its
// own size.
func TestTilesReserveNothing(t *testing.T) {
	lie := tileTable([][]byte{make([]byte, 30)}, tileShape("RICE_1", 8, []int{16000, 16000}, []int{16000, 16000})...)
	const allowed = 1 << 20
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	if f, err := Decode("lie.fits", lie); f != nil || !errors.Is(err, ErrMalformed) {
		t.Error(err)
	}
	runtime.ReadMemStats(&after)
	if got := after.TotalAlloc - before.TotalAlloc; got > allowed {
		t.Errorf("%d bytes were reserved for a file of %d", got, len(lie))
	}
}
