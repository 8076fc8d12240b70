package observed_test

import (
	"bufio"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"pgregory.net/rapid"
)

// erfaRow is one line of a table under testdata/erfa, by column name.
type erfaRow map[string]string

func (r erfaRow) num(t testing.TB, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(r[column], 64)
	if err != nil {
		t.Fatalf("column %s: %v", column, err)
	}
	return v
}

func (r erfaRow) deg(t testing.TB, column string) sky.Angle {
	t.Helper()
	return sky.Angle(r.num(t, column)) * sky.Degree
}

func (r erfaRow) air(t testing.TB) sky.Air {
	return sky.Air{
		PressureHPa:  r.num(t, "pressure_hpa"),
		TemperatureC: r.num(t, "temperature_c"),
		Humidity:     r.num(t, "humidity"),
		WavelengthUm: r.num(t, "wavelength_um"),
	}
}

func erfaTable(t testing.TB, name string) []erfaRow {
	t.Helper()
	f, err := os.Open("../../testdata/erfa/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var columns []string
	var rows []erfaRow
	for s := bufio.NewScanner(f); s.Scan(); {
		if strings.HasPrefix(s.Text(), "#") {
			continue
		}
		fields := strings.Split(s.Text(), "\t")
		if columns == nil {
			columns = fields
			continue
		}
		if len(fields) != len(columns) {
			t.Fatalf("%s: %d fields in %q, want %d", name, len(fields), s.Text(), len(columns))
		}
		row := erfaRow{}
		for i, c := range columns {
			row[c] = fields[i]
		}
		rows = append(rows, row)
	}
	return rows
}

// The promise is agreement with ERFA atco13 to 0.02 arcsec up to zenith distance
// 75 degrees and to 0.5 up to 85. atco13 has the same refraction, so the model
// is held to much less: nutation IAU 2000B is within 1 mas of the 2000A of
// atco13 in each of two coordinates, the Earth's velocity within 0.5; atioq takes
// the sine of the refraction for its angle, 0.001 arcsec at 85.
const observedWithin = 0.002 * sky.Arcsecond

// Below altitude 2.87 degrees atioq holds the sine of altitude at 0.05 in the
// turn as well, where ours is a pure turn: that differs by up to (0.05/2)^2 of
// the refraction there, 0.0034 radians in the densest air of the table.
const observedWithinBelow = 0.45 * sky.Arcsecond

// observedBands: zenith distances and how many cases the table has at least.
var observedBands = []struct {
	band     string
	from, to sky.Angle
	within   sky.Angle
	cases    int
}{
	{"main", 0, 75 * sky.Degree, observedWithin, 600},
	{"main", 75 * sky.Degree, 85 * sky.Degree, observedWithin, 90},
	{"edge", 0, 85 * sky.Degree, observedWithin, 90},
	{"edge", 85 * sky.Degree, 89 * sky.Degree, observedWithinBelow, 5},
}

// The table spans what is asked of the agreement: years 2000 to 2060, all
// latitudes, 600 to 1050 hPa, -30 to +45 C, zenith distances to 85 degrees.
func TestObservedTableSpansTheJob(t *testing.T) {
	span := map[string][2]float64{}
	for _, r := range erfaTable(t, "observed.tsv") {
		if r["band"] != "main" {
			continue
		}
		utc, err := time.Parse(time.RFC3339Nano, r["utc"])
		if err != nil {
			t.Fatal(err)
		}
		for name, v := range map[string]float64{
			"year": float64(utc.Year()), "latitude": r.num(t, "lat_deg"), "hPa": r.num(t, "pressure_hpa"),
			"C": r.num(t, "temperature_c"), "altitude": r.num(t, "alt_deg"),
		} {
			s, ok := span[name]
			if !ok {
				s = [2]float64{v, v}
			}
			span[name] = [2]float64{min(s[0], v), max(s[1], v)}
		}
	}
	for name, want := range map[string][2]float64{
		"year": {2000, 2059}, "latitude": {-90, 90}, "hPa": {605, 1045}, "C": {-29, 44}, "altitude": {5.5, 89.5},
	} {
		if got := span[name]; got[0] > want[0] || got[1] < want[1] {
			t.Errorf("%s: %v, want %v at least", name, got, want)
		}
	}
}

// Source: testdata/erfa/observed.tsv, ERFA atco13.
func TestObservedAgainstERFA(t *testing.T) {
	rows := erfaTable(t, "observed.tsv")
	for _, b := range observedBands {
		var worst sky.Angle
		n := 0
		for _, r := range rows {
			zd := 90*sky.Degree - r.deg(t, "alt_deg")
			if r["band"] != b.band || zd < b.from || zd > b.to {
				continue
			}
			n++
			utc, err := time.Parse(time.RFC3339Nano, r["utc"])
			if err != nil {
				t.Fatal(err)
			}
			site := sky.Site{Latitude: r.deg(t, "lat_deg"), Longitude: r.deg(t, "lon_deg"), ElevationM: r.num(t, "elevation_m")}
			o, err := observed.NewObserver(site, r.air(t), utc, r.num(t, "dut1_s"))
			if err != nil {
				t.Fatal(err)
			}
			star := sky.ICRSFromRADec(r.deg(t, "ra_deg"), r.deg(t, "dec_deg"))
			want := sky.LocalFromAltAz(r.deg(t, "alt_deg"), r.deg(t, "az_deg"))
			off := sky.Separation(o.Observed(star), want)
			worst = max(worst, off)
			if !(off <= b.within) {
				t.Errorf("%v: off by %.4f arcsec", r, off.Arcseconds())
			}
		}
		if n < b.cases {
			t.Errorf("%s, zenith distance %.0f to %.0f: %d cases, want %d", b.band, b.from.Degrees(), b.to.Degrees(), n, b.cases)
		}
		t.Logf("%s, zenith distance %.0f to %.0f degrees: %d cases, worst %.5f arcsec", b.band, b.from.Degrees(), b.to.Degrees(), n, worst.Arcseconds())
	}
}

// apparent is the geocentric apparent place (true equator and equinox of date)
// of a direction seen without air from the north pole of the Earth, where the
// spin has no velocity: altitude is declination, and at longitude 0 the azimuth
// is the Greenwich hour angle plus 180 degrees.
func apparent(o *observed.Observer, d sky.Local) (ra, dec sky.Angle) {
	alt, az := sky.AltAzFromLocal(d)
	return (o.LocalSidereal() - (az - 180*sky.Degree)).Positive(), alt
}

func northPole(t testing.TB, utc time.Time) *observed.Observer {
	t.Helper()
	noAir := sky.StandardAir(0)
	noAir.PressureHPa = 0
	o, err := observed.NewObserver(sky.Site{Latitude: 90 * sky.Degree}, noAir, utc, 0)
	if err != nil {
		t.Fatal(err)
	}
	return o
}

// modelsOfTheBook is how far the book's models are from ours: precession IAU
// 1976 is 3.0 mas a year off in longitude (0.09 arcsec after 29 years), nutation
// IAU 1980 some 0.03 arcsec, the FK5 frame 0.03 (IERS Conventions 2010, ch. 5).
const modelsOfTheBook = 0.15 * sky.Arcsecond

// Meeus, Astronomical Algorithms (2nd ed. 1998), example 23.b: theta Persei on
// 2028 November 13.19 TD, aberration by Ron and Vondrak: 2h 46m 14.392s,
// +49 21' 07.45". Its mean place for J2000.0 with proper motion up to the date
// is 2h 44m 12.9747s, +49 13' 39.896".
func TestApparentPlaceMeeus(t *testing.T) {
	utc := time.Date(2028, 11, 13, 4, 33, 36, 0, time.UTC).Add(-69184 * time.Millisecond) // TT-UTC
	o := northPole(t, utc)
	star := sky.ICRSFromRADec(hms(2, 44, 12.9747), dms(49, 13, 39.896))
	ra, dec := apparent(o, o.Observed(star))
	got := sky.ICRSFromRADec(ra, dec)
	want := sky.ICRSFromRADec(hms(2, 46, 14.392), dms(49, 21, 7.45))
	off := sky.Separation(got, want)
	t.Logf("off by %.3f arcsec", off.Arcseconds())
	if off > modelsOfTheBook {
		t.Errorf("RA %.5f h, Dec %.5f: off by %.3f arcsec", ra.Hours(), dec.Degrees(), off.Arcseconds())
	}
}

// sunWithin is what Sun states: 2e-5 au of the Earth's place, and a little.
const sunWithin = 5 * sky.Arcsecond

// Meeus, chapter 25: the apparent Sun on 1992 October 13.0 TD by the complete
// VSOP87 theory: 13h 13m 30.749s, -7 47' 01.74" (p. 165).
func TestSunMeeus(t *testing.T) {
	utc := time.Date(1992, 10, 13, 0, 0, 0, 0, time.UTC).Add(-59184 * time.Millisecond)
	o := northPole(t, utc)
	ra, dec := apparent(o, o.Sun())
	// The Sun's parallax from the pole: 8.8 arcsec times the cosine of
	// declination, towards the south.
	parallax := 8.794 * sky.Arcsecond * sky.Angle(dec.Cos())
	got := sky.ICRSFromRADec(ra, dec+parallax)
	want := sky.ICRSFromRADec(hms(13, 13, 30.749), -dms(7, 47, 1.74))
	off := sky.Separation(got, want)
	t.Logf("off by %.3f arcsec", off.Arcseconds())
	if off > sunWithin {
		t.Errorf("RA %.5f h, Dec %.5f: off by %.2f arcsec", ra.Hours(), dec.Degrees(), off.Arcseconds())
	}
}

// Meeus, example 12.a: apparent sidereal time at Greenwich on 1987 April 10, 0h
// UT: 13h 10m 46.1351s. The book's IAU 1982 expression and nutation IAU 1980
// differ from today's by some milliseconds of time; 0.1 arcsec are 7.
func TestSiderealMeeus(t *testing.T) {
	o := northPole(t, time.Date(1987, 4, 10, 0, 0, 0, 0, time.UTC))
	off := (o.LocalSidereal() - hms(13, 10, 46.1351)).Signed()
	t.Logf("off by %.4f arcsec", off.Arcseconds())
	if off.Abs() > 0.1*sky.Arcsecond {
		t.Errorf("sidereal time %.6f h: off by %.4f arcsec", o.LocalSidereal().Hours(), off.Arcseconds())
	}
}

func hms(h, m, s float64) sky.Angle { return sky.Angle(h+m/60+s/3600) * sky.Hour }
func dms(d, m, s float64) sky.Angle { return sky.Angle(d+m/60+s/3600) * sky.Degree }

func drawSite(t *rapid.T) sky.Site {
	return sky.Site{
		Latitude:   sky.Angle(rapid.Float64Range(-90, 90).Draw(t, "latitude")) * sky.Degree,
		Longitude:  sky.Angle(rapid.Float64Range(-180, 180).Draw(t, "longitude")) * sky.Degree,
		ElevationM: rapid.Float64Range(-400, 5000).Draw(t, "elevation"),
	}
}

func drawObserver(t *rapid.T) *observed.Observer {
	utc := time.UnixMilli(rapid.Int64Range(946684800_000, 2871763200_000).Draw(t, "time")) // 2000 to 2060
	o, err := observed.NewObserver(drawSite(t), drawAir(t), utc, rapid.Float64Range(-0.9, 0.9).Draw(t, "UT1-UTC"))
	if err != nil {
		t.Fatal(err)
	}
	return o
}

func drawICRS(t *rapid.T, name string) sky.ICRS {
	return sky.ICRSFromRADec(
		sky.Angle(rapid.Float64Range(0, 360).Draw(t, name+" right ascension"))*sky.Degree,
		sky.Angle(rapid.Float64Range(-90, 90).Draw(t, name+" declination"))*sky.Degree)
}

// Anywhere on the sphere, also under the horizon: unit length and the inverse.
func TestObserverInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := drawObserver(t)
		star := drawICRS(t, "star")
		seen := o.Observed(star)
		if n := seen.X*seen.X + seen.Y*seen.Y + seen.Z*seen.Z; !(math.Abs(n-1) < 1e-13) {
			t.Fatalf("length squared %g", n)
		}
		if off := sky.Separation(o.ICRS(seen), star); !(off <= inverseWithin) {
			t.Fatalf("inverse off by %.3g arcsec", off.Arcseconds())
		}
	})
}

