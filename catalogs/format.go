package catalogs

import (
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"slices"

	"polard/catalogs/cells"
	"polard/mountmodel/sky"
)

// The file, all numbers little-endian:
//
//	 0   8  magic
//	 8   4  version
//	12   4  n, cells along an edge of the cube
//	16   4  number of stars
//	20   4  number of fast stars
//	24   4  CRC-32 (IEEE) of the whole file with these four bytes zero
//	28   4  zero
//	32  32  SHA-256 that names the source
//	64      first star of each cell, and the number of stars: 6 n n + 1 times 4 bytes
//	        fast stars, by ascending index: index, proper motion in right
//	        ascension times cos(dec) and in declination in 0.1 mas/yr, 4 bytes each
//	        stars: 7 bytes each
//
// A star is u and v within its cell (2 bytes each: 65536 steps, the place is
// the middle of the step), V (1 byte: brightestV + code/stepsPerMag) and the
// proper motion in right ascension times cos(dec) and in declination (1 byte
// each, signed, mas/yr). The first of the two is -128 for a star whose motion
// does not fit; the second then says whether it is unknown or in the table.
const (
	magic         = "PLDSTARS"
	formatVersion = 1

	headerSize = 64
	crcOffset  = 24
	firstSize  = 4
	fastSize   = 12
	starSize   = 7

	stepsPerCell = 1 << 16

	brightestV  = -1.5
	stepsPerMag = 15 // the range ends at V = 15.5; half a step is 0.0333

	pmLimit   = 127 // mas/yr that fit a byte
	pmSpecial = -128
	pmUnknown = 0
	pmFast    = 1

	fastPerMas = 10 // the published files give tenths
)

// bundledPerEdge gives cells of 0.94 degree, 46 stars on average. A step s of
// u and v is then 0.0515 arcsecond, and the corner of a step is farthest from
// its middle at the corners of the cube, where the lines of u and v meet at 60
// degrees: s/2 sqrt(8/3) = 0.0421 arcsecond. (With X = tan u and Y = tan v the
// squared diagonal is s^2 (1+X^2)(1+Y^2)(2+(|X|+|Y|)^2)/(1+X^2+Y^2)^2, which
// grows from 2 s^2 to 8/3 s^2.)
const bundledPerEdge = 96

// Kinds of error of [Parse].
var (
	ErrNotCatalogue = errors.New("not a star catalogue file of polard")
	ErrVersion      = errors.New("star catalogue file of another version")
	ErrDamaged      = errors.New("star catalogue file is damaged")
)

// header is the fixed part of the file.
type header struct {
	perEdge, stars, fast uint32
	source               [32]byte
}

func (h header) cells() int { return cells.Faces * int(h.perEdge) * int(h.perEdge) }

// fileSize holds for any header, also an absurd one, without overflow.
func (h header) fileSize() uint64 {
	n := uint64(h.perEdge)
	return headerSize + firstSize*(cells.Faces*n*n+1) + fastSize*uint64(h.fast) + starSize*uint64(h.stars)
}

func parseHeader(data []byte) (header, error) {
	var h header
	if len(data) < headerSize || string(data[:len(magic)]) != magic {
		return h, ErrNotCatalogue
	}
	le := binary.LittleEndian
	if v := le.Uint32(data[8:]); v != formatVersion {
		return h, fmt.Errorf("%w: it has version %d, this program reads version %d; compile it again with catalogs/compile",
			ErrVersion, v, formatVersion)
	}
	h = header{perEdge: le.Uint32(data[12:]), stars: le.Uint32(data[16:]), fast: le.Uint32(data[20:])}
	copy(h.source[:], data[32:])
	if h.perEdge < cells.MinPerEdge || h.perEdge > cells.MaxPerEdge || h.stars > math.MaxInt32 || h.fast > h.stars {
		return h, damaged("the header claims %d cells an edge, %d stars, %d fast ones", h.perEdge, h.stars, h.fast)
	}
	if want := h.fileSize(); uint64(len(data)) != want {
		return h, damaged("it is %d bytes long and should be %d", len(data), want)
	}
	if got, want := checksum(data), le.Uint32(data[crcOffset:]); got != want {
		return h, damaged("its checksum is %08x and should be %08x", got, want)
	}
	return h, nil
}

func damaged(format string, args ...any) error {
	return fmt.Errorf("%w: %s; get the program or the file again", ErrDamaged, fmt.Sprintf(format, args...))
}

func checksum(data []byte) uint32 {
	c := crc32.ChecksumIEEE(data[:crcOffset])
	c = crc32.Update(c, crc32.IEEETable, []byte{0, 0, 0, 0})
	return crc32.Update(c, crc32.IEEETable, data[crcOffset+4:])
}

// packed is a star on its way into the file.
type packed struct {
	cell uint32
	code [starSize]byte
	pm   [2]int32 // tenths of mas/yr, for the table of fast stars
}

