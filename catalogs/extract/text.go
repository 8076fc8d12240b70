package extract

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"
)

// longestRecord bounds (bytes) a line with its quoted fields, and longestHead the comments before the first.
const (
	longestRecord = 1 << 20
	longestHead   = 1 << 22
)

var errLong = errors.New("the line does not end within a megabyte: is this a table?")

// text reads separated text.
type text struct {
	records *csv.Reader
	bound   *boundedReader
	columns []field
	skipped int // lines of the head, which the csv reader does not count
	line    int
}

// boundedReader fails when a record takes more bytes than it may.
type boundedReader struct {
	r    io.Reader
	left int
}

func (b *boundedReader) Read(p []byte) (int, error) {
	if b.left <= 0 {
		return 0, errLong
	}
	n, err := b.r.Read(p)
	b.left -= n
	return n, err
}

func openText(r *bufio.Reader, origin *Origin) (*text, error) {
	head, lines, err := comments(r)
	if err != nil {
		return nil, err
	}
	origin.Format = "separated text"
	t := &text{skipped: lines, bound: &boundedReader{r, longestRecord}}
	var ecsv ecsvHead
	if bytes.HasPrefix(head, []byte("# %ECSV")) {
		origin.Format = "ECSV"
		if ecsv, err = readECSV(head, origin); err != nil {
			return nil, err
		}
	}
	t.records = csv.NewReader(t.bound)
	t.records.Comment, t.records.ReuseRecord = '#', true
	if t.records.Comma, err = separator(r, ecsv.Delimiter); err != nil {
		return nil, err
	}
	t.records.TrimLeadingSpace = t.records.Comma != '\t'
	names, err := t.records.Read()
	if err != nil {
		return nil, fmt.Errorf("line %d: no line with the columns' names was found: %w", lines+1, t.unnumbered(err))
	}
	for _, name := range names {
		t.columns = append(t.columns, field{name: strings.Trim(name, " \ufeff")})
	}
	for i := range t.columns {
		for _, c := range ecsv.Datatype {
			if c.Name == t.columns[i].name {
				t.columns[i].unit = c.Unit
			}
		}
	}
	return t, nil
}

// comments takes the comment lines that a file begins with.
func comments(r *bufio.Reader) (head []byte, lines int, err error) {
	for {
		start, err := r.Peek(1)
		if err != nil || start[0] != '#' {
			return head, lines, nil
		}
		for {
			part, err := r.ReadSlice('\n')
			head = append(head, part...)
			if len(head) > longestHead {
				return nil, 0, fmt.Errorf("line %d: the comments at the head of the file do not end within %d MB", lines+1, longestHead>>20)
			}
			if err == nil || !errors.Is(err, bufio.ErrBufferFull) {
				break
			}
		}
		lines++
	}
}

// separator is what stands between columns: the one that is stated, or the one that the first line has most of.
func separator(r *bufio.Reader, stated string) (rune, error) {
	if stated != "" {
		if len(stated) != 1 || strings.Trim(stated, ",;\t| ") != "" {
			return 0, fmt.Errorf("columns separated by %q are not read: use commas", stated)
		}
		return rune(stated[0]), nil
	}
	line, _ := r.Peek(r.Size())
	if end := bytes.IndexByte(line, '\n'); end >= 0 {
		line = line[:end]
	}
	best, most := ' ', 0
	for _, s := range ",;\t|" {
		if n := bytes.Count(line, []byte(string(s))); n > most {
			best, most = s, n
		}
	}
	return best, nil
}

// ecsvHead is what is read of an ECSV file's head.
type ecsvHead struct {
	Delimiter string `yaml:"delimiter"`
	Datatype  []struct {
		Name string `yaml:"name"`
		Unit string `yaml:"unit"`
	} `yaml:"datatype"`
	Meta yaml.Node `yaml:"meta"`
}

func readECSV(head []byte, origin *Origin) (out ecsvHead, err error) {
	var plain []byte
	for line := range bytes.Lines(head) {
		if bytes.HasPrefix(line, []byte("# %ECSV")) || bytes.HasPrefix(line, []byte("# ---")) {
			continue
		}
		plain = append(plain, bytes.TrimPrefix(bytes.TrimPrefix(line, []byte("#")), []byte(" "))...)
	}
	defer func() { // the reader of YAML is not promised to stand every input
		if r := recover(); r != nil {
			err = fmt.Errorf("the head of the ECSV file cannot be read (%v): save the table as CSV", r)
		}
	}()
	if err := yaml.Unmarshal(plain, &out); err != nil {
		return out, fmt.Errorf("the head of the ECSV file cannot be read (%w): save the table as CSV", err)
	}
	if len(out.Datatype) == 0 {
		return out, errors.New("the head of the ECSV file names no columns: save the table as CSV")
	}
	if out.Delimiter == "" {
		out.Delimiter = " "
	}
	walk(&out.Meta, origin)
	return out, nil
}

// walk takes query and credit from whatever depth of the meta data they stand in.
func walk(n *yaml.Node, origin *Origin) {
	if n.Kind == yaml.MappingNode {
		for i := 0; i+1 < len(n.Content); i += 2 {
			origin.note(n.Content[i].Value, n.Content[i+1].Value)
		}
	}
	for _, c := range n.Content {
		walk(c, origin)
	}
}

// note keeps what an archive says beside the table, under the names that the Gaia archive uses.
func (o *Origin) note(name, value string) {
	if value = strings.Join(strings.Fields(value), " "); value == "" {
		return
	}
	switch name {
	case "QUERY", "ADQL_QUERY":
		o.Query = value
	case "CITATION":
		o.Credit = value
	case "CAPTION":
		if o.Credit == "" {
			o.Credit = value
		}
	}
}

func (t *text) fields() []field { return t.columns }
func (t *text) where() string   { return fmt.Sprintf("line %d", t.line) }

// unnumbered is a csv reader's error without its own count of lines.
func (t *text) unnumbered(err error) error {
	var parse *csv.ParseError
	switch {
	case errors.Is(err, errLong):
		return errLong
	case !errors.As(err, &parse):
		return err
	case errors.Is(err, csv.ErrFieldCount):
		return fmt.Errorf("it has not %d columns as the first line has", len(t.columns))
	}
	return parse.Err
}

func (t *text) read(wanted []int, into []float64) error {
	t.bound.left = longestRecord
	record, err := t.records.Read()
	if err != nil {
		if errors.Is(err, io.EOF) {
			return io.EOF
		}
		t.line++
		var parse *csv.ParseError
		if errors.As(err, &parse) {
			t.line = parse.Line + t.skipped
		}
		return t.unnumbered(err)
	}
	line, _ := t.records.FieldPos(0)
	t.line = line + t.skipped
	for i, column := range wanted {
		if column < 0 {
			into[i] = nan
			continue
		}
		if into[i], err = number(record[column]); err != nil {
			return fmt.Errorf("column %q holds %q, which is no number", t.columns[column].name, shortened(record[column]))
		}
	}
	return nil
}

// number reads a value; the archives' words for none give NaN.
func number(s string) (float64, error) {
	switch s = strings.TrimSpace(s); s {
	case "", "null", "NULL", "nan", "NaN", "--", `\N`:
		return nan, nil
	}
	return strconv.ParseFloat(s, 64)
}

func shortened(s string) string {
	const most = 40
	if len(s) > most {
		return s[:most] + "..."
	}
	return s
}
