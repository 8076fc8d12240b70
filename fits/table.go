package fits

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
)

// Table is the first binary table of a file (section 7.3), read row by row: tables may be larger than memory.
type Table struct {
	Columns []TableColumn
	Query   string // keyword QUERY: what an archive was asked
	r       io.Reader
	row     []byte
	next    int
	rows    int
}

// TableColumn is a column of a table.
type TableColumn struct {
	Name, Unit string
	column
	null        int64
	hasNull     bool
	scale, zero float64
}

// widestRow bounds (bytes) a row.
const widestRow = 1 << 20

// tableKeyword tells the keywords that are read of a table and of what stands before it.
func tableKeyword(k string) bool {
	switch k {
	case "XTENSION", "BITPIX", "PCOUNT", "GCOUNT", "TFIELDS", "QUERY":
		return true
	}
	for _, prefix := range []string{"NAXIS", "TTYPE", "TUNIT", "TFORM", "TSCAL", "TZERO", "TNULL"} {
		if strings.HasPrefix(k, prefix) {
			return true
		}
	}
	return false
}

// OpenTable reads up to the first row. Errors are for whoever got the file from an archive.
func OpenTable(r io.Reader) (*Table, error) {
	for primary := true; ; primary = false {
		cards, err := nextHeader(r, primary)
		if err != nil {
			return nil, err
		}
		s := readStructure(cards, tableKeyword)
		if s["XTENSION"].value == "BINTABLE" {
			return newTable(r, s)
		}
		if err := s.skipData(r); err != nil {
			return nil, err
		}
	}
}

// nextHeader reads the cards of one header.
func nextHeader(r io.Reader, primary bool) ([]byte, error) {
	var data []byte
	for {
		block := make([]byte, blockSize)
		if n, err := io.ReadFull(r, block); err != nil {
			if n == 0 && len(data) == 0 {
				return nil, errors.New("the FITS file holds no binary table: ask the archive for a table")
			}
			return nil, errors.New("the FITS file ends inside a header: get it again")
		}
		data = append(data, block...)
		if cards, _, err := readHeader(data, primary); !errors.Is(err, ErrIncomplete) {
			return cards, err
		}
	}
}

// skipData passes over the data of a unit: |BITPIX| GCOUNT (PCOUNT + NAXIS1 x ...) bits (section 4.4.1.2). They may be more
// than [Decode] would take.
func (s structure) skipData(r io.Reader) error {
	bits, err1 := s.integer("BITPIX", -64, 64)
	axes, err2 := s.integer("NAXIS", 0, maxAxes)
	gcount, err3 := s.count("GCOUNT", 1)
	pcount, err4 := s.count("PCOUNT", 0)
	if err := errors.Join(err1, err2, err3, err4); err != nil || axes == 0 {
		return err
	}
	n := 1.0
	for i := range axes {
		axis, err := s.integer("NAXIS"+strconv.Itoa(i+1), 0, math.MaxInt32)
		if err != nil {
			return err
		}
		n *= float64(axis)
	}
	n = math.Abs(float64(bits)) / 8 * float64(gcount) * (float64(pcount) + n)
	if n >= 1<<50 {
		return errors.New("the FITS header claims absurd sizes: get the file again")
	}
	size := (int64(n) + blockSize - 1) / blockSize * blockSize
	if _, err := io.CopyN(io.Discard, r, size); err != nil {
		return errors.New("the FITS file ends before its table: get it again")
	}
	return nil
}

func newTable(r io.Reader, s structure) (*Table, error) {
	width, err1 := s.integer("NAXIS1", 0, widestRow)
	rows, err2 := s.integer("NAXIS2", 0, math.MaxInt32)
	count, err3 := s.integer("TFIELDS", 0, maxAxes)
	if err := errors.Join(err1, err2, err3); err != nil {
		return nil, fmt.Errorf("the FITS table cannot be read (%w): get the file again", err)
	}
	t := &Table{Query: s["QUERY"].value, r: r, row: make([]byte, width), rows: rows}
	offset := 0
	for i := 1; i <= count; i++ {
		key := func(k string) string { return k + strconv.Itoa(i) }
		real := func(k string, missing float64) float64 {
			if v, err := s.real(key(k)); err == nil {
				return v
			}
			return missing
		}
		c := TableColumn{Name: s[key("TTYPE")].value, Unit: s[key("TUNIT")].value, scale: real("TSCAL", 1), zero: real("TZERO", 0)}
		form := s[key("TFORM")].value
		var size int
		var ok bool
		if c.column, size, ok = parseForm(form); !ok {
			return nil, fmt.Errorf("column %d (%s) of the FITS table: form %.40q is not known", i, c.Name, form)
		}
		if n, err := strconv.ParseInt(s[key("TNULL")].value, 10, 64); err == nil {
			c.null, c.hasNull = n, true
		}
		c.offset = offset
		offset += size
		t.Columns = append(t.Columns, c)
	}
	if offset != width {
		return nil, fmt.Errorf("the columns of the FITS table take %d bytes and its rows have %d: get the file again", offset, width)
	}
	return t, nil
}

// Next reads the next row; io.EOF after the last. Another error means that the file ends too early.
func (t *Table) Next() error {
	if t.next == t.rows {
		return io.EOF
	}
	t.next++
	if _, err := io.ReadFull(t.r, t.row); errors.Is(err, io.EOF) {
		return io.ErrUnexpectedEOF
	} else if err != nil {
		return err
	}
	return nil
}

// Row is the number of the row read last, from 1.
func (t *Table) Row() int { return t.next }

// Value is the number in a column of the row: scale x stored + zero, NaN for none (sections 7.3.2 and 7.3.3). It is not ok
// where the column does not hold single numbers.
func (t *Table) Value(i int) (v float64, ok bool) {
	c := &t.Columns[i]
	switch {
	case c.repeat != 1:
		return 0, false
	case c.form == 'D' || c.form == 'E':
		return c.zero + c.scale*c.real(t.row), true
	case strings.IndexByte("BIJK", c.form) < 0:
		return 0, false
	}
	n := c.whole(t.row)
	if c.hasNull && n == c.null {
		return math.NaN(), true
	}
	return c.zero + c.scale*float64(n), true
}
