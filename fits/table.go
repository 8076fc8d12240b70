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

// tableKeyword tells the keywords that are read of a table.
func tableKeyword(k string) bool {
	switch k {
	case "XTENSION", "NAXIS1", "NAXIS2", "TFIELDS", "QUERY":
		return true
	}
	for _, prefix := range []string{"TTYPE", "TUNIT", "TFORM", "TSCAL", "TZERO", "TNULL"} {
		if strings.HasPrefix(k, prefix) {
			return true
		}
	}
	return false
}

// OpenTable reads up to the first row. Errors are for whoever got the file from an archive.
func OpenTable(r io.Reader) (*Table, error) {
	for start := 0; ; start = blockSize { // anywhere behind the first
		data, cards, err := nextHeader(r, start == 0)
		if err != nil {
			return nil, err
		}
		if s := readStructure(cards, tableKeyword); s["XTENSION"].value == "BINTABLE" {
			return newTable(r, s)
		}
		u, err := readUnit(data, start)
		if err != nil {
			return nil, err
		}
		if _, err := io.CopyN(io.Discard, r, int64(u.dataSize+padding(u.dataSize))); err != nil {
			return nil, errors.New("the FITS file ends before its table: get it again")
		}
	}
}

// nextHeader reads the blocks of one header, and gives its cards.
func nextHeader(r io.Reader, primary bool) (data, cards []byte, err error) {
	for {
		block := make([]byte, blockSize)
		if n, err := io.ReadFull(r, block); err != nil {
			if n == 0 && len(data) == 0 {
				return nil, nil, errors.New("the FITS file holds no binary table: ask the archive for a table")
			}
			return nil, nil, errors.New("the FITS file ends inside a header: get it again")
		}
		data = append(data, block...)
		if cards, _, err := readHeader(data, primary); !errors.Is(err, ErrIncomplete) {
			return data, cards, err
		}
	}
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
