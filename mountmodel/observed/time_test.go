package observed

import (
	"bufio"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// Source: testdata/erfa/leap_seconds.tsv, ERFA dat (IERS Bulletin C).
func TestLeapSeconds(t *testing.T) {
	f, err := os.Open("../../testdata/erfa/leap_seconds.tsv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	n := 0
	for s := bufio.NewScanner(f); s.Scan(); {
		if strings.HasPrefix(s.Text(), "#") || strings.HasPrefix(s.Text(), "year") {
			continue
		}
		var year, month int
		var want int64
		if _, err := fmt.Sscan(s.Text(), &year, &month, &want); err != nil {
			t.Fatal(err)
		}
		first := time.Date(year, time.Month(month), 1, 0, 0, 0, 0, time.UTC)
		if got := leapSecondsAt(first); got != want {
			t.Errorf("%v: TAI-UTC %d, want %d", first, got, want)
		}
		if before := leapSecondsAt(first.Add(-time.Nanosecond)); n > 0 && before != want-1 {
			t.Errorf("just before %v: TAI-UTC %d, want %d", first, before, want-1)
		}
		n++
	}
	if n != len(leapSeconds) {
		t.Errorf("table of %d rows, ours has %d", n, len(leapSeconds))
	}
}

// Julian epochs by definition (IAU 1976): J2000.0 is JD 2451545.0 TT, a Julian
// year has 365.25 days. TT-UTC is 32.184 s and the leap seconds: 56.184 s at the
// end of 1989, 64.184 in 2000, 69.184 in 2024.
func TestJulianEpoch(t *testing.T) {
	const millisecond = 1e-3 / (365.25 * secondsPerDay) // in years
	for _, c := range []struct {
		utc  time.Time
		want float64
	}{
		{time.Date(1989, 12, 31, 23, 59, 3, 816e6, time.UTC), 1990},
		{time.Date(2000, 1, 1, 11, 58, 55, 816e6, time.UTC), 2000},
		{time.Date(2000, 12, 31, 17, 58, 55, 816e6, time.UTC), 2001},
		{time.Date(2024, 12, 31, 17, 58, 50, 816e6, time.UTC), 2025},
	} {
		if got := JulianEpoch(c.utc); math.Abs(got-c.want) > millisecond {
			t.Errorf("%v is %.12f, want %g", c.utc, got, c.want)
		}
	}
}

// Meeus, Astronomical Algorithms (2nd ed. 1998), p. 62: Julian dates of some
// calendar dates.
func TestJulianDateMeeus(t *testing.T) {
	for _, c := range []struct {
		t    time.Time
		want float64
	}{
		{time.Date(2000, 1, 1, 12, 0, 0, 0, time.UTC), 2451545.0},
		{time.Date(1999, 1, 1, 0, 0, 0, 0, time.UTC), 2451179.5},
		{time.Date(1987, 1, 27, 0, 0, 0, 0, time.UTC), 2446822.5},
		{time.Date(1987, 6, 19, 12, 0, 0, 0, time.UTC), 2446966.0},
		{time.Date(1988, 1, 27, 0, 0, 0, 0, time.UTC), 2447187.5},
		{time.Date(1988, 6, 19, 12, 0, 0, 0, time.UTC), 2447332.0},
	} {
		j := julianDateOf(c.t, 0)
		if got := 2451545 + j.Day + j.Fraction; got != c.want {
			t.Errorf("%v: JD %f, want %f", c.t, got, c.want)
		}
	}
}

// The two parts: whole days and a fraction in [0, 1), with the time of day to
// ten nanoseconds, before and after J2000.0.
func TestJulianDateParts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ns := rapid.Int64Range(63072000e9, 4102444800e9).Draw(t, "time")
		shift := rapid.Float64Range(-100, 100).Draw(t, "shift")
		j := julianDateOf(time.Unix(0, ns), shift)
		if j.Day != math.Floor(j.Day) || j.Fraction < 0 || j.Fraction >= 1 {
			t.Fatalf("parts %v", j)
		}
		seconds := (j.Day*secondsPerDay - float64(ns/1e9-j2000Unix)) - float64(ns%1e9)*1e-9 + j.Fraction*secondsPerDay - shift
		if math.Abs(seconds) > 1e-8 {
			t.Fatalf("off by %g s", seconds)
		}
	})
}
