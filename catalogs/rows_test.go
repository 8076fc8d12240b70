package catalogs_test

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"polard/catalogs"
	"polard/mountmodel/sky"
)

// What compiling may add to the published numbers; format.go derives them.
const (
	placeError = 0.0421 * sky.Arcsecond
	magError   = 0.5/15 + 1e-5 // and the rounding of float32 near 15
	slowError  = 0.5 + 0.005   // mas/yr, and the two decimals of the table
	fastError  = 0.05 + 0.005  // mas/yr, likewise
	slowLimit  = 127.5         // mas/yr, rounds to what fits a byte

	// V from BT and VT against measured V: the relation holds to a few
	// hundredths (ESA SP-1200, vol. 1, sect. 1.3, from memory).
	relationV = magError + 0.05
)

func open(t testing.TB) *catalogs.Catalogue {
	t.Helper()
	c, err := catalogs.Open()
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// table reads a tab-separated file with a head line.
type row map[string]string

func table(t *testing.T, path string) []row {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comma = '\t'
	records, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []row
	for _, record := range records[1:] {
		m := row{}
		for i, name := range records[0] {
			m[name] = record[i]
		}
		rows = append(rows, m)
	}
	return rows
}

func (r row) number(t *testing.T, name string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(r[name], 64)
	if err != nil {
		t.Fatalf("column %s: %v", name, err)
	}
	return x
}

func (r row) place(t *testing.T, ra, dec string) sky.ICRS {
	t.Helper()
	return sky.ICRSFromRADec(sky.Angle(r.number(t, ra))*sky.Degree, sky.Angle(r.number(t, dec))*sky.Degree)
}

// Rows of the published files, sampled and carried to J2000.0 by a program of
// its own (testdata/catalogs/make_checks.py, ERFA): ordinary stars, every flag,
// the brightest, faintest and fastest, those at the poles, at right ascension
// 0 and at the edges and corners of the cube.
func TestRowsOfThePublishedFiles(t *testing.T) {
	c := open(t)
	kinds := map[string]int{}
	for _, r := range table(t, "../testdata/catalogs/rows.tsv") {
		kinds[r["kind"]]++
		place := r.place(t, "ra_deg", "dec_deg")
		v := r.number(t, "v_mag")
		hasPM := r["pmra_mas"] != ""
		var ra, dec float64
		if hasPM {
			ra, dec = r.number(t, "pmra_mas"), r.number(t, "pmdec_mas")
		}
		tolerance := slowError
		if math.Abs(ra) >= slowLimit || math.Abs(dec) >= slowLimit {
			tolerance = fastError
		}
		found := false
		var near []catalogs.Star
		c.Cone(place, placeError, math.Inf(1), func(s catalogs.Star) {
			near = append(near, s)
			found = found || s.HasPM == hasPM &&
				math.Abs(float64(s.V)-v) <= magError &&
				math.Abs(float64(s.PMRA)-ra) <= tolerance && math.Abs(float64(s.PMDec)-dec) <= tolerance
		})
		if !found {
			t.Errorf("%s line %s, TYC %s (%s): want V %.3f, motion %v %.1f, %.1f; within %.3f arcsec are %+v",
				r["file"], r["line"], r["tyc"], r["chosen"], v, hasPM, ra, dec, placeError.Arcseconds(), near)
		}
	}
	for _, kind := range []string{"-", "P", "X", "H", "T"} {
		if kinds[kind] < 30 {
			t.Errorf("the table has %d rows of kind %s", kinds[kind], kind)
		}
	}
}

// Star counts of the published files, per magnitude of V
// (testdata/catalogs/make_checks.py). The steps of V in the file have their
// borders on whole magnitudes, so that the counts must agree exactly.
func TestCountsPerMagnitude(t *testing.T) {
	c := open(t)
	type count struct{ stars, withoutPM int }
	got := map[int]count{}
	for i := range int32(c.Len()) {
		s := c.Star(i)
		n := got[int(math.Floor(float64(s.V)))]
		n.stars++
		if !s.HasPM {
			n.withoutPM++
		}
		got[int(math.Floor(float64(s.V)))] = n
	}
	want := map[int]count{}
	total := 0
	for _, r := range table(t, "../testdata/catalogs/counts.tsv") {
		n := count{int(r.number(t, "stars")), int(r.number(t, "without_pm"))}
		want[int(r.number(t, "v_from"))] = n
		total += n.stars
	}
	for v := range 20 {
		if v -= 3; got[v] != want[v] {
			t.Errorf("V %d to %d: %+v, the published files have %+v", v, v+1, got[v], want[v])
		}
	}
	// The ReadMe of CDS I/259: 2 539 913 entries and 17 588 in supplement 1.
	if total != 2539913+17588 || c.Len() != total {
		t.Errorf("%d stars, the table has %d", c.Len(), total)
	}
}

// Bright stars as published by another catalogue of the same satellite:
// Hipparcos (ESA SP-1200, 1997), places carried to J2000.0 and V as printed in
// the star list of PyEphem 4.1.4 (ephem/stars.py, Debian python3-ephem), where
// right ascension is in hours.
func TestBrightStars(t *testing.T) {
	const (
		// Hipparcos in tenths of mas/yr against whole numbers here, and the
		// decimals of the list: 1e-8 hour is 0.5 mas.
		hipparcosPlace = placeError + 2e-3*sky.Arcsecond
		// Motions of the main catalogue come from a century of ground-based
		// work and place at J2000.0 with them: three times the larger standard
		// errors of the stars below, 1 mas/yr and 6 mas, and Hipparcos' own.
		tycho2Place = placeError + 20e-3*sky.Arcsecond
		tycho2PM    = slowError + 4
		hipparcosPM = slowError + 0.05 // one decimal there
		// The motion of a fast star at high declination turns with the
		// meridian from J1991.25 to J2000.0, by 1.0 mas/yr for Rigil Kentaurus
		// (mu^2 tan(dec) 8.75 yr).
		turnedPM = 1.1
		// Brighter than VT = 1.9 the star mapper saturates: the main catalogue
		// leaves these stars to the supplement. Sirius is the worst, with Hp
		// -1.088 for V -1.44; still it must come out as bright.
		saturatedV = 0.35
	)
	c := open(t)
	for _, s := range []struct {
		name            string
		raHours, decDeg float64
		pmRA, pmDec, v  float64
		place           sky.Angle
		pmError, vError float64
	}{
		{"Sirius", 6.75247697, -16.71611569, -546.01, -1223.08, -1.44, hipparcosPlace, hipparcosPM, saturatedV},
		{"Canopus", 6.39919718, -52.69566045, 19.99, 23.67, -0.62, hipparcosPlace, hipparcosPM, saturatedV},
		{"Rigil Kentaurus", 14.66013779, -60.83397588, -3678.19, 481.84, -0.01, hipparcosPlace, turnedPM, saturatedV},
		{"Arcturus", 14.26102001, 19.18241038, -1093.45, -1999.4, -0.05, hipparcosPlace, hipparcosPM, saturatedV},
		{"Vega", 18.61564903, 38.78369185, 201.02, 287.46, 0.03, hipparcosPlace, hipparcosPM, saturatedV},
		{"Capella", 5.27815528, 45.99799106, 75.52, -427.13, 0.08, hipparcosPlace, hipparcosPM, saturatedV},
		{"Rigel", 5.24229787, -8.20164055, 1.87, -0.56, 0.18, hipparcosPlace, hipparcosPM, saturatedV},
		{"Procyon", 7.65503283, 5.22499314, -716.57, -1034.58, 0.40, hipparcosPlace, hipparcosPM, saturatedV},
		{"Achernar", 1.62856849, -57.23675744, 88.02, -40.08, 0.45, hipparcosPlace, hipparcosPM, saturatedV},
		{"Betelgeuse", 5.91952924, 7.40706274, 27.33, 10.86, 0.45, hipparcosPlace, hipparcosPM, saturatedV},
		{"Altair", 19.84638864, 8.86832203, 536.82, 385.54, 0.76, hipparcosPlace, hipparcosPM, saturatedV},
		{"Spica", 13.41988313, -11.16132203, -42.5, -31.73, 0.98, hipparcosPlace, hipparcosPM, saturatedV},
		{"Fomalhaut", 22.96084626, -29.62223601, 329.22, -164.22, 1.17, hipparcosPlace, hipparcosPM, saturatedV},
		{"Deneb", 20.69053187, 45.28033800, 1.56, 1.55, 1.25, hipparcosPlace, hipparcosPM, saturatedV},
		{"Mizar", 13.39876192, 54.92536183, 121.23, -22.01, 2.23, tycho2Place, tycho2PM, relationV},
		{"Mirach", 1.16220100, 35.62055768, 175.59, -112.23, 2.07, tycho2Place, tycho2PM, relationV},
	} {
		d := sky.ICRSFromRADec(sky.Angle(s.raHours)*sky.Hour, sky.Angle(s.decDeg)*sky.Degree)
		got := c.Brightest(d, sky.Arcsecond, 1)
		if len(got) == 0 {
			t.Errorf("%s is missing", s.name)
			continue
		}
		g := got[0]
		if sep := sky.Separation(g.Dir, d); sep > s.place {
			t.Errorf("%s is %.4f arcsec off, allowed %.4f", s.name, sep.Arcseconds(), s.place.Arcseconds())
		}
		if !g.HasPM || math.Abs(float64(g.PMRA)-s.pmRA) > s.pmError || math.Abs(float64(g.PMDec)-s.pmDec) > s.pmError {
			t.Errorf("%s moves %v %.1f, %.1f mas/yr, want %.2f, %.2f", s.name, g.HasPM, g.PMRA, g.PMDec, s.pmRA, s.pmDec)
		}
		if math.Abs(float64(g.V)-s.v) > s.vError {
			t.Errorf("%s has V %.3f, want %.2f", s.name, g.V, s.v)
		}
	}
}

// Stars flagged X in the main catalogue have no proper motion there, bright
// ones among them; they stand where the satellite saw them. Published places
// as in TestBrightStars, taken back to the epoch of that observation.
func TestStarsWithoutMotionStandWhereObserved(t *testing.T) {
	const (
		observed = 1991.65 // EpRA, EpDE of the three: 1991.55 to 1991.75
		// 0.1 year of the fastest, 60 mas/yr, and the errors of both
		// catalogues, 3 and 1 mas.
		place = placeError + 10e-3*sky.Arcsecond
	)
	c := open(t)
	for _, s := range []struct {
		name            string
		raHours, decDeg float64
		pmRA, pmDec     float32
		v               float64
	}{
		{"Polaris", 2.53030100, 89.26410949, 44.22, -11.74, 1.97},
		{"Kochab", 14.84509068, 74.15550496, -32.29, 11.91, 2.07},
		{"Schedar", 0.67512237, 56.53733107, 50.36, -32.17, 2.24},
	} {
		published := catalogs.Star{
			Dir:  sky.ICRSFromRADec(sky.Angle(s.raHours)*sky.Hour, sky.Angle(s.decDeg)*sky.Degree),
			PMRA: s.pmRA, PMDec: s.pmDec, HasPM: true,
		}
		then := published.At(observed)
		got := c.Brightest(then, sky.Arcsecond, 1)
		if len(got) == 0 {
			t.Errorf("%s is missing", s.name)
			continue
		}
		g := got[0]
		if sep := sky.Separation(g.Dir, then); sep > place {
			t.Errorf("%s is %.4f arcsec off, allowed %.4f", s.name, sep.Arcseconds(), place.Arcseconds())
		}
		if g.HasPM || g.PMRA != 0 || g.PMDec != 0 || g.At(2030) != g.Dir {
			t.Errorf("%s has a proper motion: %+v", s.name, g)
		}
		if math.Abs(float64(g.V)-s.v) > relationV {
			t.Errorf("%s has V %.3f, want %.2f", s.name, g.V, s.v)
		}
	}
}
