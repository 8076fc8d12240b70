package fits

import (
	"encoding/binary"
	"math/bits"
)

// hcompressHead is the length of what stands before the bit planes: two bytes
// that name the format, rows, columns, scale (four bytes each), the sum of all
// pixels (eight) and the number of bit planes of three kinds of coefficients.
const hcompressHead = 2 + 3*4 + 8 + 3

// hdecompress decodes a tile of HCOMPRESS_1 (section 10.4.4; White 1992,
// Proc. NASA Space and Earth Science Data Compression Workshop, 117): the
// H-transform of the tile, its coefficients in bit planes, each plane as a tree
// of quadrants. smooth interpolates coefficients that the scale has made coarse.
func hdecompress(dst []int64, src []byte, smooth bool) error {
	if len(src) < hcompressHead {
		return errTileShort
	}
	if src[0] != 0xdd || src[1] != 0x99 {
		return errTileDamage
	}
	rows := int(int32(binary.BigEndian.Uint32(src[2:])))
	columns := int(int32(binary.BigEndian.Uint32(src[6:])))
	scale := int64(int32(binary.BigEndian.Uint32(src[10:])))
	sum := int64(binary.BigEndian.Uint64(src[14:]))
	planes := src[22:hcompressHead]
	// A tile of one row or column has empty kinds of coefficients, which the
	// format does not provide for.
	if rows < 2 || columns < 2 || rows > len(dst) || columns > len(dst) || int64(rows)*int64(columns) != int64(len(dst)) {
		return errTileDamage
	}
	h := htransform{a: dst, rows: rows, columns: columns}
	if err := h.read(bitReader{src: src[hcompressHead:]}, planes); err != nil {
		return err
	}
	dst[0] = sum
	if scale > 1 {
		for i := range dst {
			dst[i] *= scale
		}
	}
	if !smooth {
		scale = 0
	}
	h.invert(scale)
	return nil
}

// bitReader reads bits from the top of each byte. Behind the end come zeros.
type bitReader struct {
	src  []byte
	next int
	word uint32 // its low have bits wait to be read
	have int
}

func (r *bitReader) bits(n int) int {
	for r.have < n {
		r.word <<= 8
		if r.next < len(r.src) {
			r.word |= uint32(r.src[r.next])
		}
		r.next++
		r.have += 8
	}
	r.have -= n
	return int(r.word >> r.have & (1<<n - 1))
}

// align drops what is left of the byte.
func (r *bitReader) align() {
	r.next -= r.have >> 3
	r.have = 0
}

// over tells whether more was read than there is.
func (r *bitReader) over() bool { return r.next > len(r.src) }

// quadrantCodes decodes the code of a group of two by two: for the first six
// bits, the group (bit 3 the first of the first row, bit 0 the last of the
// second) and the length of the code in bits.
var quadrantCodes = func() (table [64]struct{ group, length uint8 }) {
	for group, code := range [16]struct{ bits, length int }{
		{0x3e, 6}, {0x00, 3}, {0x01, 3}, {0x08, 4}, {0x02, 3}, {0x09, 4}, {0x1a, 5}, {0x1b, 5},
		{0x03, 3}, {0x1c, 5}, {0x0a, 4}, {0x1d, 5}, {0x0b, 4}, {0x1e, 5}, {0x3f, 6}, {0x0c, 4},
	} {
		free := 6 - code.length
		for low := range 1 << free {
			table[code.bits<<free|low] = struct{ group, length uint8 }{uint8(group), uint8(code.length)}
		}
	}
	return table
}()

// group reads the code of a group of two by two.
func (r *bitReader) group() uint8 {
	const longest = 6
	code := quadrantCodes[r.bits(longest)]
	r.have += longest - int(code.length) // put back; never more than word holds
	return code.group
}

// htransform is an array of rows by columns on its way from coefficients to
// pixels.
type htransform struct {
	a             []int64
	rows, columns int
	// groups of a plane with anything in them, from the last to the first, and those
	// of the level below
	found, below []foundGroup
}

// foundGroup is a group of two by two that is not empty: its row and column among the
// groups, and its bits.
type foundGroup struct {
	y, x int32
	bits uint8
}

