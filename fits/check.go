package fits

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"math/bits"
	"strconv"
	"strings"
)

// Bounds on what a header may claim. They hold before anything is reserved.
const (
	// maxPixels bounds an image: 2^28 values are 90 megapixels in three
	// colours, or a monochrome sensor of 268 megapixels; the largest cameras
	// on the market have about 150 (from memory). The Frame then takes 1 GiB.
	maxPixels = 1 << 28
	// maxUnitBytes bounds a data unit and maxFileBytes a file: about 1 GiB,
	// so that an offset in the file plus a claimed size fits 31 bits, which is
	// what an int holds on a 32-bit computer at the mount.
	maxUnitBytes = 1<<30 - 1<<20
	maxFileBytes = 1<<30 - 1<<20
	// maxHeaderBytes bounds a header: 52,000 cards. Headers of the trade have
	// some tens to some hundreds.
	maxHeaderBytes = 4 << 20
	// maxUnits bounds the units up to the first image: cameras put none before it, archives some tables.
	maxUnits = 1000
	// maxAxes is the bound of the standard on NAXIS (section 4.4.1.1).
	maxAxes = 999
)

// unitKind is the kind of a header-data unit.
type unitKind int

const (
	imageUnit  unitKind = iota // primary array or IMAGE extension
	groupsUnit                 // random groups (section 6)
	tableUnit                  // TABLE or BINTABLE extension
	tilesUnit                  // BINTABLE that holds a compressed image (section 10.1)
	otherUnit                  // an extension of a kind not in the standard
)

// unit is a header-data unit whose structure has been checked.
type unit struct {
	kind      unitKind
	header    []byte // cards up to, without, END
	bitpix    int
	axes      []int  // NAXIS1, NAXIS2 ...
	name      string // XTENSION, or what compresses a tilesUnit
	dataStart int    // offset in the file
	dataSize  int    // bytes, without the fill to whole blocks
}

// end is where the next unit starts.
func (u *unit) end() int { return u.dataStart + u.dataSize + padding(u.dataSize) }

// readUnit checks the unit that starts at offset start of the file; data is
// what the file holds from there on, at least the header. Pixels may be missing:
// the caller compares dataStart + dataSize with the length of the file.
func readUnit(data []byte, start int) (*unit, error) {
	header, size, err := readHeader(data, start == 0)
	if err != nil {
		return nil, err
	}
	u := &unit{header: header, dataStart: start + size}
	s := readStructure(header, unitKeyword)
	if start == 0 {
		switch simple, err := s.text("SIMPLE"); {
		case err != nil:
			return nil, err
		case simple == "F":
			return nil, fmt.Errorf("%w: SIMPLE = F: the file itself says that it does not follow the standard", ErrUnsupported)
		case simple != "T":
			return nil, fmt.Errorf("%w: SIMPLE is %q, neither T nor F", ErrMalformed, simple)
		}
	} else {
		if u.name, err = s.text("XTENSION"); err != nil {
			return nil, err
		}
		switch u.name {
		case "IMAGE", "IUEIMAGE":
		case "TABLE", "BINTABLE", "A3DTABLE":
			u.kind = tableUnit
		default:
			u.kind = otherUnit
		}
	}
	if u.bitpix, err = s.integer("BITPIX", -64, 64); err != nil {
		return nil, err
	}
	switch u.bitpix {
	case 8, 16, 32, 64, -32, -64:
	default:
		return nil, fmt.Errorf("%w: BITPIX is %d; it may be 8, 16, 32, 64, -32 or -64", ErrMalformed, u.bitpix)
	}
	naxis, err := s.integer("NAXIS", 0, maxAxes)
	if err != nil {
		return nil, err
	}
	for i := range naxis {
		n, err := s.integer("NAXIS"+strconv.Itoa(i+1), 0, math.MaxInt32)
		if err != nil {
			return nil, err
		}
		u.axes = append(u.axes, n)
	}
	if u.kind == tableUnit {
		// The conventions of tile compression: ZIMAGE and ZCMPTYPE (section 10.1.1).
		if v, err := s.text("ZIMAGE"); err == nil && v == "T" {
			u.kind = tilesUnit
			u.name, _ = s.text("ZCMPTYPE")
		}
	}
	return u, s.size(u, start == 0)
}

// size computes dataSize: |BITPIX|/8 x GCOUNT x (PCOUNT + NAXIS1 x ... x NAXISm)
// bytes (sections 4.4.1.2 and 6.1.1).
func (s structure) size(u *unit, primary bool) error {
	if len(u.axes) == 0 {
		return nil
	}
	pcount, gcount := 0, 1
	axes := u.axes
	if primary {
		if v, err := s.text("GROUPS"); err == nil && v == "T" && axes[0] == 0 {
			u.kind = groupsUnit
			axes = axes[1:]
		}
	}
	if !primary || u.kind == groupsUnit {
		var err error
		if pcount, err = s.count("PCOUNT", 0); err != nil {
			return err
		}
		if gcount, err = s.count("GCOUNT", 1); err != nil {
			return err
		}
		if u.kind == imageUnit && (pcount != 0 || gcount != 1) {
			return fmt.Errorf("%w: an IMAGE extension with PCOUNT %d and GCOUNT %d; they must be 0 and 1", ErrMalformed, pcount, gcount)
		}
	}
	total := uint64(1)
	for _, a := range axes {
		hi, lo := bits.Mul64(total, uint64(a))
		if hi != 0 || lo > maxUnitBytes {
			return claim(u)
		}
		total = lo
	}
	if u.kind == imageUnit && total > maxPixels {
		return claim(u)
	}
	hi, lo := bits.Mul64(total+uint64(pcount), uint64(gcount)*uint64(max(u.bitpix, -u.bitpix)/8))
	if hi != 0 || lo > maxUnitBytes {
		return claim(u)
	}
	u.dataSize = int(lo)
	return nil
}