func (p packed) fast() bool { return isFast(p.code[:]) }

func isFast(code []byte) bool    { return int8(code[5]) == pmSpecial && code[6] == pmFast }
func isUnknown(code []byte) bool { return int8(code[5]) == pmSpecial && code[6] == pmUnknown }

// Encode lays stars out as a catalogue file that [Parse] reads. ID is not
// looked at: a star's index is its place in the file, by cell, then V, place
// and motion, whatever the order of the stars given. source names the files
// that the stars come from. A star that does not fit is an error.
func Encode(stars []Star, source [32]byte) ([]byte, error) {
	return encode(stars, source, bundledPerEdge)
}

func encode(stars []Star, source [32]byte, perEdge int) ([]byte, error) {
	if uint64(len(stars)) > math.MaxInt32 {
		return nil, fmt.Errorf("%d stars do not fit a catalogue file", len(stars))
	}
	list := make([]packed, len(stars))
	fast := 0
	for i, s := range stars {
		p, err := pack(s, perEdge)
		if err != nil {
			return nil, fmt.Errorf("star %d of those given: %w", i, err)
		}
		list[i] = p
		if p.fast() {
			fast++
		}
	}
	slices.SortFunc(list, func(a, b packed) int {
		return cmp.Or(
			cmp.Compare(a.cell, b.cell),
			cmp.Compare(a.code[4], b.code[4]),
			slices.Compare(a.code[:4], b.code[:4]),
			slices.Compare(a.code[5:], b.code[5:]),
			slices.Compare(a.pm[:], b.pm[:]),
		)
	})

	h := header{perEdge: uint32(perEdge), stars: uint32(len(list)), fast: uint32(fast), source: source}
	le := binary.LittleEndian
	out := make([]byte, headerSize, h.fileSize())
	copy(out, magic)
	le.PutUint32(out[8:], formatVersion)
	le.PutUint32(out[12:], h.perEdge)
	le.PutUint32(out[16:], h.stars)
	le.PutUint32(out[20:], h.fast)
	copy(out[32:], h.source[:])
	i := 0
	for cell := range h.cells() {
		out = le.AppendUint32(out, uint32(i))
		for i < len(list) && list[i].cell == uint32(cell) {
			i++
		}
	}
	out = le.AppendUint32(out, h.stars)
	for i, p := range list {
		if p.fast() {
			out = le.AppendUint32(out, uint32(i))
			out = le.AppendUint32(out, uint32(p.pm[0]))
			out = le.AppendUint32(out, uint32(p.pm[1]))
		}
	}
	for _, p := range list {
		out = append(out, p.code[:]...)
	}
	le.PutUint32(out[crcOffset:], checksum(out))
	return out, nil
}

func pack(s Star, perEdge int) (packed, error) {
	if !cells.IsDirection(s.Dir) {
		return packed{}, fmt.Errorf("direction %v is not a unit vector", s.Dir)
	}
	face, u, v := cells.Locate(sky.Vec(s.Dir), int64(perEdge)*stepsPerCell)
	p := packed{cell: uint32((face*perEdge+int(v/stepsPerCell))*perEdge + int(u/stepsPerCell))}
	binary.LittleEndian.PutUint16(p.code[0:], uint16(u%stepsPerCell))
	binary.LittleEndian.PutUint16(p.code[2:], uint16(v%stepsPerCell))

	// The conversion keeps multiply and add apart, so that every machine
	// writes the same file.
	mag := math.Floor(float64((float64(s.V)-brightestV)*stepsPerMag) + 0.5)
	if !(mag >= 0 && mag <= math.MaxUint8) {
		return packed{}, fmt.Errorf("magnitude V %g is outside %g to %g", s.V, brightestV, brightestV+math.MaxUint8/float64(stepsPerMag))
	}
	p.code[4] = uint8(mag)

	if !s.HasPM {
		setMotionCode(&p, pmSpecial, pmUnknown)
		return p, nil
	}
	ra, dec := math.Round(float64(s.PMRA)), math.Round(float64(s.PMDec))
	if math.Abs(ra) <= pmLimit && math.Abs(dec) <= pmLimit {
		setMotionCode(&p, int8(ra), int8(dec))
		return p, nil
	}
	ra, dec = math.Round(float64(s.PMRA)*fastPerMas), math.Round(float64(s.PMDec)*fastPerMas)
	if !(math.Abs(ra) <= math.MaxInt32 && math.Abs(dec) <= math.MaxInt32) {
		return packed{}, fmt.Errorf("proper motion %g, %g mas/yr does not fit", s.PMRA, s.PMDec)
	}
	p.pm = [2]int32{int32(ra), int32(dec)}
	setMotionCode(&p, pmSpecial, pmFast)
	return p, nil
}

func setMotionCode(p *packed, ra, dec int8) { p.code[5], p.code[6] = byte(ra), byte(dec) }
