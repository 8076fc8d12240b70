package extract

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"math"
)

// Origin is what a table says of itself.
type Origin struct {
	Format string // in words
	Query  string // the archive's query that gave it
	Credit string // how the archive asks to be acknowledged
}

// Table reads the rows of one file.
type Table struct {
	Origin
	source source
	at     []int // column of each quantity, or -1
	values []float64
}

// source is one format's way to its rows.
type source interface {
	fields() []field
	// read fills the values of the columns wanted; NaN where there is none. io.EOF ends the table.
	read(wanted []int, into []float64) error
	// where names the row read last: "line 17".
	where() string
}

// buffered is the size of the reader's buffer.
const buffered = 1 << 18

// Open reads the head of a table. columns may be nil. Errors say what to do.
func Open(r io.Reader, columns Columns) (*Table, error) {
	b := bufio.NewReaderSize(r, buffered)
	if head, _ := b.Peek(2); bytes.Equal(head, []byte{0x1f, 0x8b}) {
		unzipped, err := gzip.NewReader(b)
		if err != nil {
			return nil, fmt.Errorf("the gzipped file is damaged (%w): get it again", err)
		}
		b = bufio.NewReaderSize(unzipped, buffered)
	}
	t := &Table{}
	head, err := b.Peek(len("SIMPLE  ="))
	if len(head) == 0 {
		if err == nil || errors.Is(err, io.EOF) {
			return nil, errors.New("the file is empty")
		}
		return nil, err
	}
	switch {
	case bytes.HasPrefix(head, []byte("SIMPLE  =")):
		t.source, err = openFITS(b, &t.Origin)
	case bytes.HasPrefix(bytes.TrimLeft(head, "\ufeff \r\n\t"), []byte("<")):
		t.source, err = openVOTable(b, &t.Origin)
	default:
		t.source, err = openText(b, &t.Origin)
	}
	if err != nil {
		return nil, err
	}
	if t.at, err = columns.find(t.source.fields()); err != nil {
		return nil, err
	}
	t.values = make([]float64, len(t.at))
	return t, nil
}

// Read gives the next row; io.EOF after the last. Another error names the line.
func (t *Table) Read(row *Row) error {
	err := t.source.read(t.at, t.values)
	if errors.Is(err, io.EOF) {
		return io.EOF
	}
	if err == nil {
		for i := range quantities {
			*quantities[i].of(row) = t.values[i]
		}
		err = row.check()
	}
	if err != nil {
		return fmt.Errorf("%s: %w", t.source.where(), err)
	}
	return nil
}

// broken is the error for data that end too early.
func broken(err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return errors.New("the file ends in the middle of a row: get it again")
	}
	return err
}

// nan stands for a value that is not there.
var nan = math.NaN()