// read fills a, which is zero, with coefficients: sums in the first quarter,
// then differences along columns, along rows and of both.
func (h *htransform) read(r bitReader, planes []byte) error {
	clear(h.a)
	top, left := (h.rows+1)/2, (h.columns+1)/2
	for _, q := range []struct {
		at, rows, columns int
		planes            byte
	}{
		{0, top, left, planes[0]},
		{left, top, h.columns / 2, planes[1]},
		{top * h.columns, h.rows / 2, left, planes[1]},
		{top*h.columns + left, h.rows / 2, h.columns / 2, planes[2]},
	} {
		if q.planes > 62 {
			return errTileDamage
		}
		for plane := int(q.planes) - 1; plane >= 0; plane-- {
			if err := h.readPlane(&r, q.at, q.rows, q.columns, plane); err != nil {
				return err
			}
		}
	}
	if r.bits(4) != 0 { // the end
		return errTileDamage
	}
	r.align()
	for i, v := range h.a {
		if v != 0 && r.bits(1) != 0 {
			h.a[i] = -v
		}
	}
	if r.over() {
		return errTileShort
	}
	return nil
}

// readPlane reads one bit of each coefficient in the block of rows by columns
// that begins at index at. It takes a time in proportion to the bits that code the
// plane, however large the block is that they claim.
func (h *htransform) readPlane(r *bitReader, at, rows, columns, plane int) error {
	const direct, tree = 0x0, 0xf
	set := func(y, x int, group uint8) {
		for corner := range 4 {
			y, x := 2*y+corner/2, 2*x+corner%2
			if group>>(3-corner)&1 != 0 && y < rows && x < columns {
				h.a[at+y*h.columns+x] |= 1 << plane
			}
		}
	}
	switch r.bits(4) {
	case direct:
		for y := range (rows + 1) / 2 {
			for x := range (columns + 1) / 2 {
				set(y, x, uint8(r.bits(4)))
			}
			if r.over() {
				return errTileShort
			}
		}
	case tree:
		h.found = h.found[:0]
		if root := r.group(); root != 0 { // otherwise there is nothing in this plane
			h.found = append(h.found, foundGroup{bits: root})
		}
		levels := bits.Len(uint(max(rows, columns) - 1)) // 2^levels covers the block
		for k := levels - 1; k > 0; k-- {
			// The block in units of 2^k.
			h.descend(r, (rows+1<<k-1)>>k, (columns+1<<k-1)>>k)
			if r.over() {
				return errTileShort
			}
		}
		for _, g := range h.found {
			set(int(g.y), int(g.x), g.bits)
		}
	default:
		return errTileDamage
	}
	if r.over() {
		return errTileShort
	}
	return nil
}

// descend reads a group for each bit of those found, which are cells of rows by
// columns, from the last to the first.
func (h *htransform) descend(r *bitReader, rows, columns int) {
	h.below = h.below[:0]
	for begin := 0; begin < len(h.found); {
		end := begin // of the groups in one row
		for end < len(h.found) && h.found[end].y == h.found[begin].y {
			end++
		}
		for lower := int32(1); lower >= 0; lower-- {
			y := 2*h.found[begin].y + lower
			if int(y) >= rows {
				continue
			}
			for _, g := range h.found[begin:end] {
				for right := int32(1); right >= 0; right-- {
					x := 2*g.x + right
					if g.bits>>(3-2*lower-right)&1 == 0 || int(x) >= columns {
						continue
					}
					if group := r.group(); group != 0 {
						h.below = append(h.below, foundGroup{y, x, group})
					}
				}
			}
		}
		begin = end
	}
	h.found, h.below = h.below, h.found
}

// invert turns coefficients into pixels, from the coarsest level to the finest.
// Each level gives back exactly what was rounded away when it was made: sums
// and differences of the same four numbers share their lowest bits. A smoothing
// scale above 1 moves coefficients by up to half of it.
func (h *htransform) invert(smoothing int64) {
	a := h.a
	levels := bits.Len(uint(max(h.rows, h.columns) - 1))
	// unit is the step of the mixed differences of the level, 2 unit that of
	// the others, 4 unit that of the sums.
	unit := int64(1) << (levels - 1)
	a[0] = roundTo(a[0], 4*unit)
	spare := make([]int64, (max(h.rows, h.columns)+1)/2)
	for level := levels - 1; level >= 0; level-- {
		rows, columns := (h.rows+1<<level-1)>>level, (h.columns+1<<level-1)>>level
		for y := range rows {
			interleave(a[y*h.columns:], columns, 1, spare)
		}
		for x := range columns {
			interleave(a[x:], rows, h.columns, spare)
		}
		if smoothing > 1 {
			h.smooth(rows, columns, smoothing/2)
		}
		shift := 1
		if level == 0 {
			shift = 2
		}
		for y := 0; y < rows; y += 2 {
			for x := 0; x < columns; x += 2 {
				at := y*h.columns + x
				right, below := x+1 < columns, y+1 < rows
				s := a[at]
				switch {
				case right && below:
					h.invertSquare(at, unit, shift)
				case right || below:
					other := at + 1
					if below {
						other = at + h.columns
					}
					d := roundTo(a[other], 2*unit)
					s = towardZero(s, d&(2*unit))
					a[other] = (s + d) >> shift
					a[at] = (s - d) >> shift
				default:
					a[at] = s >> shift
				}
			}
		}
		unit >>= 1
	}
}

