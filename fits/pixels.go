package fits

import (
	"encoding/binary"
	"fmt"
	"math"
	"runtime"
	"sync"
)

// scaling is how stored numbers become physical values: BZERO + BSCALE x
// stored; for the integer types, stored = BLANK is undefined (section 4.4.2.5).
type scaling struct {
	bitpix      int
	zero, scale float64
	blank       int64
	hasBlank    bool
}

// readScaling reads BZERO, BSCALE and BLANK of the unit itself: an extension
// does not inherit them. In a compressed image ZBLANK goes before BLANK, and
// both are about the whole numbers that stand for real ones (section 10.2.2).
func readScaling(bitpix int, compressed bool, own *header) (scaling, []string, error) {
	h := header{values: own.values}
	s := scaling{bitpix: bitpix, scale: 1}
	var warnings []string
	if v, _, ok := h.number("BZERO"); ok {
		s.zero = v
	}
	if v, _, ok := h.number("BSCALE"); ok {
		s.scale = v
	}
	if s.scale == 0 {
		return scaling{}, nil, fmt.Errorf("%w: BSCALE is 0: every pixel would have the same value", ErrMalformed)
	}
	blank := []string{"BLANK"}
	if compressed {
		if blank = []string{"ZBLANK", "BLANK"}; bitpix < 0 {
			return s, nil, nil
		}
	}
	if v, key, ok := h.number(blank...); ok {
		if n, whole := own.integers[key]; whole && bitpix > 0 {
			s.blank, s.hasBlank = n, true
		} else if bitpix < 0 {
			warnings = append(warnings, "BLANK means nothing for floating-point pixels and was passed over")
		} else if v == math.Trunc(v) && v >= -1<<63 && v < 1<<63 {
			s.blank, s.hasBlank = int64(v), true
		}
	}
	return s, warnings, nil
}

// fullScale is the largest physical value that the integer types can hold, or
// 0 for types so wide that no camera fills them.
func (s scaling) fullScale() float64 {
	var stored float64
	switch s.bitpix {
	case 8:
		stored = math.MaxUint8
	case 16:
		stored = math.MaxInt16
	default:
		return 0
	}
	if s.scale < 0 { // then the smallest stored value is the brightest
		stored = map[int]float64{8: 0, 16: math.MinInt16}[s.bitpix]
	}
	return s.zero + s.scale*stored
}

// quantum is the step between physical values, 0 for floating-point types.
func (s scaling) quantum() float32 {
	if s.bitpix < 0 {
		return 0
	}
	return float32(math.Abs(s.scale))
}

// convert turns big-endian stored numbers into physical values; what is
// undefined or not finite becomes NaN. raw holds len(dst) numbers.
func (s scaling) convert(dst []float32, raw []byte) {
	switch s.bitpix {
	case 8:
		// 256 stored values: a table serves every scaling.
		var table [1 << 8]float32
		for v := range table {
			table[v] = s.physical(int64(v))
		}
		for i, b := range raw[:len(dst)] {
			dst[i] = table[b]
		}
	case 16:
		s.convert16(dst, raw)
	case 32:
		for i := range dst {
			dst[i] = s.physical(int64(int32(binary.BigEndian.Uint32(raw[4*i:]))))
		}
	case 64:
		for i := range dst {
			dst[i] = s.physical64(int64(binary.BigEndian.Uint64(raw[8*i:])))
		}
	case -32:
		for i := range dst {
			dst[i] = s.real(float64(math.Float32frombits(binary.BigEndian.Uint32(raw[4*i:]))))
		}
	case -64:
		for i := range dst {
			dst[i] = s.real(math.Float64frombits(binary.BigEndian.Uint64(raw[8*i:])))
		}
	}
}

// partPixels is how many pixels are worth a goroutine.
const partPixels = 1 << 18

// inParts calls do for the parts of n pixels, side by side.
func inParts(n int, do func(from, to int)) {
	parts := max(1, min(runtime.GOMAXPROCS(0), n/partPixels))
	var wg sync.WaitGroup
	for i := range parts {
		wg.Go(func() { do(i*n/parts, (i+1)*n/parts) })
	}
	wg.Wait()
}

// convert16 is the way of nearly every frame: without BLANK and with BSCALE 1
// and a whole BZERO, the sum is exact in float32's 24 bits.
func (s scaling) convert16(dst []float32, raw []byte) {
	raw = raw[:2*len(dst)]
	if s.hasBlank || s.scale != 1 || s.zero != math.Trunc(s.zero) || math.Abs(s.zero) > 1<<20 {
		for i := range dst {
			dst[i] = s.physical(int64(int16(binary.BigEndian.Uint16(raw[2*i:]))))
		}
		return
	}
	zero := int32(s.zero)
	for len(dst) >= 4 { // four pixels a load
		word := binary.BigEndian.Uint64(raw)
		d := dst[:4:4]
		d[0] = float32(int32(int16(word>>48)) + zero)
		d[1] = float32(int32(int16(word>>32)) + zero)
		d[2] = float32(int32(int16(word>>16)) + zero)
		d[3] = float32(int32(int16(word)) + zero)
		dst, raw = dst[4:], raw[8:]
	}
	for i := range dst {
		dst[i] = float32(int32(int16(binary.BigEndian.Uint16(raw[2*i:]))) + zero)
	}
}

func (s scaling) physical(stored int64) float32 {
	if s.hasBlank && stored == s.blank {
		return float32(math.NaN())
	}
	return s.real(float64(stored))
}

// physical64 is physical for numbers that a float64 does not hold: those of an unsigned
// image (BZERO = 2^63, table 11) lie near -2^63, where its steps are 1024. Their upper half
// is added to BZERO first, in one rounding: the two all but cancel there.
func (s scaling) physical64(stored int64) float32 {
	if s.hasBlank && stored == s.blank {
		return float32(math.NaN())
	}
	lower := stored & (1<<32 - 1)
	v := float32(math.FMA(s.scale, float64(stored-lower), s.zero) + s.scale*float64(lower))
	if math.IsInf(float64(v), 0) {
		return float32(math.NaN())
	}
	return v
}

// real gives NaN also for a value beyond float32: no pixel of a Frame is
// infinite.
func (s scaling) real(stored float64) float32 {
	v := float32(s.zero + s.scale*stored)
	if math.IsInf(float64(v), 0) {
		return float32(math.NaN())
	}
	return v
}
