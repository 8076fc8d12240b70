package fits

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"polard/mountmodel/sky"
)

// The value field of a card. Sources: FITS Standard 4.0, sections 4.2.1 to
// 4.2.4; "lenient": not legal there, but written by camera programs and not in
// doubt (common practice).
func TestCardValue(t *testing.T) {
	for _, c := range []struct {
		card, value string
		kind        valueKind
		source      string
	}{
		{"KEYWORD1= ''                   / null string keyword", "", textValue, "4.2.1.1, example"},
		{"KEYWORD2= '  '                 / empty string keyword", "", textValue, "4.2.1.1, example"},
		{"OBSERVER= 'O''Hara  '", "O'Hara", textValue, "4.2.1.1: two quotes are one"},
		{"KEYWORD = '  leading'", "  leading", textValue, "4.2.1.1: leading spaces count"},
		{"KEYWORD = 'a / b'   / slash in a string", "a / b", textValue, "4.2.1.1"},
		{"KEYWORD = 'never closed", "", noValue, "4.2.1.1"},
		{"KEYWORD =                    T", "T", logical, "4.2.2"},
		{"KEYWORD = F/ free format", "F", logical, "4.2.2"},
		{"KEYWORD = TRUE", "", noValue, "4.2.2"},
		{"KEYWORD =                  123", "123", whole, "4.2.3"},
		{"KEYWORD = -0042 / zeros", "-0042", whole, "4.2.3"},
		{"KEYWORD = +7", "+7", whole, "4.2.3"},
		{"KEYWORD = 1.5E-3", "0.0015", real, "4.2.4"},
		{"KEYWORD = 1.D2", "100.0", real, "4.2.4: D for double precision"},
		{"KEYWORD = .5", "0.5", real, "4.2.4: no digit before the point"},
		{"KEYWORD = -2.", "-2.0", real, "4.2.4"},
		{"KEYWORD =", "", noValue, "4.1.2.3: undefined"},
		{"KEYWORD =   / no value", "", noValue, "4.1.2.3: undefined"},
		{"KEYWORD = (1.0, 2.0)", "", noValue, "4.2.6: complex, of no use here"},
		{"KEYWORD = 1e-05", "1.0E-05", real, "lenient"},
		{"KEYWORD = 2.5/seconds", "2.5", real, "lenient"},
		{"KEYWORD = nan", "", noValue, "4.2.4: no such spelling"},
		{"KEYWORD = 0x10", "", noValue, "4.2.3"},
		{"KEYWORD = 1_000", "", noValue, "4.2.3"},
		{"KEYWORD = 1E999", "", noValue, "beyond a double"},
		{"KEYWORD = 1 2", "", noValue, "4.2.3: no embedded blank"},
		{"KEYWORD = 10s", "", noValue, "4.2.3"},
	} {
		v, kind := cardValue(fmt.Appendf(nil, "%-80s", c.card))
		if v != c.value || kind != c.kind {
			t.Errorf("%q: %q of kind %d, want %q of kind %d (%s)", c.card, v, kind, c.value, c.kind, c.source)
		}
	}
}

// What reaches a Frame through the keyword reader, in forms that trip it when
// it is given a header as found.
func TestAwkwardCards(t *testing.T) {
	f := mustDecode(t, small(
		"CONTINUE  'after nothing'",
		"OBJECT  = 'A long name that goes on and on, as surveys like to have them, o&'",
		"CONTINUE  'ver two cards'  / comment",
		"INSTRUME= 'Ka\xcdmera'", // Latin-1
		"EXPTIME = 1e1",
		"XPIXSZ  = .5e1/um",
		"HIERARCH ESO DET CHIP = 'x' / of no use here",
		"EXPTIME = 20.0",
		"BINNING = ",
		"FOCALLEN= twenty",
		"lower   = 3",
		"BIG     = 123456789012345678901234567890",
		"TELESCOP= 'unclosed",
		"COMMENT  \xff\x00\n anything",
		"END",
	))
	if want := "A long name that goes on and on, as surveys like to have them, over two cards"; f.Object != want {
		t.Errorf("object %q, want %q", f.Object, want)
	}
	if f.Instrument != "Ka?mera" {
		t.Errorf("instrument %q", f.Instrument)
	}
	if f.Exposure != 10*time.Second {
		t.Errorf("exposure %v: the first of two cards counts", f.Exposure)
	}
	if f.PixelUm != 5 {
		t.Errorf("pixel %g", f.PixelUm)
	}
	all := strings.Join(f.Warnings, "; ")
	for _, want := range []string{"FOCALLEN", "TELESCOP", "EXPTIME"} {
		if !strings.Contains(all, want) {
			t.Errorf("warnings %q do not name %s", all, want)
		}
	}
}