// invertSquare undoes one step for the two by two numbers from at on: sum, differences and mixed difference become values.
func (h *htransform) invertSquare(at int, unit int64, shift int) {
	a, below := h.a, at+h.columns
	s := a[at]
	dy := roundTo(a[below], 2*unit)
	dx := roundTo(a[at+1], 2*unit)
	dxy := roundTo(a[below+1], unit)
	low := dxy & unit
	dy, dx = towardZero(dy, low), towardZero(dx, low)
	carry := (dxy ^ dy ^ dx) & (2 * unit)
	if s < 0 && low == 0 {
		s += carry
	} else {
		s += low - carry
	}
	a[below+1] = (s + dy + dx + dxy) >> shift
	a[below] = (s + dy - dx - dxy) >> shift
	a[at+1] = (s - dy + dx - dxy) >> shift
	a[at] = (s - dy - dx + dxy) >> shift
}

// roundTo rounds v to a multiple of unit, a power of two; halves go away from
// zero. A unit of 0 is that of the finest level, where nothing is rounded.
func roundTo(v, unit int64) int64 {
	if unit <= 1 {
		return v
	}
	if v >= 0 {
		v += unit / 2
	} else {
		v += unit/2 - 1
	}
	return v &^ (unit - 1)
}

// towardZero takes by from v, or adds it when v is negative.
func towardZero(v, by int64) int64 {
	if v >= 0 {
		return v - by
	}
	return v + by
}

// interleave puts the second half of n numbers, step apart, between those of
// the first.
func interleave(a []int64, n, step int, spare []int64) {
	half := (n + 1) / 2
	for i := half; i < n; i++ {
		spare[i-half] = a[i*step]
	}
	for i := half - 1; i > 0; i-- {
		a[2*i*step] = a[i*step]
	}
	for i := half; i < n; i++ {
		a[(2*(i-half)+1)*step] = spare[i-half]
	}
}

// smooth moves the differences of a level, by at most most, toward what the
// sums of the neighbours let expect, where those rise or fall evenly.
func (h *htransform) smooth(rows, columns int, most int64) {
	a, down := h.a, h.columns
	// toward gives the new value of a difference d; want is what is expected
	// of 2^shift d, kept within low to high.
	toward := func(d, want, low, high int64, shift int) int64 {
		if low >= high {
			return d
		}
		s := max(min(want, high), low) - d<<shift
		if s < 0 {
			s += 1<<shift - 1
		}
		return d + max(min(s>>shift, most), -most)
	}
	slope := func(before, here, after, d int64) int64 {
		up, low := max(min(after-here, here-before), 0), min(max(after-here, here-before), 0)
		return toward(d, after-before, low<<2, up<<2, 3)
	}
	for y := 2; y < rows-2; y += 2 {
		for x := 0; x < columns; x += 2 {
			at := y*down + x
			a[at+down] = slope(a[at-2*down], a[at], a[at+2*down], a[at+down])
		}
	}
	for y := 0; y < rows; y += 2 {
		for x := 2; x < columns-2; x += 2 {
			at := y*down + x
			a[at+1] = slope(a[at-2], a[at], a[at+2], a[at+1])
		}
	}
	for y := 2; y < rows-2; y += 2 {
		for x := 2; x < columns-2; x += 2 {
			at := y*down + x
			here := a[at]
			// The corners around, by row and column.
			mm, pm, mp, pp := a[at-2*down-2], a[at+2*down-2], a[at-2*down+2], a[at+2*down+2]
			dy, dx := 2*a[at+down], 2*a[at+1]
			high := min(max(pp-here, 0)-dy-dx, max(here-pm, 0)+dy-dx, max(here-mp, 0)-dy+dx, max(mm-here, 0)+dy+dx)
			low := max(min(pp-here, 0)-dy-dx, min(here-pm, 0)+dy-dx, min(here-mp, 0)-dy+dx, min(mm-here, 0)+dy+dx)
			a[at+down+1] = toward(a[at+down+1], pp+mm-mp-pm, low<<4, high<<4, 6)
		}
	}
}
