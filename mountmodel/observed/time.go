package observed

import (
	"fmt"
	"time"
)

// Days, seconds and the fundamental epoch.
const (
	secondsPerDay     = 86400
	daysPerCentury    = 36525
	daysPerJulianYear = 365.25

	// j2000Unix is 2000 January 1, 12:00:00 on the clock, in Unix seconds:
	// Julian date 2451545.0 of whatever scale the clock shows.
	j2000Unix = 946728000

	// ttMinusTAI is TT - TAI in seconds, by definition of TT.
	ttMinusTAI = 32.184
)

// The span of dates for which the time scales and the series hold: UTC in its
// present form begins in 1972; the ephemeris of the Earth was fitted over 1900
// to 2100 (ERFA epv00, note 4).
var (
	firstInstant = time.Date(1972, 1, 1, 0, 0, 0, 0, time.UTC)
	lastInstant  = time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC)
)

// leapSeconds lists TAI-UTC in whole seconds from the given Unix time on: IERS
// Bulletin C, as in ERFA dat. Dates after the last row use its value: none has
// been announced since 2017, and resolution 4 of the 27th CGPM (2022) will end
// them by 2035.
var leapSeconds = [...]struct {
	unix   int64 // first second at which it holds
	offset int64
}{
	{63072000, 10},   // 1972 January 1
	{78796800, 11},   // 1972 July 1
	{94694400, 12},   // 1973 January 1
	{126230400, 13},  // 1974 January 1
	{157766400, 14},  // 1975 January 1
	{189302400, 15},  // 1976 January 1
	{220924800, 16},  // 1977 January 1
	{252460800, 17},  // 1978 January 1
	{283996800, 18},  // 1979 January 1
	{315532800, 19},  // 1980 January 1
	{362793600, 20},  // 1981 July 1
	{394329600, 21},  // 1982 July 1
	{425865600, 22},  // 1983 July 1
	{489024000, 23},  // 1985 July 1
	{567993600, 24},  // 1988 January 1
	{631152000, 25},  // 1990 January 1
	{662688000, 26},  // 1991 January 1
	{709948800, 27},  // 1992 July 1
	{741484800, 28},  // 1993 July 1
	{773020800, 29},  // 1994 July 1
	{820454400, 30},  // 1996 January 1
	{867715200, 31},  // 1997 July 1
	{915148800, 32},  // 1999 January 1
	{1136073600, 33}, // 2006 January 1
	{1230768000, 34}, // 2009 January 1
	{1341100800, 35}, // 2012 July 1
	{1435708800, 36}, // 2015 July 1
	{1483228800, 37}, // 2017 January 1
}

// leapSecondsAt is TAI-UTC in seconds at an instant. Before 1972 it gives the
// first value.
func leapSecondsAt(utc time.Time) int64 {
	s := utc.Unix()
	for i := len(leapSeconds) - 1; i > 0; i-- {
		if s >= leapSeconds[i].unix {
			return leapSeconds[i].offset
		}
	}
	return leapSeconds[0].offset
}

// julianDate is a Julian date in two parts, so that no digit of the time of
// day is lost: Day whole days since JD 2451545.0, and a Fraction of a day in
// [0, 1).
type julianDate struct {
	Day, Fraction float64
}

// sinceJ2000 is the whole as a number of days.
func (j julianDate) sinceJ2000() float64 { return j.Day + j.Fraction }

// centuries since J2000.0, Julian.
func (j julianDate) centuries() float64 { return j.sinceJ2000() / daysPerCentury }

// julianDateOf gives the Julian date of the clock reading t, moved by shift
// seconds, in the scale that this makes.
func julianDateOf(t time.Time, shift float64) julianDate {
	sec := t.Unix() - j2000Unix
	day := sec / secondsPerDay
	rest := sec % secondsPerDay
	f := (float64(rest) + float64(t.Nanosecond())*1e-9 + shift) / secondsPerDay
	d := float64(day)
	for f < 0 {
		f, d = f+1, d-1
	}
	for f >= 1 {
		f, d = f-1, d+1
	}
	return julianDate{Day: d, Fraction: f}
}

// ttOf is Terrestrial Time. It stands in for TDB as well: they differ by less
// than 2 ms, in which the Earth's velocity changes by 4e-14 of the speed of
// light.
func ttOf(utc time.Time) julianDate {
	return julianDateOf(utc, float64(leapSecondsAt(utc))+ttMinusTAI)
}

// ut1Of is Universal Time, with dut1 = UT1-UTC in seconds.
func ut1Of(utc time.Time, dut1 float64) julianDate { return julianDateOf(utc, dut1) }

// JulianEpoch is the instant as a Julian epoch (2000.0 is J2000.0), in TT: the
// argument of proper motion.
func JulianEpoch(utc time.Time) float64 {
	return 2000 + ttOf(utc).sinceJ2000()/daysPerJulianYear
}

// Limits of UT1-UTC in seconds. UTC is kept within 0.9 s of UT1 until 2035 at
// the latest; resolution 4 of the 27th CGPM (2022) will then let it grow. A
// minute covers a century of that, and a number of milliseconds given by
// mistake is mostly caught.
const (
	maxDUT1      = 0.9
	maxDUT1Later = 60
	dut1WidensIn = 2035
)

func checkInstant(utc time.Time, dut1 float64) error {
	if utc.Before(firstInstant) || !utc.Before(lastInstant) {
		return fmt.Errorf("time %s is outside the years %d to %d: check the clock of the camera's computer, or the exposure time in the file's header",
			utc.UTC().Format(time.RFC3339), firstInstant.Year(), lastInstant.Year()-1)
	}
	limit := float64(maxDUT1)
	if utc.UTC().Year() >= dut1WidensIn {
		limit = maxDUT1Later
	}
	if !(dut1 >= -limit && dut1 <= limit) {
		return fmt.Errorf("UT1-UTC of %g s is outside -%g to +%g seconds: take it from IERS Bulletin A, or give 0", dut1, limit, limit)
	}
	return nil
}