const clock = "2006-01-02T15:04:05.000"

// Time of the exposure. Sources: FITS Standard 4.0, section 4.4.2.1 (old
// DD/MM/YY), 9.1.1 (ISO 8601), 9.2.1 table 30 (TIMESYS; leap seconds from IERS
// Bulletin C, 37 s in 2026; TT - TAI = 32.184 s; TAI - GPS = 19 s), 9.5
// (DATE-BEG, -AVG, -END, MJD-xxx); "practice": keywords of camera programs,
// common practice.
func TestMoment(t *testing.T) {
	const none = ""
	for _, c := range []struct {
		source   string
		cards    string // separated by ;
		mid      string
		exposure time.Duration
		warning  string // part of one, or none at all
	}{
		{"9.1.1", "DATE-OBS= '2026-03-07T10:52:59.500';EXPTIME = 1.0", "2026-03-07T10:53:00.000", time.Second, none},
		{"9.1.1, no fraction", "DATE-OBS= '2026-12-31T23:59:59';EXPOSURE= 4", "2027-01-01T00:00:01.000", 4 * time.Second, none},
		{"9.1.1, leap second", "DATE-OBS= '2016-12-31T23:59:60.5';EXPTIME = 1.0", "2017-01-01T00:00:01.000", time.Second, none},
		{"practice, offset", "DATE-OBS= '2017-12-19T18:33:43.317-0700';EXPTIME = 60.0", "2017-12-20T01:34:13.317", time.Minute, none},
		{"practice, offset with colon", "DATE-OBS= '2026-01-01T01:00:00+02:00';EXPTIME = 2", "2025-12-31T23:00:01.000", 2 * time.Second, none},
		{"practice, offset in hours", "DATE-OBS= '2026-01-01T01:00:00+02';EXPTIME = 2", "2025-12-31T23:00:01.000", 2 * time.Second, none},
		{"practice, Z", "DATE-OBS= '2026-01-01T01:00:00.250Z';EXPTIME = 2", "2026-01-01T01:00:01.250", 2 * time.Second, none},
		{"practice, blank for T", "DATE-OBS= '2026-01-01 01:00:00';EXPTIME = 2", "2026-01-01T01:00:01.000", 2 * time.Second, none},
		{"practice, minutes only", "DATE-OBS= '2026-01-01T01:30';EXPTIME = 2", "2026-01-01T01:30:01.000", 2 * time.Second, none},
		{"practice, slashes", "DATE-OBS= '2026/01/31';TIME-OBS= '22:00:00';EXPTIME = 2", "2026-01-31T22:00:01.000", 2 * time.Second, none},
		{"4.4.2.1", "DATE-OBS= '19/05/94';TIME-OBS= '15:41:16';EXPTIME = 2", "1994-05-19T15:41:17.000", 2 * time.Second, none},
		{"practice, UT", "DATE-OBS= '2018-07-29';UTSTART = '04:08:29.014';EXPTIME = 60", "2018-07-29T04:08:59.014", time.Minute, none},
		{"practice, seconds of the day", "DATE-OBS= '2018-07-29';TM-START= 14909.014;EXPTIME = 60", "2018-07-29T04:08:59.014", time.Minute, none},
		{"9.5, DATE-AVG first", "DATE-OBS= '2026-03-07T10:00:00';EXPTIME = 10;DATE-AVG= '2026-03-07T10:00:05.5'", "2026-03-07T10:00:05.500", 10 * time.Second, none},
		{"9.5, MJD-AVG", "MJD-AVG = 60000.25;EXPTIME = 10", "2023-02-25T06:00:00.000", 10 * time.Second, none},
		{"9.5, MJD-BEG", "MJD-BEG = 60000.5;EXPTIME = 10", "2023-02-25T12:00:05.000", 10 * time.Second, "only time is MJD-BEG"},
		{"9.5, MJD-OBS to a second", "MJD-OBS = 51544.123456;EXPTIME = 10", "2000-01-01T02:57:51.598", 10 * time.Second, none},
		{"9.5, DATE-BEG before DATE-OBS", "DATE-OBS= '2026-03-07T11:00:00';DATE-BEG= '2026-03-07T10:00:00';EXPTIME = 10", "2026-03-07T10:00:05.000", 10 * time.Second, none},
		{"9.5, start and end", "DATE-BEG= '2026-03-07T10:00:00';DATE-END= '2026-03-07T10:00:08'", "2026-03-07T10:00:04.000", 8 * time.Second, none},
		{"9.2.1, TAI", "DATE-OBS= '2026-03-07T10:00:37';TIMESYS = 'TAI';EXPTIME = 2", "2026-03-07T10:00:01.000", 2 * time.Second, none},
		{"9.2.1, TT", "DATE-OBS= '2026-03-07T10:01:09.184';TIMESYS = 'TT';EXPTIME = 2", "2026-03-07T10:00:01.000", 2 * time.Second, none},
		{"9.2.1, GPS", "DATE-OBS= '2026-03-07T10:00:18';TIMESYS = 'GPS';EXPTIME = 2", "2026-03-07T10:00:01.000", 2 * time.Second, none},
		{"9.2.1, TT realisation", "DATE-OBS= '2026-03-07T10:01:09.184';TIMESYS = 'TT(BIPM08)';EXPTIME = 2", "2026-03-07T10:00:01.000", 2 * time.Second, none},
		{"9.2.1, unknown", "DATE-OBS= '2026-03-07T10:00:00';TIMESYS = 'LOCAL';EXPTIME = 2", "2026-03-07T10:00:01.000", 2 * time.Second, "LOCAL"},
		{"practice, exposure as text", "DATE-OBS= '2026-03-07T10:00:00';EXPTIME = '2.0'", "2026-03-07T10:00:01.000", 2 * time.Second, none},

		{"local time beside UT", "DATE-OBS= '2026-03-07T20:00:00';UT-OBS  = '03:00:00';EXPTIME = 2", "2026-03-08T03:00:01.000", 2 * time.Second, "local time"},
		{"local time beside UT with a date", "DATE-OBS= '2026-03-07T20:00:00';UTC-OBS = '2026-03-07T19:00:00';EXPTIME = 2", "2026-03-07T19:00:01.000", 2 * time.Second, "local time"},
		{"other UT", "DATE-OBS= '2026-03-07T20:00:00';UT      = '20:07:00';EXPTIME = 2", "2026-03-07T20:00:01.000", 2 * time.Second, "7m0s off the universal time"},
		{"UT when the shutter closed", "DATE-OBS= '2026-03-07T20:00:00';UT      = '20:01:00';EXPTIME = 60", "2026-03-07T20:00:30.000", time.Minute, none},
		{"MJD contradicts", "DATE-OBS= '2026-03-07T20:00:00';MJD-OBS = 61000.123456;EXPTIME = 2", "2026-03-07T20:00:01.000", 2 * time.Second, "MJD-OBS"},
		{"coarse MJD agrees", "DATE-OBS= '2017-12-20T01:33:43.317';MJD-OBS = 58107.065;EXPTIME = 60", "2017-12-20T01:34:13.317", time.Minute, none},
		{"average contradicts", "DATE-OBS= '2026-03-07T20:00:00';DATE-AVG= '2026-03-07T20:01:00';EXPTIME = 2", "2026-03-07T20:01:00.000", 2 * time.Second, "DATE-AVG"},
		{"end too early", "DATE-OBS= '2026-03-07T20:00:00';DATE-END= '2026-03-07T20:00:10';EXPTIME = 60", "2026-03-07T20:00:30.000", time.Minute, "shorter"},
		{"sum of exposures", "DATE-OBS= '2026-03-07T20:00:00';DATE-END= '2026-03-07T21:00:00';EXPTIME = 60", "2026-03-07T20:00:30.000", time.Minute, "sum of exposures"},
		{"no exposure", "DATE-OBS= '2026-03-07T20:00:00'", "2026-03-07T20:00:00.000", 0, "no exposure time"},
		{"negative exposure", "DATE-OBS= '2026-03-07T20:00:00';EXPTIME = -3", "2026-03-07T20:00:00.000", 0, "EXPTIME = -3"},
		{"no such day", "DATE-OBS= '2026-02-30T20:00:00';EXPTIME = 1", "", time.Second, "no day 30"},
		{"no such hour", "DATE-OBS= '2026-02-03T25:00:00';EXPTIME = 1", "", time.Second, "DATE-OBS"},
		{"ambiguous order", "DATE-OBS= '03/04/2026';EXPTIME = 1", "", time.Second, "DATE-OBS"},
		{"date only", "DATE-OBS= '2026-03-07';EXPTIME = 1", "", time.Second, "no time of exposure"},
		{"a sentence", "DATE-OBS= 'after midnight';EXPTIME = 1", "", time.Second, "DATE-OBS"},
		{"an offset beyond all zones", "DATE-OBS= '2026-02-03T05:00:00+2500';EXPTIME = 1", "", time.Second, "DATE-OBS"},
		{"MJD of another epoch", "MJD-OBS = 2461000.5E9;EXPTIME = 1", "", time.Second, "MJD-OBS"},
		{"UT next to no date", "UT-OBS  = '20:00:00';EXPTIME = 1", "", time.Second, "no time of exposure"},
		{"UT with a date on its own", "UT-OBS  = '2026-03-07T20:00:00';EXPTIME = 2", "2026-03-07T20:00:01.000", 2 * time.Second, none},
		{"nothing", "EXPTIME = 1", "", time.Second, "no time of exposure"},
		{"not a string", "DATE-OBS= 20260307;EXPTIME = 1", "", time.Second, "no time of exposure"},
	} {
		f := mustDecode(t, small(strings.Split(c.cards, ";")...))
		got := ""
		if !f.Mid.IsZero() {
			got = f.Mid.Format(clock)
			if f.Mid.Location() != time.UTC {
				t.Errorf("%s: the middle is not in UTC", c.source)
			}
		}
		if got != c.mid || f.Exposure != c.exposure {
			t.Errorf("%s (%s): middle %q, exposure %v; want %q, %v", c.cards, c.source, got, f.Exposure, c.mid, c.exposure)
		}
		if all := strings.Join(f.Warnings, "; "); c.warning == none && all != "" || !strings.Contains(all, c.warning) {
			t.Errorf("%s (%s): warnings %q, want %q", c.cards, c.source, all, c.warning)
		}
	}
}

