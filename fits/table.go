package fits

import (
	"encoding/binary"
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

// column is where a value stands in a row; its form is 0 when there is none.
type column struct {
	form    byte // as in TFORM (section 7.3.1)
	element byte // of what a form P or Q points to
	offset  int  // in the row
	repeat  int
}

// formBytes is the size of a value in each form of column (section 7.3.1); X is
// in bits.
var formBytes = map[byte]int{'L': 1, 'B': 1, 'I': 2, 'J': 4, 'K': 8, 'A': 1, 'E': 4, 'D': 8, 'C': 8, 'M': 16, 'P': 8, 'Q': 16}

// readColumns reads names, units and forms of a binary table's columns, which have room in its rows, and how many bytes
// they take.
func readColumns(s structure, rowBytes int) (columns []TableColumn, bytes int, err error) {
	fields, err := s.integer("TFIELDS", 1, maxAxes)
	if err != nil {
		return nil, 0, err
	}
	for i := range fields {
		n := strconv.Itoa(i + 1)
		form, err := s.text("TFORM" + n)
		if err != nil {
			return nil, 0, err
		}
		c, size, ok := parseForm(form)
		if !ok {
			return nil, 0, fmt.Errorf("%w: TFORM%s is %q, no form of a column", ErrMalformed, n, clean(form))
		}
		c.offset = bytes
		if bytes += size; bytes > rowBytes {
			return nil, 0, fmt.Errorf("%w: the columns are wider than the table's rows of %d bytes", ErrMalformed, rowBytes)
		}
		columns = append(columns, TableColumn{Name: s["TTYPE"+n].value, Unit: s["TUNIT"+n].value, column: c})
	}
	return columns, bytes, nil
}

// parseForm reads TFORM: a count, a letter, and for a P or Q the letter of
// what it points to (sections 7.3.1 and 7.3.5).
func parseForm(form string) (c column, size int, ok bool) {
	letter := strings.IndexFunc(form, func(r rune) bool { return r < '0' || r > '9' })
	if letter < 0 {
		return column{}, 0, false
	}
	c = column{form: form[letter], repeat: 1}
	if letter > 0 {
		var err error
		if c.repeat, err = strconv.Atoi(form[:letter]); err != nil || c.repeat > maxUnitBytes/16 {
			return column{}, 0, false
		}
	}
	switch c.form {
	case 'X':
		return c, (c.repeat + 7) / 8, true
	case 'P', 'Q':
		if letter+1 == len(form) || formBytes[form[letter+1]] == 0 {
			return column{}, 0, false
		}
		c.element = form[letter+1]
	}
	one := formBytes[c.form]
	return c, c.repeat * one, one > 0
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
	damaged := func(err error) (*Table, error) {
		return nil, fmt.Errorf("the FITS table cannot be read (%w): get the file again", err)
	}
	width, err := s.integer("NAXIS1", 0, widestRow)
	if err != nil {
		return damaged(err)
	}
	rows, err := s.integer("NAXIS2", 0, math.MaxInt32)
	if err != nil {
		return damaged(err)
	}
	columns, bytes, err := readColumns(s, width)
	if err == nil && bytes != width {
		err = fmt.Errorf("%w: the columns take %d bytes and the rows have %d", ErrMalformed, bytes, width)
	}
	if err != nil {
		return damaged(err)
	}
	for i := range columns {
		c, n := &columns[i], strconv.Itoa(i+1)
		c.scale, c.zero = 1, 0
		if v, err := s.real("TSCAL" + n); err == nil {
			c.scale = v
		}
		if v, err := s.real("TZERO" + n); err == nil {
			c.zero = v
		}
		if v, err := strconv.ParseInt(s["TNULL"+n].value, 10, 64); err == nil {
			c.null, c.hasNull = v, true
		}
	}
	return &Table{Columns: columns, Query: s["QUERY"].value, r: r, row: make([]byte, width), rows: rows}, nil
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

// real reads the column's cell in a row.
func (c column) real(row []byte) float64 {
	if c.form == 'E' {
		return float64(math.Float32frombits(binary.BigEndian.Uint32(row[c.offset:])))
	}
	return math.Float64frombits(binary.BigEndian.Uint64(row[c.offset:]))
}

func (c column) whole(row []byte) int64 {
	cell := row[c.offset:]
	switch c.form {
	case 'B':
		return int64(cell[0])
	case 'I':
		return int64(int16(binary.BigEndian.Uint16(cell)))
	case 'J':
		return int64(int32(binary.BigEndian.Uint32(cell)))
	}
	return int64(binary.BigEndian.Uint64(cell))
}
