package extract

import (
	"bufio"
	"encoding/base64"
	"encoding/binary"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
)

// widestRow bounds (bytes) a row.
const widestRow = 1 << 20

// voTable reads the first table with data of a VOTable document.
type voTable struct {
	in      *boundedBytes
	x       *xml.Decoder
	columns []field
	types   []voType
	cells   []string  // of a row of TABLEDATA
	stream  io.Reader // of BINARY and BINARY2
	nulls   []byte    // BINARY2: which values of a row are missing, from the highest bit
	row     int64
	line    int
}

// voType is how a column's values are stored: section 6 of the recommendation.
type voType struct {
	kind     string
	count    int // values in a cell; of a variable number the cell begins with it
	variable bool
}

// boundedBytes hands bytes to the reader of XML, which reads no further than it is asked, and fails when one
// token takes more than it may.
type boundedBytes struct {
	r    *bufio.Reader
	left int
}

const longestToken = 1 << 22

var errLongToken = errors.New("a part of the document does not end within 4 MB")

func (b *boundedBytes) ReadByte() (byte, error) {
	if b.left--; b.left < 0 {
		return 0, errLongToken
	}
	return b.r.ReadByte()
}

func (b *boundedBytes) Read(p []byte) (int, error) { // the interface asks for it; ReadByte is what is used
	c, err := b.ReadByte()
	if err != nil || len(p) == 0 {
		return 0, err
	}
	p[0] = c
	return 1, nil
}

func openVOTable(r *bufio.Reader, origin *Origin) (*voTable, error) {
	origin.Format = "VOTable"
	v := &voTable{in: &boundedBytes{r, longestToken}}
	v.x = xml.NewDecoder(v.in)
	if err := v.head(origin); err != nil {
		line, _ := v.x.InputPos()
		return nil, fmt.Errorf("line %d: %w", line, err)
	}
	return v, nil
}

func (v *voTable) token() (xml.Token, error) {
	v.in.left = longestToken
	t, err := v.x.Token()
	if errors.Is(err, io.EOF) {
		return nil, errors.New("the VOTable holds no table with data: ask the archive for one")
	}
	return t, err
}

// head reads up to the data of the first table.
func (v *voTable) head(origin *Origin) error {
	var info string // the INFO whose text is being read
	var binary2 bool
	for {
		token, err := v.token()
		if err != nil {
			return err
		}
		switch t := token.(type) {
		case xml.StartElement:
			a := attributes(t)
			switch t.Name.Local {
			case "INFO":
				info = a["name"]
				origin.note(info, a["value"])
				if info == "QUERY_STATUS" && strings.EqualFold(a["value"], "ERROR") {
					return errors.New("the archive answered with an error instead of a table: see the file")
				}
			case "TABLE":
				v.columns, v.types = nil, nil
			case "FIELD":
				if err := v.addField(a); err != nil {
					return err
				}
			case "TABLEDATA":
				v.cells = make([]string, len(v.columns))
				return nil
			case "FITS":
				return errors.New("a FITS table inside a VOTable is not read: ask for one or the other")
			case "BINARY2":
				binary2 = true
			case "STREAM":
				if a["href"] != "" || a["encoding"] != "base64" {
					return errors.New("the data are not in the file as base64: ask the archive for CSV")
				}
				v.stream = bufio.NewReader(base64.NewDecoder(base64.StdEncoding, &untilTag{v.in.r}))
				if binary2 {
					v.nulls = make([]byte, (len(v.columns)+7)/8)
				}
				return nil
			}
		case xml.CharData:
			if info != "" {
				origin.note(info, string(t))
			}
		case xml.EndElement:
			if t.Name.Local == "INFO" {
				info = ""
			}
		}
	}
}

func attributes(t xml.StartElement) map[string]string {
	out := make(map[string]string, len(t.Attr))
	for _, a := range t.Attr {
		out[a.Name.Local] = a.Value
	}
	return out
}

// mostFields bounds the columns of a table.
const mostFields = 10_000

func (v *voTable) addField(a map[string]string) error {
	if len(v.columns) == mostFields {
		return errors.New("the table has too many columns")
	}
	t := voType{kind: a["datatype"], count: 1}
	if size := a["arraysize"]; size != "" {
		for part := range strings.SplitSeq(size, "x") {
			if strings.HasSuffix(part, "*") {
				t.variable = true
				continue
			}
			n, err := strconv.Atoi(part)
			if err != nil || n < 0 || n > widestRow || t.count > widestRow/max(n, 1) {
				return fmt.Errorf("column %q has the array size %q, which is not known", a["name"], shortened(size))
			}
			t.count *= n
		}
	}
	v.columns = append(v.columns, field{a["name"], a["unit"]})
	v.types = append(v.types, t)
	return nil
}

func (v *voTable) fields() []field { return v.columns }

func (v *voTable) where() string {
	if v.stream != nil {
		return fmt.Sprintf("row %d", v.row)
	}
	return fmt.Sprintf("line %d", v.line)
}

func (v *voTable) read(wanted []int, into []float64) error {
	v.row++
	if v.stream != nil {
		return v.readBinary(wanted, into)
	}
	err := v.readCells()
	v.line, _ = v.x.InputPos()
	if err != nil {
		return err
	}
	for i, column := range wanted {
		into[i] = nan
		if column < 0 {
			continue
		}
		if into[i], err = number(v.cells[column]); err != nil {
			return fmt.Errorf("column %q holds %q, which is no number", v.columns[column].name, shortened(v.cells[column]))
		}
	}
	return nil
}

