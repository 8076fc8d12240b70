package extract

import (
	"bufio"
	"errors"
	"fmt"
	"io"

	"polard/fits"
)

// fitsTable reads the first binary table of a FITS file.
type fitsTable struct {
	*fits.Table
	columns []field
}

func openFITS(r *bufio.Reader, origin *Origin) (*fitsTable, error) {
	origin.Format = "FITS table"
	t, err := fits.OpenTable(r)
	if err != nil {
		return nil, err
	}
	origin.note("QUERY", t.Query)
	out := &fitsTable{Table: t}
	for _, c := range t.Columns {
		out.columns = append(out.columns, field{c.Name, c.Unit})
	}
	return out, nil
}

func (t *fitsTable) fields() []field { return t.columns }
func (t *fitsTable) where() string   { return fmt.Sprintf("row %d", t.Row()) }

func (t *fitsTable) read(wanted []int, into []float64) error {
	switch err := t.Next(); {
	case errors.Is(err, io.EOF):
		return io.EOF
	case err != nil:
		return broken(err)
	}
	for i, column := range wanted {
		into[i] = nan
		if column < 0 {
			continue
		}
		var ok bool
		if into[i], ok = t.Value(column); !ok {
			return fmt.Errorf("column %q does not hold single numbers", t.columns[column].name)
		}
	}
	return nil
}