// Header times in other scales against ERFA through astropy
// (testdata/fits/make_reference.py): 1973 to 2034, over all leap seconds.
func TestTimeScalesAgainstERFA(t *testing.T) {
	// The table gives microseconds.
	const tolerance = 2 * time.Microsecond
	for _, row := range table(t, "times.tsv") {
		want, err := time.Parse("2006-01-02T15:04:05", row[2])
		if err != nil {
			t.Fatal(err)
		}
		f := mustDecode(t, small("DATE-OBS= '"+row[1]+"'", "TIMESYS = '"+row[0]+"'"))
		if d := f.Start.Sub(want); d.Abs() > tolerance {
			t.Errorf("%s %s: %s, want %s", row[0], row[1], f.Start.Format(time.RFC3339Nano), row[2])
		}
	}
}

// Modified Julian dates of the FITS Standard's own kind: JD 2451545.0 is 2000
// January 1, 12h (section 9.1.2), and Meeus, Astronomical Algorithms (2nd ed.
// 1998), table in chapter 7: 1987 June 19.5 is JD 2446966.0; 1957 October 4.81 is
// 2436116.31.
func TestMJD(t *testing.T) {
	for _, c := range []struct {
		jd   float64
		want string
	}{
		{2451545.0, "2000-01-01T12:00:00.000"},
		{2446966.0, "1987-06-19T12:00:00.000"},
		{2436116.31, "1957-10-04T19:26:24.000"},
		{2400000.5, "1858-11-17T00:00:00.000"},
	} {
		got, ok := timeFromMJD(c.jd - 2400000.5)
		// A Julian date in one float64 is good to 0.04 ms.
		if !ok || got.Round(time.Millisecond).Format(clock) != c.want {
			t.Errorf("JD %.2f: %s, want %s", c.jd, got.Format(clock), c.want)
		}
	}
	for _, v := range []float64{math.NaN(), math.Inf(1), -1e9, 1e18} {
		if _, ok := timeFromMJD(v); ok {
			t.Errorf("MJD %g was taken for a date", v)
		}
	}
}

