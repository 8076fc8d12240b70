package alpaca

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"

	"polard/cmd/polard/internal/devices"
	"polard/mountmodel/sky"
)

// maxPixels bounds a picture, as for files.
const maxPixels = 1 << 28

// Element types (ImageBytes, section 7.2).
const (
	typeInt16 = iota + 1
	typeInt32
	typeDouble
	typeSingle
	typeUInt64
	typeByte
	typeInt64
	typeUInt16
	typeUInt32
)

// sizes of the types in bytes.
var sizes = map[int32]int{
	typeInt16: 2, typeInt32: 4, typeDouble: 8, typeSingle: 4, typeUInt64: 8, typeByte: 1, typeInt64: 8, typeUInt16: 2, typeUInt32: 4,
}

// metadataBytes is the length of the metadata, eleven numbers of 32 bits (section 7.1).
const metadataBytes = 44

// picture is what a camera gave: row-major, row 0 first, colours averaged.
type picture struct {
	width, height int
	pix           []float32
}

// imageBytes reads the binary form of a picture. The serial order is by column (section 8.1).
func imageBytes(b []byte) (picture, error) {
	if len(b) < metadataBytes {
		return picture{}, fmt.Errorf("%w: %d bytes", devices.ErrCut, len(b))
	}
	field := func(i int) int32 { return int32(binary.LittleEndian.Uint32(b[4*i:])) }
	version, number, start, kind, rank := field(0), field(1), int64(field(4)), field(6), field(7)
	if version != 1 {
		return picture{}, sky.Refuse(devices.ErrDevice, "picture_odd", "a picture in version %d of the form; version 1 is known", version)
	}
	if start < metadataBytes || start > int64(len(b)) {
		return picture{}, fmt.Errorf("%w: the picture's data begin at byte %d of %d", devices.ErrCut, start, len(b))
	}
	data := b[start:]
	if number != 0 {
		return picture{}, refused(int(number), string(bytes.ToValidUTF8(data[:min(len(data), maxErrorWords)], nil)))
	}
	planes := int64(1)
	if rank == 3 {
		planes = int64(field(10))
	}
	width, height := int64(field(8)), int64(field(9))
	size := int64(sizes[kind])
	switch {
	case rank != 2 && rank != 3 || size == 0:
		return picture{}, sky.Refuse(devices.ErrDevice, "picture_odd", "a picture of rank %d and type %d", rank, kind)
	case width < 1 || height < 1 || planes < 1 || planes > 4 || width > maxPixels/height || width*height*planes > maxPixels:
		return picture{}, sky.Refuse(devices.ErrDevice, "picture_odd", "a picture of %d x %d x %d", width, height, planes)
	case int64(len(data)) < width*height*planes*size:
		return picture{}, fmt.Errorf("%w: %d of %d bytes", devices.ErrCut, len(data), width*height*planes*size)
	}
	p := picture{int(width), int(height), make([]float32, width*height)}
	value := element(kind)
	i := 0
	for x := range p.width {
		for y := range p.height {
			sum := 0.0
			for range planes {
				sum += value(data[i:])
				i += int(size)
			}
			p.pix[y*p.width+x] = float32(sum / float64(planes))
		}
	}
	return p, nil
}

// element reads one value of a type (section 8.2: little endian).
func element(kind int32) func([]byte) float64 {
	le := binary.LittleEndian
	switch kind {
	case typeInt16:
		return func(b []byte) float64 { return float64(int16(le.Uint16(b))) }
	case typeInt32:
		return func(b []byte) float64 { return float64(int32(le.Uint32(b))) }
	case typeDouble:
		return func(b []byte) float64 { return math.Float64frombits(le.Uint64(b)) }
	case typeSingle:
		return func(b []byte) float64 { return float64(math.Float32frombits(le.Uint32(b))) }
	case typeUInt64:
		return func(b []byte) float64 { return float64(le.Uint64(b)) }
	case typeByte:
		return func(b []byte) float64 { return float64(b[0]) }
	case typeInt64:
		return func(b []byte) float64 { return float64(int64(le.Uint64(b))) }
	case typeUInt16:
		return func(b []byte) float64 { return float64(le.Uint16(b)) }
	}
	return func(b []byte) float64 { return float64(le.Uint32(b)) }
}

// imageJSON reads a picture that was sent as JSON: Value[x][y] or Value[x][y][colour].
func imageJSON(b []byte) (picture, error) {
	var a struct {
		Value        []json.RawMessage
		ErrorNumber  int
		ErrorMessage string
	}
	if err := json.Unmarshal(plain(b), &a); err != nil {
		return picture{}, fmt.Errorf("%w: its JSON breaks off", devices.ErrCut)
	}
	if a.ErrorNumber != 0 {
		return picture{}, refused(a.ErrorNumber, a.ErrorMessage)
	}
	var p picture
	p.width = len(a.Value)
	for x, text := range a.Value {
		column, err := columnJSON(text)
		if err != nil || len(column) == 0 || x > 0 && len(column) != p.height {
			return picture{}, sky.Refuse(devices.ErrDevice, "picture_odd", "column %d of its JSON is none", x)
		}
		if x == 0 {
			p.height = len(column)
			p.pix = make([]float32, p.width*p.height)
		}
		for y, v := range column {
			p.pix[y*p.width+x] = float32(v)
		}
	}
	if p.width == 0 {
		return picture{}, sky.Refuse(devices.ErrDevice, "picture_odd", "an empty picture")
	}
	return p, nil
}

func columnJSON(text json.RawMessage) ([]float64, error) {
	var plain []float64
	if json.Unmarshal(text, &plain) == nil {
		return plain, nil
	}
	var colours [][]float64
	if err := json.Unmarshal(text, &colours); err != nil {
		return nil, err
	}
	out := make([]float64, len(colours))
	for y, c := range colours {
		for _, v := range c {
			out[y] += v / float64(len(c))
		}
	}
	return out, nil
}