// The same beside and behind the Sun, where its bending of light is strongest.
func TestObserverInverseAtSun(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := drawObserver(t)
		sun := o.ICRS(o.Sun())
		ra, dec := sky.RADecFromICRS(sun)
		star := sky.ICRSFromRADec(ra, dec+sky.Angle(rapid.Float64Range(-1, 1).Draw(t, "offset"))*sky.Degree)
		if off := sky.Separation(o.ICRS(o.Observed(star)), star); !(off <= inverseWithin) {
			t.Fatalf("inverse off by %.3g arcsec", off.Arcseconds())
		}
	})
}

// Aberration changes the angle between two stars by at most one part in 10,000
// (the Earth's velocity; twice that is allowed for both ends), refraction by
// at most its gradient A/cos^2 z, 0.0046 at zenith distance 75 in the air of
// the issue, B making it less.
func TestSeparationsHold(t *testing.T) {
	const aberration = 2.1e-4
	rapid.Check(t, func(t *rapid.T) {
		o := drawObserver(t)
		a := o.ICRS(sky.LocalFromAltAz(
			sky.Angle(rapid.Float64Range(16, 90).Draw(t, "altitude"))*sky.Degree,
			sky.Angle(rapid.Float64Range(0, 360).Draw(t, "azimuth"))*sky.Degree))
		ra, dec := sky.RADecFromICRS(a)
		b := sky.ICRSFromRADec(ra, dec+sky.Angle(rapid.Float64Range(0.01, 1).Draw(t, "apart"))*sky.Degree)
		gradient := o.Refraction().A.Radians() / math.Pow((15*sky.Degree).Sin(), 2)
		before, after := sky.Separation(a, b), sky.Separation(o.Observed(a), o.Observed(b))
		if change := math.Abs(float64(after/before) - 1); change > aberration+gradient {
			t.Fatalf("%.4f degrees became %.4f", before.Degrees(), after.Degrees())
		}
	})
}

