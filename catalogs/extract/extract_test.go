package extract_test

import (
	"bytes"
	"compress/gzip"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"polard/catalogs/extract"
)

const samples = "../../testdata/catalogs/extract"

func readAll(data []byte, columns extract.Columns) (extract.Origin, []extract.Row, error) {
	t, err := extract.Open(bytes.NewReader(data), columns)
	if err != nil {
		return extract.Origin{}, nil, err
	}
	var rows []extract.Row
	for {
		var r extract.Row
		if err := t.Read(&r); errors.Is(err, io.EOF) {
			return t.Origin, rows, nil
		} else if err != nil {
			return t.Origin, rows, err
		}
		rows = append(rows, r)
	}
}

func sample(t testing.TB, name string) []byte {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(samples, name))
	if err != nil {
		t.Fatal(err)
	}
	if name == "two.fits" { // its declination stands in for a magnitude, which must not be in degrees
		data = bytes.Replace(data, []byte("TUNIT3"), []byte("TWORD3"), 1)
	}
	return data
}

// The magnitudes that stand in for those that a sample lacks.
var standIns = map[string]extract.Columns{
	"dr2_binary2.vot": {"mag": "a_g_val"},
	"two.csv":         {"mag": "dec"}, "two.fits": {"mag": "dec"}, "two.vot": {"mag": "my_votable_fits_oid"}, "two_plain.vot": {"mag": "my_votable_fits_oid"},
}

// Every sample as astropy reads it (testdata/catalogs/extract/make_reference.py).
func TestAgainstAstropy(t *testing.T) {
	lines := strings.Split(strings.TrimRight(string(sample(t, "reference.tsv")), "\n"), "\n")
	if len(lines) < 40 {
		t.Fatalf("the reference has %d lines", len(lines))
	}
	read := map[string][]extract.Row{}
	count := map[string]int{}
	for _, line := range lines[1:] {
		f := strings.Split(line, "\t")
		name := f[0]
		if _, done := read[name]; !done {
			_, rows, err := readAll(sample(t, name), standIns[name])
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			read[name] = rows
		}
		i, _ := strconv.Atoi(f[1])
		count[name]++
		if i >= len(read[name]) {
			t.Fatalf("%s has %d rows, astropy finds more", name, len(read[name]))
		}
		r := read[name][i]
		for k, got := range []float64{r.RA, r.Dec, r.PMRA, r.PMDec, r.Parallax, r.Mag, r.BP, r.RP, r.Epoch} {
			if k == 5 && standIns[name] != nil {
				continue
			}
			want, err := strconv.ParseFloat(f[2+k], 64)
			if f[2+k] == "" {
				want, err = math.NaN(), nil
			}
			if err != nil {
				t.Fatal(err)
			}
			tol := 1e-13 * math.Abs(want) // a decimal text to a double and back
			if k >= 5 {
				tol = 2e-6 // single precision at magnitude 20
			}
			if math.IsNaN(want) != math.IsNaN(got) || math.Abs(got-want) > tol {
				t.Errorf("%s, row %d, value %d: %v, astropy finds %v", name, i, k, got, want)
			}
		}
	}
	for name, n := range count {
		if len(read[name]) != n {
			t.Errorf("%s: %d rows, astropy finds %d", name, len(read[name]), n)
		}
	}
}

func TestOrigin(t *testing.T) {
	for _, c := range []struct{ name, format, query, credit string }{
		{"gaia_source.ecsv", "ECSV", "gaiadr3.gaia_source", "acknowledge Gaia"},
		{"gaia_source.vot", "VOTable", "gaiadr3.gaia_source", ""},
		{"two.vot", "VOTable", "SELECT TOP 20", "credits"},
		{"two.csv", "separated text", "", ""},
		{"two.fits", "FITS table", "", ""},
	} {
		o, _, err := readAll(sample(t, c.name), standIns[c.name])
		if err != nil {
			t.Fatal(err)
		}
		if o.Format != c.format || !strings.Contains(o.Query, c.query) || !strings.Contains(o.Credit, c.credit) {
			t.Errorf("%s: %+v", c.name, o)
		}
	}
}

