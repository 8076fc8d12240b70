package extract

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"github.com/astrogo/fitsio"
)

// FITS Standard 4.0: blocks (section 3.1), cards (section 4), binary tables (section 7.3).
const (
	fitsBlock = 2880
	fitsCard  = 80
	// longestHeader bounds a header (blocks): a table of 999 columns has some hundred.
	longestHeader = 1000
)

// fitsTable reads the first binary table of a FITS file, row by row: fitsio reads headers, but would hold the
// whole table in memory.
type fitsTable struct {
	r       *bufio.Reader
	columns []field
	layout  []fitsColumn
	row     []byte
	next    int64
	rows    int64
}

// fitsColumn is where a column lies in a row, and how its number is stored.
type fitsColumn struct {
	offset      int
	form        byte // of a single number; 0 for all else
	null        int64
	hasNull     bool
	scale, zero float64
}

func openFITS(r *bufio.Reader, origin *Origin) (*fitsTable, error) {
	origin.Format = "FITS table"
	for {
		cards, err := readHeader(r)
		if err != nil {
			return nil, err
		}
		h, err := readCards(cards)
		if err != nil {
			return nil, err
		}
		if kind, _ := h.text("XTENSION"); kind == "BINTABLE" {
			return newFITSTable(r, h, origin)
		}
		if err := h.skipData(r); err != nil {
			return nil, err
		}
	}
}

// readHeader reads the cards of one header, END included.
func readHeader(r *bufio.Reader) ([]byte, error) {
	var cards []byte
	for len(cards) < longestHeader*fitsBlock {
		block := make([]byte, fitsBlock)
		if n, err := io.ReadFull(r, block); err != nil {
			if n == 0 && len(cards) == 0 {
				return nil, errors.New("the FITS file holds no binary table: ask the archive for a table")
			}
			return nil, errors.New("the FITS file ends inside a header: get it again")
		}
		for off := 0; off < fitsBlock; off += fitsCard {
			card := block[off : off+fitsCard]
			if strings.TrimRight(string(card), " ") == "END" {
				return cards, nil
			}
			cards = append(cards, card...)
		}
	}
	return nil, errors.New("the FITS header has no end")
}

// header is the values of a header's cards, as fitsio reads them.
type header struct {
	values map[string]any
}

// readCards hands the cards to fitsio one by one: a card that it cannot read costs that card.
func readCards(cards []byte) (header, error) {
	h := header{map[string]any{}}
	for off := 0; off < len(cards); off += fitsCard {
		card := cards[off : off+fitsCard]
		keyword := strings.TrimRight(string(card[:8]), " ")
		if string(card[8:10]) != "= " || keyword == "" {
			continue
		}
		if value, ok := cardValue(keyword, card); ok {
			if _, twice := h.values[keyword]; !twice {
				h.values[keyword] = value
			}
		}
	}
	return h, nil
}

// cardValue is the value of one card. fitsio panics on some that are not legal.
func cardValue(keyword string, card []byte) (value any, ok bool) {
	defer func() {
		if recover() != nil {
			value, ok = nil, false
		}
	}()
	// The structural keywords of a header that claims no data stand before it; its own are renamed for the
	// time of reading.
	alone := fmt.Appendf(nil, "%-80s%-80s%-80s%-8s%s%-80s", "SIMPLE  =                    T", "BITPIX  =                    8",
		"NAXIS   =                    0", "VALUE", card[8:], "END")
	alone = append(alone, bytes.Repeat([]byte(" "), fitsBlock-len(alone)%fitsBlock)...)
	hdu, err := fitsio.NewDecoder(bytes.NewReader(alone)).DecodeHDU()
	if err != nil {
		return nil, false
	}
	c := hdu.Header().Get("VALUE")
	if c == nil || c.Value == nil {
		return nil, false
	}
	return c.Value, true
}

func (h header) text(keyword string) (string, bool) {
	s, ok := h.values[keyword].(string)
	return strings.TrimRight(s, " "), ok
}

func (h header) whole(keyword string, otherwise int64) (int64, error) {
	switch v := h.values[keyword].(type) {
	case nil:
		return otherwise, nil
	case int:
		return int64(v), nil
	}
	return 0, fmt.Errorf("the FITS header's %s is no whole number", keyword)
}

func (h header) real(keyword string, otherwise float64) float64 {
	switch v := h.values[keyword].(type) {
	case int:
		return float64(v)
	case float64:
		return v
	}
	return otherwise
}

// skipData passes over the data of a unit: |BITPIX| GCOUNT (PCOUNT + NAXIS1 x ...) bits (section 4.4.1.2).
func (h header) skipData(r io.Reader) error {
	bits, err1 := h.whole("BITPIX", 8)
	axes, err2 := h.whole("NAXIS", 0)
	gcount, err3 := h.whole("GCOUNT", 1)
	pcount, err4 := h.whole("PCOUNT", 0)
	if err := errors.Join(err1, err2, err3, err4); err != nil {
		return err
	}
	if axes == 0 {
		return nil
	}
	n := 1.0
	for i := range min(axes, 999) {
		axis, err := h.whole(fmt.Sprintf("NAXIS%d", i+1), 0)
		if err != nil {
			return err
		}
		n *= float64(axis)
	}
	n = math.Abs(float64(bits)) / 8 * float64(gcount) * (float64(pcount) + n)
	if !(n >= 0 && n < 1<<50) {
		return errors.New("the FITS header claims absurd sizes: get the file again")
	}
	size := (int64(n) + fitsBlock - 1) / fitsBlock * fitsBlock
	if _, err := io.CopyN(io.Discard, r, size); err != nil {
		return errors.New("the FITS file ends before its table: get it again")
	}
	return nil
}