// Meeus, Astronomical Algorithms (2nd ed. 1998), examples 12.a and 12.b.
func TestGreenwichSiderealTime(t *testing.T) {
	for _, c := range []struct {
		at      time.Time
		degrees float64
	}{
		{time.Date(1987, 4, 10, 0, 0, 0, 0, time.UTC), 197.693195},
		{time.Date(1987, 4, 10, 19, 21, 0, 0, time.UTC), 128.7378734},
	} {
		const tolerance = 0.01 // degrees: what the function promises
		if got := greenwichSiderealTime(c.at).Degrees(); math.Abs(got-c.degrees) > tolerance {
			t.Errorf("%v: %.4f, want %.4f", c.at, got, c.degrees)
		}
	}
}

// Optics. Sources: "practice": keywords of camera programs, common practice;
// plate scale 206264.8 arcsec/radian times pixel over focal length.
func TestOptics(t *testing.T) {
	for _, c := range []struct {
		source, cards string
		pixelUm       float64
		bin           int
		focalMm       float64
		arcsec        float64
		warning       string
	}{
		{"practice", "XPIXSZ  = 2.9;XBINNING= 1;YBINNING= 1;FOCALLEN= 35.5", 2.9, 1, 35.5, 16.8498, ""},
		{"practice: XPIXSZ includes binning", "XPIXSZ  = 9.0;XBINNING= 2;YBINNING= 2;FOCALLEN= 1000", 9, 2, 1000, 1.8564, "after binning"},
		{"practice: PIXSIZE1 does not", "PIXSIZE1= 4.5;CCDSUM  = '2 2';FOCALLEN= 1000", 9, 2, 1000, 1.8564, ""},
		{"practice", "PIXSIZE = 4.65;BINX1   = 1;BINX2   = 1", 4.65, 1, 0, 0, ""},
		{"practice", "IM_SCALE= 5.21", 0, 0, 0, 5.21, ""},
		{"practice", "SECPIX  = '1.25'", 0, 0, 0, 1.25, ""},
		{"practice: zero is unknown", "XPIXSZ  = 0.0;FOCALLEN= 0", 0, 0, 0, 0, ""},
		{"stated beside computed", "XPIXSZ  = 2.9;FOCALLEN= 35.5;PIXSCALE= 33.7", 2.9, 0, 35.5, 33.7, "PIXSCALE"},
		{"metres", "XPIXSZ  = 2.9E-6;FOCALLEN= 35.5", 0, 0, 35.5, 0, "XPIXSZ"},
		{"negative", "XPIXSZ  = 2.9;FOCALLEN= -35.5", 2.9, 0, 0, 0, "FOCALLEN"},
	} {
		f := mustDecode(t, small(strings.Split(c.cards+";DATE-OBS= '2026-03-07T20:00:00';EXPTIME = 1", ";")...))
		if f.PixelUm != c.pixelUm || f.FocalMm != c.focalMm || f.BinX != c.bin || f.BinY != c.bin || math.Abs(f.ScaleHint.Arcseconds()-c.arcsec) > 1e-4 {
			t.Errorf("%s (%s): pixel %g um, binning %d x %d, focal length %g mm, %g arcsec/px", c.cards, c.source, f.PixelUm, f.BinX, f.BinY, f.FocalMm, f.ScaleHint.Arcseconds())
		}
		if all := strings.Join(f.Warnings, "; "); c.warning == "" && all != "" || !strings.Contains(all, c.warning) {
			t.Errorf("%s (%s): warnings %q, want %q", c.cards, c.source, all, c.warning)
		}
	}
}