const good = "source_id,ra,dec,pmra,pmdec,parallax,phot_g_mean_mag\n1,10.5,-20.25,3.5,-4.5,2.25,14.5\n"

func TestText(t *testing.T) {
	for _, c := range []struct {
		name, text string
		columns    extract.Columns
		want       int
		err        string
	}{
		{"plain", good, nil, 1, ""},
		{"windows", strings.ReplaceAll(good, "\n", "\r\n"), nil, 1, ""},
		{"byte order mark", "\ufeff" + strings.Replace(good, "source_id,ra", "ra,source_id", 1), nil, 1, ""},
		{"no end of line", strings.TrimSpace(good), nil, 1, ""},
		{"tabs", strings.ReplaceAll(good, ",", "\t"), nil, 1, ""},
		{"semicolons", strings.ReplaceAll(good, ",", ";"), nil, 1, ""},
		{"blanks", strings.ReplaceAll(good, ",", " "), nil, 1, ""},
		{"comments", "# from somewhere\n# more\n" + good + "# last\n", nil, 1, ""},
		{"names in capitals", strings.ToUpper(good[:strings.Index(good, "\n")]) + good[strings.Index(good, "\n"):], nil, 1, ""},
		{"mapped", "RAJ2000,DEJ2000,Vmag\n1,2,3\n", extract.Columns{"ra": "RAJ2000", "dec": "DEJ2000", "mag": "Vmag"}, 1, ""},
		{"no magnitude", good + "2,11,12,,,,\n", nil, 2, ""},
		{"null", good + "2,11,12,null,null,null,15\n", nil, 2, ""},
		{"column not there", "a,b,c\n1,2,3\n", nil, 0, `no column "ra" for the right ascension; it has "a", "b", "c"`},
		{"mapped to nothing", good, extract.Columns{"bp": "blue"}, 0, `no column "blue"`},
		{"word", good + "2,11,x12,0,0,0,15\n", nil, 1, `line 3: column "dec" holds "x12"`},
		{"out of range", good + "2,11,95,0,0,0,15\n", nil, 1, "line 3: the declination is 95"},
		{"infinite", good + "2,inf,5,0,0,0,15\n", nil, 1, "line 3: the right ascension is +Inf"},
		{"absurd motion", good + "2,11,5,1e9,0,0,15\n", nil, 1, "line 3: the proper motion"},
		{"no place", good + "2,,5,0,0,0,15\n", nil, 1, "line 3: the right ascension is missing"},
		{"too few", good + "2,11\n", nil, 1, "line 3: it has not 7 columns"},
		{"line after comments", "# a\n# b\n" + good + "2,11\n", nil, 1, "line 5:"},
		{"quote", good + "2,\"11,5,0,0,0,15\n", nil, 1, "line 3"},
		{"endless line", good + strings.Repeat("9", 3<<20), nil, 1, "does not end"},
		{"empty", "", nil, 0, "empty"},
		{"words", "hello\n", nil, 0, "no column"},
	} {
		_, rows, err := readAll([]byte(c.text), c.columns)
		if (err == nil) != (c.err == "") || err != nil && !strings.Contains(err.Error(), c.err) {
			t.Errorf("%s: error %v, want %q", c.name, err, c.err)
		}
		if len(rows) != c.want {
			t.Errorf("%s: %d rows, want %d", c.name, len(rows), c.want)
		}
	}
}