// Turning the Earth by UT1 and moving the site west by as much is the same sky.
func TestEarthTurns(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const shift = 0.4 // seconds
		turn := sky.Angle(shift*1.00273781191135448/86400) * sky.Turn
		site, air := drawSite(t), sky.StandardAir(0)
		utc := time.UnixMilli(rapid.Int64Range(946684800_000, 2871763200_000).Draw(t, "time"))
		o1, err := observed.NewObserver(site, air, utc, shift)
		if err != nil {
			t.Fatal(err)
		}
		site.Longitude += turn
		o2, err := observed.NewObserver(site, air, utc, 0)
		if err != nil {
			t.Fatal(err)
		}
		star := drawICRS(t, "star")
		if off := sky.Separation(o1.Observed(star), o2.Observed(star)); off > 1e-5*sky.Arcsecond {
			t.Fatalf("off by %.3g arcsec", off.Arcseconds())
		}
	})
}

// The zone in which a time is written does not matter.
func TestObserverTimeZone(t *testing.T) {
	utc := time.Date(2026, 3, 7, 23, 30, 0, 0, time.UTC)
	site, air := sky.Site{Latitude: 40 * sky.Degree}, sky.StandardAir(0)
	star := sky.ICRSFromRADec(100*sky.Degree, 40*sky.Degree)
	a, err := observed.NewObserver(site, air, utc, 0)
	if err != nil {
		t.Fatal(err)
	}
	b, err := observed.NewObserver(site, air, utc.In(time.FixedZone("far east", 13*3600)), 0)
	if err != nil {
		t.Fatal(err)
	}
	if a.Observed(star) != b.Observed(star) {
		t.Error("the place of a star depends on the zone in which the time is written")
	}
}