// Pointing. Sources: "practice", common practice. Expected places from the
// arithmetic of 15 degrees an hour.
func TestPointing(t *testing.T) {
	for _, c := range []struct {
		source, cards string
		ra, dec       float64 // degrees; NaN for none
	}{
		{"practice", "RA      = 31.312099;DEC     = 46.769087", 31.312099, 46.769087},
		{"practice", "OBJCTRA = '02 05 14.9';OBJCTDEC= '+46 46 09'", 31.3120833, 46.7691667},
		{"practice: sexagesimal first", "RA      = 2.0875;DEC     = 46.8;OBJCTRA = '02 05 14.9';OBJCTDEC= '+46 46 09'", 31.3120833, 46.7691667},
		{"practice", "RA      = '02:05:14.9';DEC     = '-00:30:00'", 31.3120833, -0.5},
		{"practice", "RA      = '2h5m14.9s';DEC     = '-5d30m0s'", 31.3120833, -5.5},
		{"half of it", "RA      = 31.3", math.NaN(), 0},
		{"no place", "RA      = 31.3;DEC     = 91", math.NaN(), 0},
		{"no numbers", "RA      = 'unknown';DEC     = 'park'", math.NaN(), 0},
	} {
		f := mustDecode(t, small(strings.Split(c.cards, ";")...))
		if math.IsNaN(c.ra) {
			if f.Position != nil {
				t.Errorf("%s (%s): a place was read", c.cards, c.source)
			}
			continue
		}
		want := sky.ICRSFromRADec(sky.Angle(c.ra)*sky.Degree, sky.Angle(c.dec)*sky.Degree)
		// The expected places are given to 1e-7 degree.
		if f.Position == nil || sky.Separation(*f.Position, want) > 0.001*sky.Arcsecond {
			t.Errorf("%s (%s): %v, want %v", c.cards, c.source, f.Position, want)
		}
	}
}

