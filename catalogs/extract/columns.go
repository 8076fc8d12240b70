package extract

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Row is one star of a table: degrees (ICRS), mas/yr (in right ascension times cos(dec)), mas, magnitudes,
// Julian years. What the table does not tell is NaN.
type Row struct {
	RA, Dec, PMRA, PMDec, Parallax, Mag, BP, RP, Epoch float64
}

// quantity is what a column may hold.
type quantity struct {
	key      string   // as users name it
	column   string   // as the Gaia archive names it
	units    []string // as tables write them; without one, it is believed
	lo, hi   float64  // values that can be meant
	what     string
	required bool
	of       func(*Row) *float64
}

var (
	degrees    = []string{"deg", "degree", "degrees"}
	masPerYear = []string{"mas/yr", "mas.yr**-1", "mas yr**-1", "mas.yr-1", "mas yr-1", "mas*yr**-1", "mas/year", "mas/a"}
	mas        = []string{"mas"}
	magnitude  = []string{"mag"}
	years      = []string{"yr", "year", "a"}
)

// The fastest star known moves by 10.4 arcsec a year, the nearest has a parallax of 0.77 arcsec (van Leeuwen 2007,
// A&A 474, 653: HIP 87937, HIP 70890).
var quantities = []quantity{
	{"ra", "ra", degrees, 0, 360, "right ascension", true, func(r *Row) *float64 { return &r.RA }},
	{"dec", "dec", degrees, -90, 90, "declination", true, func(r *Row) *float64 { return &r.Dec }},
	{"pmra", "pmra", masPerYear, -12_000, 12_000, "proper motion in right ascension", false, func(r *Row) *float64 { return &r.PMRA }},
	{"pmdec", "pmdec", masPerYear, -12_000, 12_000, "proper motion in declination", false, func(r *Row) *float64 { return &r.PMDec }},
	{"parallax", "parallax", mas, -5_000, 2_000, "parallax", false, func(r *Row) *float64 { return &r.Parallax }},
	{"mag", "phot_g_mean_mag", magnitude, -2, 30, "magnitude", true, func(r *Row) *float64 { return &r.Mag }},
	{"bp", "phot_bp_mean_mag", magnitude, -3, 32, "blue magnitude", false, func(r *Row) *float64 { return &r.BP }},
	{"rp", "phot_rp_mean_mag", magnitude, -3, 30, "red magnitude", false, func(r *Row) *float64 { return &r.RP }},
	{"epoch", "ref_epoch", years, 1800, 2200, "epoch", false, func(r *Row) *float64 { return &r.Epoch }},
}

// Columns says which column of a table holds what, by key (ra, dec, pmra, pmdec, parallax, mag, bp, rp, epoch). What
// is not named is looked for under its name in the Gaia archive.
type Columns map[string]string

// ParseColumns reads a list such as "ra=RAJ2000,dec=DEJ2000,mag=Vmag".
func ParseColumns(list string) (Columns, error) {
	out := Columns{}
	for part := range strings.SplitSeq(list, ",") {
		key, name, ok := strings.Cut(part, "=")
		key, name = strings.ToLower(strings.TrimSpace(key)), strings.TrimSpace(name)
		if !ok || name == "" || !slices.ContainsFunc(quantities, func(q quantity) bool { return q.key == key }) {
			return nil, fmt.Errorf("%q: give pairs such as ra=RAJ2000,dec=DEJ2000,mag=Vmag; what can be given is %s", part, keys())
		}
		out[key] = name
	}
	return out, nil
}

func keys() string {
	var all []string
	for _, q := range quantities {
		all = append(all, q.key)
	}
	return strings.Join(all, ", ")
}

// field is a column that a table says it has.
type field struct{ name, unit string }

// find gives for each quantity the number of its column, or -1.
func (c Columns) find(fields []field) ([]int, error) {
	at := make([]int, len(quantities))
	for i, q := range quantities {
		name, mapped := q.column, false
		if own, ok := c[q.key]; ok {
			name, mapped = own, true
		}
		at[i] = slices.IndexFunc(fields, func(f field) bool { return strings.EqualFold(f.name, name) })
		if at[i] < 0 {
			if q.required || mapped {
				return nil, fmt.Errorf("there is no column %q for the %s; it has %s: name the right one with --columns %s=NAME", name, q.what, names(fields), q.key)
			}
			continue
		}
		unit := strings.ToLower(strings.ReplaceAll(strings.Trim(fields[at[i]].unit, " '"), " / ", "/"))
		if unit != "" && !slices.Contains(q.units, unit) {
			return nil, fmt.Errorf("column %q is in %q, and the %s is wanted in %s", name, fields[at[i]].unit, q.what, q.units[0])
		}
	}
	return at, nil
}

// names lists columns, the first of many.
func names(fields []field) string {
	const most = 12
	var all []string
	for _, f := range fields {
		if len(all) == most {
			all = append(all, fmt.Sprintf("and %d more", len(fields)-most))
			break
		}
		all = append(all, fmt.Sprintf("%q", f.name))
	}
	if len(all) == 0 {
		return "none"
	}
	return strings.Join(all, ", ")
}

// check tells what cannot be meant in a row.
func (r *Row) check() error {
	for i := range quantities {
		q := &quantities[i]
		switch v := *q.of(r); {
		case math.IsNaN(v):
			if q.required && q.key != "mag" {
				return fmt.Errorf("the %s is missing", q.what)
			}
		case !(v >= q.lo && v <= q.hi):
			return fmt.Errorf("the %s is %g, which is not between %g and %g", q.what, v, q.lo, q.hi)
		}
	}
	return nil
}
