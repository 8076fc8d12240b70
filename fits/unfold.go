package fits

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
)

// unfold decompresses the image: what would stand in the data unit of an
// uncompressed one. data is the data unit of the table.
func (t *tiles) unfold(data []byte) ([]byte, error) {
	// The claims of the header are held against what is there before memory is
	// reserved for them.
	total := 0
	err := t.each(func(row, _ int, shape []int) error {
		from, err := t.locate(data, row)
		if err != nil {
			return err
		}
		// Tiles that share their bytes would let a small file keep the
		// computer busy for hours.
		if total += len(from.bytes); total > len(data)-t.heap {
			return errTileShared
		}
		if len(from.bytes) < t.leastBytes(from, product(shape)) {
			return errTileShort
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	width := t.width()
	out := make([]byte, product(t.axes)*width)
	d := tileDecoder{tiles: t}
	err = t.each(func(row, at int, shape []int) error {
		from, err := t.locate(data, row)
		if err != nil {
			return err
		}
		size := product(shape) * width
		if inOnePiece(shape, t.axes) {
			return d.decode(out[at*width:][:size], data, from, row)
		}
		d.tile = resize(d.tile, size)
		if err := d.decode(d.tile, data, from, row); err != nil {
			return err
		}
		t.scatter(out, d.tile, at, shape)
		return nil
	})
	return out, err
}

// each visits the tiles in the order of rows, along the first axis first: at is
// the index in the image of the tile's first pixel, shape its pixels along each
// axis.
func (t *tiles) each(visit func(row, at int, shape []int) error) error {
	corner, shape := make([]int, len(t.axes)), make([]int, len(t.axes))
	for row := range t.count {
		at, stride := 0, 1
		for i, axis := range t.axes {
			shape[i] = min(t.tile[i], axis-corner[i])
			at += corner[i] * stride
			stride *= axis
		}
		if err := visit(row, at, shape); err != nil {
			return fmt.Errorf("%w: tile %d of %d (%s): %w", ErrMalformed, row+1, t.count, t.algorithm, err)
		}
		for i := range corner {
			if corner[i] += t.tile[i]; corner[i] < t.axes[i] {
				break
			}
			corner[i] = 0
		}
	}
	return nil
}

// tileSource is where the bytes of a tile stand.
type tileSource struct {
	bytes  []byte
	column *column
}

var (
	errTileShared  = errors.New("shares bytes with other tiles")
	errTileEmpty   = errors.New("no column holds data for it")
	errTileOutside = errors.New("its bytes would be outside the table's heap")
	errTileSize    = errors.New("it unfolds to another number of bytes than its pixels have")
)

// locate finds the bytes of a tile: in COMPRESSED_DATA or, where that is empty,
// in what stands in for it (section 10.1.3).
func (t *tiles) locate(data []byte, row int) (tileSource, error) {
	for _, c := range []*column{&t.compressed, &t.gzipped, &t.plain} {
		if c.form == 0 {
			continue
		}
		// A descriptor is a count of elements and an offset in the heap
		// (section 7.3.5).
		cell := data[row*t.rowBytes+c.offset:]
		var count, offset uint64
		if c.form == 'P' {
			count, offset = uint64(binary.BigEndian.Uint32(cell)), uint64(binary.BigEndian.Uint32(cell[4:]))
		} else {
			count, offset = binary.BigEndian.Uint64(cell), binary.BigEndian.Uint64(cell[8:])
		}
		if count == 0 {
			continue
		}
		heap := data[t.heap:]
		if n := uint64(len(heap)); count > n || offset > n || count*uint64(formBytes[c.element]) > n-offset {
			return tileSource{}, errTileOutside
		}
		return tileSource{heap[offset:][:int(count)*formBytes[c.element]], c}, nil
	}
	return tileSource{}, errTileEmpty
}

// leastBytes is the fewest bytes that n pixels can be coded in.
func (t *tiles) leastBytes(from tileSource, n int) int {
	const deflateRatio = 1032 // RFC 1951: 258 bytes in two bits
	switch {
	case from.column == &t.plain:
		return n * t.width()
	case from.column == &t.gzipped, strings.HasPrefix(t.algorithm, "GZIP"):
		return n / deflateRatio
	case t.algorithm == "RICE_1":
		return t.rice.leastBytes(n, t.block)
	case t.algorithm == "HCOMPRESS_1":
		return hcompressHead
	}
	return n
}

// tileDecoder holds what is used again from tile to tile.
type tileDecoder struct {
	*tiles
	tile    []byte  // decoded, on its way to the image
	bytes   []byte  // after gzip
	shuffle []byte  // after the shuffle of GZIP_2 is undone
	numbers []int32 // whole numbers
	wide    []int64 // those of HCOMPRESS
	unzip   gzip.Reader
}

// decode decodes the tile of a row into dst, big-endian numbers of ZBITPIX.
func (d *tileDecoder) decode(dst, data []byte, from tileSource, row int) error {
	n := len(dst) / d.width()
	if from.column == &d.plain {
		if kinds := map[int]byte{8: 'B', 16: 'I', 32: 'J', 64: 'K', -32: 'E', -64: 'D'}; from.column.element != kinds[d.bitpix] || len(from.bytes) != len(dst) {
			return errTileSize
		}
		copy(dst, from.bytes)
		return nil
	}
	src := from.bytes
	switch {
	case from.column == &d.gzipped, d.algorithm == "GZIP_1", d.algorithm == "GZIP_2":
		var err error
		if src, err = d.gunzip(src, n*max(4, d.width())); err != nil {
			return err
		}
		if d.algorithm == "GZIP_2" && from.column == &d.compressed {
			src = d.unshuffle(src, n)
		}
	case d.algorithm == "NOCOMPRESS":
	case d.algorithm == "RICE_1":
		d.numbers = resize(d.numbers, n)
		if err := unrice(d.numbers, src, d.rice, d.block); err != nil {
			return err
		}
		return d.finish(dst, data, row)
	case d.algorithm == "HCOMPRESS_1":
		d.numbers, d.wide = resize(d.numbers, n), resize(d.wide, n)
		if err := hdecompress(d.wide, src, d.smooth); err != nil {
			return err
		}
		for i, v := range d.wide {
			d.numbers[i] = int32(min(max(v, math.MinInt32), math.MaxInt32))
		}
		return d.finish(dst, data, row)
	}
	// Bytes of numbers as they are, of ZBITPIX or, when they stand for
	// something else or are older than that rule, of a size of their own.
	isReal := d.bitpix < 0 && (!d.isQuantised || from.column == &d.gzipped)
	if len(src) == len(dst) && (d.bitpix > 0 || isReal) {
		copy(dst, src)
		return nil
	}
	if isReal {
		return errTileSize
	}
	d.numbers = resize(d.numbers, n)
	if err := wholeNumbers(d.numbers, src); err != nil {
		return err
	}
	return d.finish(dst, data, row)
}

// wholeNumbers reads numbers of one, two or four bytes: whichever fills dst.
func wholeNumbers(dst []int32, src []byte) error {
	switch len(src) {
	case len(dst):
		for i := range dst {
			dst[i] = int32(src[i])
		}
	case 2 * len(dst):
		for i := range dst {
			dst[i] = int32(int16(binary.BigEndian.Uint16(src[2*i:])))
		}
	case 4 * len(dst):
		for i := range dst {
			dst[i] = int32(binary.BigEndian.Uint32(src[4*i:]))
		}
	default:
		return errTileSize
	}
	return nil
}

// finish makes numbers of ZBITPIX of the whole numbers of a tile. What a lossy
// algorithm pushed beyond the range becomes its end.
func (d *tileDecoder) finish(dst, data []byte, row int) error {
	switch d.bitpix {
	case 8:
		for i, v := range d.numbers {
			dst[i] = byte(min(max(v, 0), math.MaxUint8))
		}
	case 16:
		dst = dst[:2*len(d.numbers)]
		for i, v := range d.numbers {
			binary.BigEndian.PutUint16(dst[2*i:], uint16(min(max(v, math.MinInt16), math.MaxInt16)))
		}
	case 32:
		for i, v := range d.numbers {
			binary.BigEndian.PutUint32(dst[4*i:], uint32(v))
		}
	case 64:
		for i, v := range d.numbers {
			binary.BigEndian.PutUint64(dst[8*i:], uint64(int64(v)))
		}
	default:
		cells := data[row*d.rowBytes:][:d.rowBytes]
		q := d.quantised
		if d.scale.form != 0 {
			q.scale = d.scale.real(cells)
		}
		if d.zero.form != 0 {
			q.zero = d.zero.real(cells)
		}
		if d.blank.form != 0 {
			q.blank = d.blank.whole(cells)
		}
		walk := newDitherer(row, max(1, d.seed))
		if d.bitpix == -32 {
			q.real(d.numbers, walk, func(i int, v float64) {
				binary.BigEndian.PutUint32(dst[4*i:], math.Float32bits(float32(v)))
			})
		} else {
			q.real(d.numbers, walk, func(i int, v float64) {
				binary.BigEndian.PutUint64(dst[8*i:], math.Float64bits(v))
			})
		}
	}
	return nil
}

// gunzip unfolds a gzip stream of at most limit bytes. What follows the first
// stream is not looked at.
func (d *tileDecoder) gunzip(src []byte, limit int) ([]byte, error) {
	if err := d.unzip.Reset(bytes.NewReader(src)); err != nil {
		return nil, errTileDamage
	}
	d.unzip.Multistream(false)
	d.bytes = resize(d.bytes, limit+1)
	n := 0
	for n < len(d.bytes) {
		m, err := d.unzip.Read(d.bytes[n:])
		n += m
		switch {
		case err == io.EOF: // the check sum was right
			return d.bytes[:n], nil
		case err == io.ErrUnexpectedEOF:
			return nil, errTileShort
		case err != nil:
			return nil, errTileDamage
		}
	}
	return nil, errTileSize
}

// unshuffle undoes the shuffle of GZIP_2 (section 10.4.2): first the highest
// bytes of all n numbers, then the next ones, and so on.
func (d *tileDecoder) unshuffle(src []byte, n int) []byte {
	width := len(src) / n
	if width*n != len(src) {
		return src // refused by its size
	}
	d.shuffle = resize(d.shuffle, len(src))
	for k := range width {
		for i, b := range src[k*n:][:n] {
			d.shuffle[i*width+k] = b
		}
	}
	return d.shuffle
}

// scatter copies a tile, line by line along the first axis, to its place in
// the image.
func (t *tiles) scatter(out, tile []byte, at int, shape []int) {
	width := t.width()
	line := shape[0] * width
	place := make([]int, len(shape))
	for len(tile) > 0 {
		copy(out[at*width:], tile[:line])
		tile = tile[line:]
		stride := t.axes[0]
		for i := 1; i < len(shape); i++ {
			at += stride
			if place[i]++; place[i] < shape[i] {
				break
			}
			at -= shape[i] * stride
			place[i] = 0
			stride *= t.axes[i]
		}
	}
}

// inOnePiece tells whether a tile is one run of pixels: whole along the first
// axes, one pixel thick along the last.
func inOnePiece(shape, axes []int) bool {
	i := 0
	for i < len(shape) && shape[i] == axes[i] {
		i++
	}
	for i++; i < len(shape); i++ {
		if shape[i] != 1 {
			return false
		}
	}
	return true
}

func product(of []int) int {
	p := 1
	for _, n := range of {
		p *= n
	}
	return p
}

// resize gives s the length n, anew when it is too short; the content is lost.
func resize[T any](s []T, n int) []T {
	if cap(s) < n {
		return make([]T, n)
	}
	return s[:n]
}