// widestRow bounds (bytes) a row.
const widestRow = 1 << 20

// sizes of the forms of section 7.3.1, in bytes; P and Q are descriptors of arrays.
var formSize = map[byte]int{'L': 1, 'B': 1, 'I': 2, 'J': 4, 'K': 8, 'A': 1, 'E': 4, 'D': 8, 'C': 8, 'M': 16, 'P': 8, 'Q': 16}

func newFITSTable(r *bufio.Reader, h header, origin *Origin) (*fitsTable, error) {
	width, err1 := h.whole("NAXIS1", -1)
	rows, err2 := h.whole("NAXIS2", -1)
	count, err3 := h.whole("TFIELDS", -1)
	if err := errors.Join(err1, err2, err3); err != nil {
		return nil, err
	}
	if width < 0 || width > widestRow || rows < 0 || count < 0 || count > 999 {
		return nil, fmt.Errorf("the FITS table claims %d rows of %d bytes with %d columns: get the file again", rows, width, count)
	}
	t := &fitsTable{r: r, row: make([]byte, width), rows: rows}
	offset := 0
	for i := 1; i <= int(count); i++ {
		key := func(s string) string { return s + strconv.Itoa(i) }
		name, _ := h.text(key("TTYPE"))
		unit, _ := h.text(key("TUNIT"))
		form, _ := h.text(key("TFORM"))
		c := fitsColumn{offset: offset, scale: h.real(key("TSCAL"), 1), zero: h.real(key("TZERO"), 0)}
		repeat, letter, err := parseForm(form)
		if err != nil {
			return nil, fmt.Errorf("column %d (%s) of the FITS table: %w", i, name, err)
		}
		if repeat == 1 && strings.IndexByte("BIJKED", letter) >= 0 {
			c.form = letter
		}
		if v, ok := h.values[key("TNULL")].(int); ok {
			c.null, c.hasNull = int64(v), true
		}
		if letter == 'X' {
			offset += (repeat + 7) / 8
		} else {
			offset += repeat * formSize[letter]
		}
		t.columns = append(t.columns, field{name, unit})
		t.layout = append(t.layout, c)
	}
	if offset != int(width) {
		return nil, fmt.Errorf("the columns of the FITS table take %d bytes and its rows have %d: get the file again", offset, width)
	}
	if q, ok := h.text("QUERY"); ok {
		origin.note("QUERY", q)
	}
	return t, nil
}

// parseForm reads a TFORM such as "1D", "D" or "24A".
func parseForm(form string) (repeat int, letter byte, err error) {
	digits := len(form) - len(strings.TrimLeft(form, "0123456789"))
	repeat = 1
	if digits > 0 {
		if repeat, err = strconv.Atoi(form[:digits]); err != nil || repeat > widestRow {
			return 0, 0, fmt.Errorf("form %q is not known", shortened(form))
		}
	}
	if digits == len(form) || form[digits] != 'X' && formSize[form[digits]] == 0 {
		return 0, 0, fmt.Errorf("form %q is not known", shortened(form))
	}
	return repeat, form[digits], nil
}

func (t *fitsTable) fields() []field { return t.columns }
func (t *fitsTable) where() string   { return fmt.Sprintf("row %d", t.next) }

func (t *fitsTable) read(wanted []int, into []float64) error {
	if t.next == t.rows {
		return io.EOF
	}
	t.next++
	if _, err := io.ReadFull(t.r, t.row); err != nil {
		return broken(err)
	}
	for i, column := range wanted {
		into[i] = nan
		if column < 0 {
			continue
		}
		c := &t.layout[column]
		if c.form == 0 {
			return fmt.Errorf("column %q does not hold single numbers", t.columns[column].name)
		}
		into[i] = c.value(t.row[c.offset:])
	}
	return nil
}

// value reads a number, big-endian: 0 scale + zero, NaN for none (sections 7.3.2 and 7.3.3).
func (c *fitsColumn) value(p []byte) float64 {
	var n int64
	switch c.form {
	case 'D':
		return c.zero + c.scale*math.Float64frombits(binary.BigEndian.Uint64(p))
	case 'E':
		return c.zero + c.scale*float64(math.Float32frombits(binary.BigEndian.Uint32(p)))
	case 'B':
		n = int64(p[0])
	case 'I':
		n = int64(int16(binary.BigEndian.Uint16(p)))
	case 'J':
		n = int64(int32(binary.BigEndian.Uint32(p)))
	case 'K':
		n = int64(binary.BigEndian.Uint64(p))
	}
	if c.hasNull && n == c.null {
		return nan
	}
	return c.zero + c.scale*float64(n)
}