func claim(u *unit) error {
	return fmt.Errorf("%w: the header claims %s values; at most %d are read", ErrUnsupported, times(u.axes), maxPixels)
}

// times writes axes as "650 x 500".
func times(axes []int) string {
	var b strings.Builder
	for i, a := range axes {
		if i == 8 { // NAXIS may be 999
			fmt.Fprintf(&b, " x ... (%d axes)", len(axes))
			break
		}
		if i > 0 {
			b.WriteString(" x ")
		}
		b.WriteString(strconv.Itoa(a))
	}
	return b.String()
}

var (
	firstKeyword     = []byte("SIMPLE  =")
	extensionKeyword = []byte("XTENSION=")
	endCard          = []byte("END     ")
)

// readHeader finds the cards of the header at the start of data: those before
// END, and the size of the header in whole blocks.
func readHeader(data []byte, primary bool) (cards []byte, size int, err error) {
	first := extensionKeyword
	if primary {
		first = firstKeyword
	}
	if n := min(len(data), len(first)); !bytes.Equal(data[:n], first[:n]) {
		if primary && len(bytes.Trim(data[:min(len(data), blockSize)], "\x00")) == 0 {
			return nil, 0, fmt.Errorf("%w: only zeros so far", ErrIncomplete)
		}
		return nil, 0, fmt.Errorf("%w: begins with %q, not with %q; save frames as FITS", ErrMalformed, data[:n], first)
	}
	for off := 0; ; off += cardSize {
		if off+cardSize > maxHeaderBytes {
			return nil, 0, fmt.Errorf("%w: no END card in the first %d MB", ErrMalformed, maxHeaderBytes>>20)
		}
		card := data[off:min(off+cardSize, len(data))]
		// A keyword is ASCII text (section 4.1.2.1). Anything else is data
		// that follows a header without END. Values and comments are not held
		// to that: camera programs write degree signs and names as people spell
		// them.
		for _, c := range card[:min(8, len(card))] {
			if c < 0x20 || c > 0x7e {
				return nil, 0, fmt.Errorf("%w: header card %d is not text: END is missing or the file is damaged", ErrMalformed, off/cardSize+1)
			}
		}
		if len(card) < cardSize {
			return nil, 0, fmt.Errorf("%w: ends after %d bytes, within the header", ErrIncomplete, len(data))
		}
		if bytes.HasPrefix(card, endCard) {
			return data[:off], off + cardSize + padding(off+cardSize), nil
		}
	}
}

// unitKeyword tells the keywords that fix how long a unit is and what it holds.
func unitKeyword(k string) bool {
	switch k {
	case "SIMPLE", "XTENSION", "BITPIX", "PCOUNT", "GCOUNT", "GROUPS", "ZIMAGE", "ZCMPTYPE":
		return true
	}
	return strings.HasPrefix(k, "NAXIS")
}

// structure holds the keywords that fix the layout of a unit, read straight
// from its cards: they are needed before anybody else may look at the header.
type structure map[string]structural

type structural struct {
	value string
	err   error
}

func readStructure(cards []byte, wanted func(keyword string) bool) structure {
	s := structure{}
	for off := 0; off < len(cards); off += cardSize {
		card := cards[off : off+cardSize]
		keyword := cardKeyword(card)
		if !wanted(keyword) {
			continue
		}
		v, kind := cardValue(card)
		now := structural{value: v}
		if kind == noValue {
			now.err = fmt.Errorf("%w: %s has no legal value", ErrMalformed, keyword)
		}
		switch before, found := s[keyword]; {
		case !found:
			s[keyword] = now
		case before.err == nil && before.value != v:
			before.err = fmt.Errorf("%w: %s stands twice, as %q and as %q", ErrMalformed, keyword, before.value, v)
			s[keyword] = before
		}
	}
	return s
}

// text gives the value of a keyword, a string without quotes and trailing
// blanks.
func (s structure) text(keyword string) (string, error) {
	v, found := s[keyword]
	if !found {
		return "", fmt.Errorf("%w: %s is missing", ErrMalformed, keyword)
	}
	return v.value, v.err
}

func (s structure) integer(keyword string, lowest, highest int) (int, error) {
	v, err := s.text(keyword)
	if err != nil {
		return 0, err
	}
	n, err := strconv.ParseInt(v, 10, 64) // the same on a computer of 32 bits
	switch {
	case errors.Is(err, strconv.ErrRange) && v[0] != '-':
		return 0, fmt.Errorf("%w: %s is %s, beyond any file that is read", ErrUnsupported, keyword, v)
	case err != nil:
		return 0, fmt.Errorf("%w: %s is %q, not a whole number", ErrMalformed, keyword, v)
	case n < int64(lowest) || n > int64(highest):
		return 0, fmt.Errorf("%w: %s is %d, outside %d to %d", ErrMalformed, keyword, n, lowest, highest)
	}
	return int(n), nil
}

// count is integer for a keyword that may be missing and counts something.
func (s structure) count(keyword string, missing int) (int, error) {
	if _, found := s[keyword]; !found {
		return missing, nil
	}
	return s.integer(keyword, 0, math.MaxInt32)
}

// real reads a real number, which may be written as a whole one.
func (s structure) real(keyword string) (float64, error) {
	text, err := s.text(keyword)
	if err != nil {
		return 0, err
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return 0, fmt.Errorf("%w: %s is %q, not a number", ErrMalformed, keyword, text)
	}
	return v, nil
}