func zipped(t testing.TB, s string) []byte {
	t.Helper()
	var b bytes.Buffer
	w := gzip.NewWriter(&b)
	if _, err := w.Write([]byte(s)); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// What is cut anywhere gives rows or a reason, and never rows that are not in the whole.
func TestCut(t *testing.T) {
	long := good
	for range 200 {
		long += "2,11.5,12.5,1,2,3,15\n"
	}
	for name, data := range map[string][]byte{
		"gzip": zipped(t, long), "made.fits": sample(t, "made.fits"), "made_binary.vot": sample(t, "made_binary.vot"),
		"made_binary2.vot": sample(t, "made_binary2.vot"), "made_tabledata.vot": sample(t, "made_tabledata.vot"), "gaia_source.vot": sample(t, "gaia_source.vot"),
	} {
		_, whole, err := readAll(data, nil)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		for n := 0; n < len(data); n += 1 + len(data)/300 {
			_, rows, err := readAll(data[:n], nil)
			if len(rows) > len(whole) || err == nil && len(rows) < len(whole) {
				t.Fatalf("%s cut at %d of %d: %d of %d rows and error %v", name, n, len(data), len(rows), len(whole), err)
			}
			if err != nil && len(err.Error()) < 12 {
				t.Errorf("%s cut at %d: the error is only %q", name, n, err)
			}
		}
	}
}

func TestUnits(t *testing.T) {
	table := func(unit string) string {
		return `<VOTABLE><RESOURCE><TABLE><FIELD name="ra" datatype="double" unit="` + unit + `"/><FIELD name="dec" datatype="double"/>` +
			`<FIELD name="phot_g_mean_mag" datatype="float" unit="mag"/><DATA><TABLEDATA><TR><TD>1</TD><TD>2</TD><TD>3</TD></TR></TABLEDATA></DATA></TABLE></RESOURCE></VOTABLE>`
	}
	if _, rows, err := readAll([]byte(table("deg")), nil); err != nil || len(rows) != 1 || rows[0].Dec != 2 {
		t.Errorf("degrees: %v, %v", rows, err)
	}
	if _, _, err := readAll([]byte(table("rad")), nil); err == nil || !strings.Contains(err.Error(), "wanted in deg") {
		t.Errorf("radians: %v", err)
	}
}

func TestParseColumns(t *testing.T) {
	c, err := extract.ParseColumns("ra=RAJ2000, DEC = DEJ2000,mag=V mag")
	if err != nil || c["ra"] != "RAJ2000" || c["dec"] != "DEJ2000" || c["mag"] != "V mag" {
		t.Errorf("%v, %v", c, err)
	}
	for _, bad := range []string{"", "ra", "ra=", "colour=x", "ra=a;dec=b,"} {
		if _, err := extract.ParseColumns(bad); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
}

// Any bytes are rows that can be meant, or a refusal; a reader never takes much memory or time over them.
func FuzzOpen(f *testing.F) {
	for _, name := range []string{"two.csv", "two.fits", "two.vot", "two_plain.vot", "dr2_binary2.vot", "made.csv.gz", "made.fits", "made_binary.vot", "made_binary2.vot", "made_tabledata.vot", "gaia_source.ecsv"} {
		f.Add(sample(f, name))
	}
	f.Add([]byte(good))
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > 1<<16 {
			return
		}
		_, rows, err := readAll(data, nil)
		if err == nil && len(rows) > len(data)*2000 { // gzip shrinks a thousandfold at most
			t.Errorf("%d rows from %d bytes", len(rows), len(data))
		}
		for _, r := range rows {
			if !(r.RA >= 0 && r.RA <= 360 && r.Dec >= -90 && r.Dec <= 90) {
				t.Errorf("row %+v", r)
			}
		}
	})
}

func BenchmarkText(b *testing.B) {
	line := "5853498713190525696,217.392321472009,-62.6760751167667,-3781.741,769.465,768.0665,8.984749,11.373116,7.5685353\n"
	var text bytes.Buffer
	text.WriteString("source_id,ra,dec,pmra,pmdec,parallax,phot_g_mean_mag,phot_bp_mean_mag,phot_rp_mean_mag\n")
	for range 100_000 {
		text.WriteString(line)
	}
	b.SetBytes(int64(text.Len()))
	for b.Loop() {
		table, err := extract.Open(bytes.NewReader(text.Bytes()), nil)
		if err != nil {
			b.Fatal(err)
		}
		var row extract.Row
		for err == nil {
			err = table.Read(&row)
		}
		if !errors.Is(err, io.EOF) {
			b.Fatal(err)
		}
	}
}