// Image centre and scale from a world coordinate system against wcslib
// through astropy (testdata/fits/make_reference.py).
func TestDirectionsAgainstWcslib(t *testing.T) {
	for _, row := range table(t, "directions.tsv") {
		var cards []string
		for _, c := range strings.Split(row[0], ";") {
			key, value, _ := strings.Cut(c, "=")
			cards = append(cards, fmt.Sprintf("%-8s= %s", key, value))
		}
		w, h := int(number64(t, row[1])), int(number64(t, row[2]))
		u, err := readUnit(small(cards...), 0)
		if err != nil {
			t.Fatal(err)
		}
		keywords, err := readKeywords(u)
		if err != nil {
			t.Fatal(err)
		}
		o := readOptics(keywords, w, h)
		want := sky.ICRSFromRADec(sky.Angle(number64(t, row[3]))*sky.Degree, sky.Angle(number64(t, row[4]))*sky.Degree)
		// Both compute in float64; the table has 15 digits of degrees.
		if o.position == nil || sky.Separation(*o.position, want) > 1e-6*sky.Arcsecond {
			t.Errorf("%s: %v, want %v", row[0], o.position, want)
		}
		if size := number64(t, row[5]); math.Abs(o.scale.Degrees()/size-1) > 1e-9 {
			t.Errorf("%s: %g degrees a pixel, want %g", row[0], o.scale.Degrees(), size)
		}
	}
}

