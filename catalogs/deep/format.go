package deep

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
)

// The file, all numbers little-endian:
//
//	 0   8  magic
//	 8   4  version
//	12   4  cells along an edge of the cube
//	16   4  number of stars
//	20   4  bytes of the sources
//	24   4  CRC-32C of header, sources and tables, with these four bytes zero
//	28   4  CRC-32C of the stars
//	32  32  SHA-256 that names the bundled catalogue merged with (catalogs.Catalogue.Source)
//	64      sources: JSON, filled with blanks to a multiple of 8
//	        depth of each cell: 1 byte, tenths of a magnitude of the faintest star added; 0 where none was
//	        first star of each cell, and the number of stars: 4 bytes each
//	        stars, by cell and from bright to faint: 14 bytes each (record.go)
const (
	magic         = "PLDDEEP\n"
	formatVersion = 1
	headerSize    = 64
	crcOffset     = 24
	starsOffset   = 28
	bundledOffset = 32
	firstSize     = 4

	mostSources = 1 << 24 // bytes
)

// Kinds of error of parse.
var (
	ErrNotCatalogue = errors.New("not an added star catalogue of polard")
	ErrVersion      = errors.New("an added star catalogue of another version of polard")
	ErrDamaged      = errors.New("the added star catalogue is damaged")
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// Source is one file that was added.
type Source struct {
	File   string  `json:"file"`   // its name
	SHA256 string  `json:"sha256"` // of its bytes
	Added  string  `json:"added"`  // day, UTC
	Format string  `json:"format"`
	Query  string  `json:"query,omitempty"`
	Credit string  `json:"credit,omitempty"` // how the archive asks to be acknowledged
	Epoch  float64 `json:"epoch"`            // Julian year of its places
	Rows   int64   `json:"rows"`
	Stars  int64   `json:"stars"` // of them with a magnitude
}

// layout is where the parts of a file lie.
type layout struct{ sources, depths, first, stars, end uint64 }

func layoutOf(sources, stars uint32) layout {
	l := layout{sources: headerSize}
	l.depths = l.sources + uint64(sources)
	l.first = l.depths + cellCount
	l.stars = l.first + firstSize*(cellCount+1)
	l.end = l.stars + recordSize*uint64(stars)
	return l
}

func damaged(format string, args ...any) error {
	return fmt.Errorf("%w: %s; add the extracts again", ErrDamaged, fmt.Sprintf(format, args...))
}

// parse reads a file where it lies in memory; data must not change afterwards. What it accepts never makes a
// reader fail; whether the stars are those that were written, Verify tells.
func parse(data []byte) (*Catalogue, error) {
	le := binary.LittleEndian
	if len(data) < headerSize || string(data[:len(magic)]) != magic {
		return nil, ErrNotCatalogue
	}
	if v, n := le.Uint32(data[8:]), le.Uint32(data[12:]); v != formatVersion || n != perEdge {
		return nil, fmt.Errorf("%w: it has version %d with %d cells, this program reads %d with %d; add the extracts again", ErrVersion, v, n, formatVersion, perEdge)
	}
	stars, sources := le.Uint32(data[16:]), le.Uint32(data[20:])
	if stars > math.MaxInt32 || sources > mostSources {
		return nil, damaged("it claims %d stars", stars)
	}
	l := layoutOf(sources, stars)
	if uint64(len(data)) != l.end {
		return nil, damaged("it is %d bytes long and should be %d", len(data), l.end)
	}
	if got, want := headSum(data[:l.stars]), le.Uint32(data[crcOffset:]); got != want {
		return nil, damaged("the checksum of its tables is %08x and should be %08x", got, want)
	}
	c := &Catalogue{depths: data[l.depths:l.first], first: data[l.first:l.stars], stars: data[l.stars:]}
	c.starsSum = le.Uint32(data[starsOffset:])
	if err := json.Unmarshal(data[l.sources:l.depths], &c.sources); err != nil {
		return nil, damaged("its sources cannot be read (%v)", err)
	}
	before := uint32(0)
	for i := range cellCount + 1 {
		f := le.Uint32(c.first[firstSize*i:])
		if f < before || f > stars || i == 0 && f != 0 {
			return nil, damaged("cell %d starts at star %d", i, f)
		}
		before = f
	}
	if before != stars {
		return nil, damaged("the cells end at star %d of %d", before, stars)
	}
	return c, nil
}

// headSum is the checksum of everything before the stars.
func headSum(head []byte) uint32 {
	c := crc32.Checksum(head[:crcOffset], castagnoli)
	c = crc32.Update(c, castagnoli, []byte{0, 0, 0, 0})
	return crc32.Update(c, castagnoli, head[crcOffset+4:])
}

// head encodes everything before the stars.
func head(sources []Source, stars uint32, starsSum uint32, bundled [32]byte, depths []byte, first []uint32) ([]byte, error) {
	text, err := json.Marshal(sources)
	if err != nil {
		return nil, err
	}
	for len(text)%8 != 0 {
		text = append(text, ' ')
	}
	le := binary.LittleEndian
	out := make([]byte, headerSize, layoutOf(uint32(len(text)), 0).stars)
	copy(out, magic)
	le.PutUint32(out[8:], formatVersion)
	le.PutUint32(out[12:], perEdge)
	le.PutUint32(out[16:], stars)
	le.PutUint32(out[20:], uint32(len(text)))
	le.PutUint32(out[starsOffset:], starsSum)
	copy(out[bundledOffset:], bundled[:])
	out = append(out, text...)
	out = append(out, depths...)
	for _, f := range first {
		out = le.AppendUint32(out, f)
	}
	le.PutUint32(out[crcOffset:], headSum(out))
	return out, nil
}