// readCells reads the next TR of TABLEDATA; io.EOF at its end.
func (v *voTable) readCells() error {
	cell, inside := -1, false
	for {
		v.in.left = longestToken
		token, err := v.x.Token()
		if err != nil {
			return broken(err)
		}
		switch t := token.(type) {
		case xml.StartElement:
			switch t.Name.Local {
			case "TR":
				cell = -1
			case "TD":
				if cell++; cell == len(v.cells) {
					return fmt.Errorf("the row has more than %d cells", len(v.cells))
				}
				v.cells[cell], inside = "", true
			}
		case xml.CharData:
			if inside {
				v.cells[cell] += string(t)
			}
		case xml.EndElement:
			switch t.Name.Local {
			case "TD":
				inside = false
			case "TR":
				if cell+1 != len(v.cells) {
					return fmt.Errorf("the row has %d cells, and there are %d columns", cell+1, len(v.cells))
				}
				return nil
			case "TABLEDATA":
				return io.EOF
			}
		}
	}
}

// untilTag reads text up to the next tag, without blanks.
type untilTag struct{ r *bufio.Reader }

func (u *untilTag) Read(p []byte) (int, error) {
	n := 0
	for n < len(p) {
		c, err := u.r.ReadByte()
		if err != nil {
			return n, io.ErrUnexpectedEOF
		}
		switch c {
		case ' ', '\t', '\n', '\r':
			continue
		case '<':
			if err := u.r.UnreadByte(); err != nil {
				return n, err
			}
			if n == 0 {
				return 0, io.EOF
			}
			return n, nil
		}
		p[n] = c
		n++
	}
	return n, nil
}

var voSize = map[string]int{
	"boolean": 1, "unsignedByte": 1, "short": 2, "int": 4, "long": 8, "char": 1, "unicodeChar": 2,
	"float": 4, "double": 8, "floatComplex": 8, "doubleComplex": 16,
}

// readBinary reads a row of BINARY or BINARY2: big-endian values one after the other; with BINARY2 after bits
// that tell which are missing.
func (v *voTable) readBinary(wanted []int, into []float64) error {
	for i := range into {
		into[i] = nan
	}
	if v.nulls != nil {
		switch _, err := io.ReadFull(v.stream, v.nulls); {
		case errors.Is(err, io.EOF):
			return io.EOF
		case err != nil:
			return badStream(err)
		}
	}
	var value [8]byte
	for column, t := range v.types {
		bytes, err := v.cellSize(column, t)
		if err != nil {
			if errors.Is(err, io.EOF) && column == 0 && v.nulls == nil {
				return io.EOF
			}
			return badStream(err)
		}
		single := !t.variable && t.count == 1 && bytes <= 8
		if !single {
			if _, err := io.CopyN(io.Discard, v.stream, int64(bytes)); err != nil {
				return badStream(err)
			}
		} else if _, err := io.ReadFull(v.stream, value[:bytes]); err != nil {
			if errors.Is(err, io.EOF) && column == 0 && v.nulls == nil {
				return io.EOF
			}
			return badStream(err)
		}
		if v.nulls != nil && v.nulls[column/8]&(0x80>>(column%8)) != 0 {
			continue
		}
		for i, w := range wanted {
			if w != column {
				continue
			}
			if into[i], err = t.value(value[:], single); err != nil {
				return fmt.Errorf("column %q: %w", v.columns[column].name, err)
			}
		}
	}
	return nil
}

func badStream(err error) error {
	var corrupt base64.CorruptInputError
	if errors.As(err, &corrupt) {
		return errors.New("the base64 text is damaged: get the file again")
	}
	return broken(err)
}

// cellSize is how many bytes the next cell takes; of a variable one the count is read first.
func (v *voTable) cellSize(column int, t voType) (int, error) {
	size := voSize[t.kind]
	if size == 0 && t.kind != "bit" {
		return 0, fmt.Errorf("column %q is of type %q, which is not known", v.columns[column].name, shortened(t.kind))
	}
	count := t.count
	if t.variable {
		var n [4]byte
		if _, err := io.ReadFull(v.stream, n[:]); err != nil {
			return 0, err
		}
		rows := binary.BigEndian.Uint32(n[:])
		if rows > widestRow {
			return 0, fmt.Errorf("a cell of column %q claims %d values", v.columns[column].name, rows)
		}
		count *= int(rows)
	}
	if t.kind == "bit" {
		return (count + 7) / 8, nil
	}
	return count * size, nil
}

// value is the number in a cell.
func (t voType) value(p []byte, single bool) (float64, error) {
	if single {
		switch t.kind {
		case "double":
			return math.Float64frombits(binary.BigEndian.Uint64(p)), nil
		case "float":
			return float64(math.Float32frombits(binary.BigEndian.Uint32(p))), nil
		case "long":
			return float64(int64(binary.BigEndian.Uint64(p))), nil
		case "int":
			return float64(int32(binary.BigEndian.Uint32(p))), nil
		case "short":
			return float64(int16(binary.BigEndian.Uint16(p))), nil
		case "unsignedByte":
			return float64(p[0]), nil
		}
	}
	return 0, fmt.Errorf("it does not hold single numbers but %q", t.kind)
}