// The site, and which way its longitude counts. The sidereal times are those of
// 2026-03-07T04:00:00 UTC, Greenwich 14h59m34s (IAU 1982 expression by ERFA:
// gmst82), at the longitude named.
func TestSite(t *testing.T) {
	const date = "DATE-OBS= '2026-03-07T04:00:00';EXPTIME = 2;"
	for _, c := range []struct {
		name, cards string
		lat, lon, m float64 // degrees and metres; lat NaN for none
		warning     string
	}{
		{"standard, 8.4.1", date + "OBSGEO-B= 31.5;OBSGEO-L= -110.5;OBSGEO-H= 1268.0", 31.5, -110.5, 1268, ""},
		{"letter", date + "SITELAT = '31 30 00 N';SITELONG= '110 30 00 W'", 31.5, -110.5, 0, ""},
		{"south, degrees and minutes", date + "LAT-OBS = '-30:30';LONG-OBS= '70:30:00 W';ALT-OBS = 2400", -30.5, -70.5, 2400, ""},
		{"sidereal time says east positive", date + "SITELAT = 31.5;SITELONG= -110.5;LST-OBS = '07:37:34'", 31.5, -110.5, 0, ""},
		{"sidereal time says west positive", date + "SITELAT = 31.5;SITELONG= 110.5;LST-OBS = '07:37:34'", 31.5, -110.5, 0, "west positive"},
		{"hour angle says west positive", date + "SITELAT = 31.5;SITELONG= 110.5;RA      = 100.0;HA      = 14.39", 31.5, -110.5, 0, "west positive"},
		{"a sidereal time of local time decides nothing, the hour angle does", date + "SITELAT = 31.5;SITELONG= 110.5;RA      = 100.0;HA      = 14.39;LST-OBS = '00:36:25'", 31.5, -110.5, 0, "west positive"},
		{"offset from UTC", "DATE-OBS= '2026-03-06T21:00:00-0700';EXPTIME = 2;LATITUDE= 31.5;LONGITUD= 110.5", 31.5, -110.5, 0, "west positive"},
		{"offset from UTC agrees", "DATE-OBS= '2026-03-07T12:00:00+0800';EXPTIME = 2;LATITUDE= 31.5;LONGITUD= 110.5", 31.5, 110.5, 0, ""},
		{"nothing decides", date + "SITELAT = 31.5;SITELONG= 110.5", 31.5, 110.5, 0, "nothing in the header confirms"},
		{"0 to 360", date + "OBSGEO-B= 31.5;OBSGEO-L= 249.5", 31.5, -110.5, 0, ""},
		{"not filled in", date + "SITELAT = 0.0;SITELONG= 0.0", math.NaN(), 0, 0, ""},
		{"no latitude", date + "SITELAT = 131.5;SITELONG= 10", math.NaN(), 0, 0, "latitude"},
		{"elevation in feet of the wrong size", date + "OBSGEO-B= 31.5;OBSGEO-L= -110.5;OBSGEO-H= 123456", 31.5, -110.5, 0, "OBSGEO-H"},
		{"half of it", date + "SITELAT = 31.5", math.NaN(), 0, 0, ""},
	} {
		f := mustDecode(t, small(strings.Split(c.cards, ";")...))
		if all := strings.Join(f.Warnings, "; "); c.warning == "" && all != "" || !strings.Contains(all, c.warning) {
			t.Errorf("%s: warnings %q, want %q", c.name, all, c.warning)
		}
		switch {
		case math.IsNaN(c.lat) != (f.Site == nil):
			t.Errorf("%s: site %v", c.name, f.Site)
		case f.Site != nil && (math.Abs(f.Site.Latitude.Degrees()-c.lat) > 1e-9 || math.Abs(f.Site.Longitude.Degrees()-c.lon) > 1e-9 || f.Site.ElevationM != c.m):
			t.Errorf("%s: %.4f, %.4f, %g m", c.name, f.Site.Latitude.Degrees(), f.Site.Longitude.Degrees(), f.Site.ElevationM)
		}
	}
}