func TestNewObserverRefuses(t *testing.T) {
	site, air := sky.Site{Latitude: 40 * sky.Degree}, sky.StandardAir(0)
	now := time.Date(2026, 3, 7, 0, 0, 0, 0, time.UTC)
	nan := math.NaN()
	with := func(change func(*sky.Site, *sky.Air)) (sky.Site, sky.Air) {
		s, a := site, air
		change(&s, &a)
		return s, a
	}
	for _, c := range []struct {
		name   string
		change func(*sky.Site, *sky.Air)
		utc    time.Time
		dut1   float64
		says   string
	}{
		{"latitude", func(s *sky.Site, _ *sky.Air) { s.Latitude = 91 * sky.Degree }, now, 0, "latitude"},
		{"latitude NaN", func(s *sky.Site, _ *sky.Air) { s.Latitude = sky.Angle(nan) }, now, 0, "latitude"},
		{"longitude NaN", func(s *sky.Site, _ *sky.Air) { s.Longitude = sky.Angle(nan) }, now, 0, "longitude"},
		{"elevation", func(s *sky.Site, _ *sky.Air) { s.ElevationM = 12000 }, now, 0, "elevation"},
		{"pressure", func(_ *sky.Site, a *sky.Air) { a.PressureHPa = 101325 }, now, 0, "pressure"},
		{"temperature", func(_ *sky.Site, a *sky.Air) { a.TemperatureC = 283 }, now, 0, "temperature"},
		{"no time", func(*sky.Site, *sky.Air) {}, time.Time{}, 0, "clock"},
		{"too late", func(*sky.Site, *sky.Air) {}, time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC), 0, "clock"},
		{"milliseconds as UT1-UTC", func(*sky.Site, *sky.Air) {}, now, 120, "UT1-UTC"},
		{"UT1-UTC NaN", func(*sky.Site, *sky.Air) {}, now, nan, "UT1-UTC"},
	} {
		s, a := with(c.change)
		o, err := observed.NewObserver(s, a, c.utc, c.dut1)
		if err == nil || o != nil {
			t.Errorf("%s: accepted", c.name)
			continue
		}
		if !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %q does not name %s", c.name, err, c.says)
		}
	}
	// After 2035 UTC may run away from UT1 by more than a second.
	if _, err := observed.NewObserver(site, air, time.Date(2040, 1, 1, 0, 0, 0, 0, time.UTC), 2.5); err != nil {
		t.Error(err)
	}
}

