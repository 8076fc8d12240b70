package fits

import (
	"encoding/binary"
	"errors"
	"math/bits"
)

var (
	errTileShort  = errors.New("its bytes end before its pixels do")
	errTileDamage = errors.New("its bytes follow no rule of the algorithm: damaged")
)

// riceCode holds the widths of Rice coding for one size of number (section
// 10.4.1; Rice, Yeh & Miller 1993, AIAA 93-4541).
type riceCode struct {
	splitBits int // bits that hold the split of a block, plus one
	rawSplit  int // the split that means: differences as they are
	valueBits int
}

// riceCodes has an entry for each BYTEPIX that is read.
var riceCodes = map[int]riceCode{
	1: {splitBits: 3, rawSplit: 6, valueBits: 8},
	2: {splitBits: 4, rawSplit: 14, valueBits: 16},
	4: {splitBits: 5, rawSplit: 25, valueBits: 32},
}

// leastBytes is the length of the shortest stream that holds n numbers: the
// first number and, for each block, a split that says that nothing changes.
func (c riceCode) leastBytes(n, block int) int {
	return c.valueBits/8 + ((n+block-1)/block*c.splitBits+7)/8
}

// unrice decodes len(dst) numbers, coded as differences in blocks. Numbers of
// one byte are unsigned, the others signed.
func unrice(dst []int32, src []byte, c riceCode, block int) error {
	if len(src) < c.leastBytes(len(dst), block) {
		return errTileShort
	}
	var last uint32 // the number before, in its low valueBits
	first := c.valueBits / 8
	for _, b := range src[:first] {
		last = last<<8 | uint32(b)
	}
	src = src[first:]

	// queue holds the next bits, the first one on top: have of them, and below
	// those zeros or already some of what follows. position is where in src the
	// bits behind the have ones stand.
	var queue uint64
	have, position := 0, 0
	const enough = 32 // bits that are at hand for one number, mostly

	narrow := 32 - c.valueBits
	signed := c.valueBits > 8
	for len(dst) > 0 {
		now := dst[:min(block, len(dst))]
		dst = dst[len(now):]
		if have < enough {
			queue, have, position = refill(src, queue, have, position)
		}
		split := int(queue>>(64-c.splitBits)) - 1
		queue <<= c.splitBits
		have -= c.splitBits
		switch {
		case split > c.rawSplit:
			return errTileDamage
		case split < 0:
			for i := range now {
				now[i] = int32(last)
			}
		case split == c.rawSplit:
			for i := range now {
				if have < enough {
					queue, have, position = refill(src, queue, have, position)
				}
				d := uint32(queue >> (64 - c.valueBits))
				queue <<= c.valueBits
				have -= c.valueBits
				last += d>>1 ^ -(d & 1)
				now[i] = int32(last)
			}
		default:
			// The masks (&63) change nothing and spare a comparison a shift.
			low := uint(split)
			for i := range now {
				if have < enough {
					queue, have, position = refill(src, queue, have, position)
				}
				// The upper part of the difference is a count of zeros
				// before a one.
				zeros := bits.LeadingZeros64(queue)
				upper := zeros
				for zeros >= have {
					if position > len(src)+8 {
						return errTileShort
					}
					upper -= zeros - have
					queue, have, position = refill(src, 0, 0, position)
					zeros = bits.LeadingZeros64(queue)
					upper += zeros
				}
				queue = queue << (uint(zeros) & 63) << 1
				have -= zeros + 1
				if have < split {
					queue, have, position = refill(src, queue, have, position)
				}
				d := uint32(uint64(upper)<<(low&63) | queue>>1>>((63-low)&63))
				queue <<= low & 63
				have -= split
				last += d>>1 ^ -(d & 1)
				now[i] = int32(last)
			}
		}
		// Sums run over in more bits than a number has; the excess is cut off
		// here, which gives the same.
		if signed {
			for i, v := range now {
				now[i] = v << narrow >> narrow
			}
		} else {
			for i, v := range now {
				now[i] = int32(uint32(v) << narrow >> narrow)
			}
		}
		if position-len(src) > have>>3 { // more than there is
			return errTileShort
		}
	}
	return nil
}

// refill brings a queue of bits to at least 56.
func refill(src []byte, queue uint64, have, position int) (uint64, int, int) {
	if position+8 <= len(src) {
		return queue | binary.BigEndian.Uint64(src[position:])>>(have&63), have | 56, position + (63-have)>>3
	}
	return refillSlowly(src, queue, have, position)
}

// refillSlowly is for the last bytes. Behind them come zeros, which count in
// position.
func refillSlowly(src []byte, queue uint64, have, position int) (uint64, int, int) {
	for have <= 56 {
		if position < len(src) {
			queue |= uint64(src[position]) << (56 - have)
		}
		position++
		have += 8
	}
	return queue, have, position
}