// Times that no exposure can have are refused by name; what else the header says of the time
// stands.
func TestTimesBeyondBelief(t *testing.T) {
	for _, c := range []struct {
		cards []string
		want  string // the middle; empty for none
		says  string
	}{
		{[]string{"DATE-OBS= '9999-12-31T23:59:59'", "EXPTIME = 10"}, "", "DATE-OBS lies in the year 9999"},
		{[]string{"DATE-OBS= '1849-12-31T23:59:59'"}, "", "DATE-OBS lies in the year 1849"},
		{[]string{"DATE-OBS= '1850-01-01T00:00:00'"}, "1850-01-01T00:00:00", ""},
		{[]string{"DATE-OBS= '2199-12-31T23:00:00'", "EXPTIME = 7200"}, "2200-01-01T00:00:00", ""},
		{[]string{"DATE-OBS= '2200-01-01T00:00:00'"}, "", "DATE-OBS lies in the year 2200"},
		{[]string{"DATE-OBS= '9999-01-01T00:00:00'", "MJD-OBS = 61106.5"}, "2026-03-07T12:00:00", "DATE-OBS lies in the year 9999"},
		{[]string{"DATE-OBS= '2026-03-07T12:00:00'", "MJD-OBS = 2973000.0"}, "2026-03-07T12:00:00", "MJD-OBS lies in the year 9998"},
		{[]string{"DATE-OBS= '2026-03-07T12:00:00'", "DATE-AVG= '9999-12-31T23:59:59'"}, "2026-03-07T12:00:00", "DATE-AVG lies in the year 9999"},
		{[]string{"DATE-OBS= '2026-03-07T12:00:00'", "DATE-END= '9999-12-31T23:59:59'"}, "2026-03-07T12:00:00", "DATE-END lies in the year 9999"},
		{[]string{"DATE-OBS= '9999-12-31'", "TIME-OBS= '23:59:59'"}, "", "lies in the year 9999"},
		{[]string{"MJD-OBS = -678000.0"}, "", "MJD-OBS lies in the year 2"},
	} {
		f := mustDecode(t, small(c.cards...))
		got := ""
		if !f.Mid.IsZero() {
			got = f.Mid.Format("2006-01-02T15:04:05")
		}
		if got != c.want || !strings.Contains(strings.Join(f.Warnings, "; "), c.says) || (c.says == "") != !strings.Contains(strings.Join(f.Warnings, "; "), "lies in the year") {
			t.Errorf("%q: middle %q, want %q; warnings %q, want %q", c.cards, got, c.want, f.Warnings, c.says)
		}
	}
}

// South is south however the parts are marked, and an S behind seconds no side (common practice).
func TestSexagesimalSides(t *testing.T) {
	const south = -(33 + 55.0/60 + 31.0/3600)
	for text, want := range map[string]float64{
		"33 55 31 S": south, "33:55:31S": south, "S 33 55 31": south, "33d55m31s S": south, "S33d55m31s": south, "33d55m31s": -south,
		"-33d55m31.0s": south, "33d S": -33, "5 30 W": -5.5, "5h30m0s": 5.5,
	} {
		if got, _, ok := ParseSexagesimal(text); !ok || math.Abs(got-want) > 1e-9 {
			t.Errorf("%q: %v, %v, want %v", text, got, ok, want)
		}
	}
	if got, _, ok := ParseSexagesimal("46.32 13.07"); ok {
		t.Errorf("two decimals were read as %v", got)
	}
}