func TestEquationOfTheOrigins(t *testing.T) {
	site := sky.Site{Latitude: 40 * sky.Degree, Longitude: 15 * sky.Degree, ElevationM: 100}
	air, utc := sky.StandardAir(100), time.Date(2026, 3, 7, 21, 0, 0, 0, time.UTC)
	o, err := observed.NewObserver(site, air, utc, 0.25)
	if err != nil {
		t.Fatal(err)
	}
	// ERA and sidereal time differ by the precession of 26.2 years in right
	// ascension, 46.1 arcsec a year, and nutation, up to 16 arcsec.
	origins := (o.LocalSidereal() - site.Longitude - observed.EarthRotationAngle(utc, 0.25)).Signed()
	if want := 26.2 * 46.1 * sky.Arcsecond; (origins - want).Abs() > 20*sky.Arcsecond {
		t.Errorf("equation of the origins %.1f arcsec, want about %.1f", origins.Arcseconds(), want.Arcseconds())
	}
}

func BenchmarkNewObserver(b *testing.B) {
	site, air := sky.Site{Latitude: 40 * sky.Degree}, sky.StandardAir(0)
	utc := time.Date(2026, 3, 7, 21, 0, 0, 0, time.UTC)
	for b.Loop() {
		if _, err := observed.NewObserver(site, air, utc, 0); err != nil {
			b.Fatal(err)
		}
	}
}

func benchmarkObserver(b *testing.B) (*observed.Observer, sky.ICRS) {
	o, err := observed.NewObserver(sky.Site{Latitude: 40 * sky.Degree}, sky.StandardAir(0), time.Date(2026, 3, 7, 21, 0, 0, 0, time.UTC), 0)
	if err != nil {
		b.Fatal(err)
	}
	return o, o.ICRS(sky.LocalFromAltAz(40*sky.Degree, 1*sky.Degree))
}

var (
	sinkLocal sky.Local
	sinkICRS  sky.ICRS
)

func BenchmarkObserved(b *testing.B) {
	o, star := benchmarkObserver(b)
	for b.Loop() {
		sinkLocal = o.Observed(star)
	}
}

func BenchmarkObserverICRS(b *testing.B) {
	o, star := benchmarkObserver(b)
	d := o.Observed(star)
	for b.Loop() {
		sinkICRS = o.ICRS(d)
	}
}
