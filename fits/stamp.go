package fits

import (
	"fmt"
	"io/fs"
	"math"
	"strconv"
	"strings"
	"time"
)

// Years that a time may lie in. Photography of stars began in 1850 (Whipple and Bond,
// Vega, from memory); beyond some 250 years from 1970 the logbook's clock of 64 bits ends.
const (
	firstYear = 1850
	lastYear  = 2200 // the first beyond
)

func believable(t time.Time) bool { return t.Year() >= firstYear && t.Year() < lastYear }

// Written is when a file was written, or the nearest time that is believed.
func Written(info fs.FileInfo) time.Time {
	switch t := info.ModTime(); {
	case t.Year() < firstYear:
		return time.Date(firstYear, time.January, 1, 0, 0, 0, 0, time.UTC)
	case t.Year() >= lastYear:
		return time.Date(lastYear, time.January, 1, 0, 0, 0, 0, time.UTC)
	default:
		return t
	}
}

// stamp is a date, a time of day, or both.
type stamp struct {
	at       time.Time // UTC when zone is set; else in the header's time scale
	hasTime  bool
	dateless bool
	ofDay    time.Duration // since midnight, when dateless
	zone     *time.Duration
}

// parseStamp reads the ISO 8601 forms of section 9.1.1, with what camera
// programs add to them (an offset from UTC, a blank for the T), the form
// DD/MM/YY of files written before 2000 (section 4.4.2.1), and a time of day
// alone. Second 60 is a leap second.
func parseStamp(text string) (stamp, error) {
	bad := fmt.Errorf("not a date and time (write 2026-01-31T22:15:00)")
	var s stamp
	date, clock, both := strings.Cut(strings.Replace(strings.TrimSpace(text), " ", "T", 1), "T")
	switch {
	case both:
	case strings.Contains(date, ":"):
		date, clock, s.dateless = "", date, true
	}
	if !s.dateless {
		y, mo, d, ok := parseDate(date)
		if !ok {
			return stamp{}, bad
		}
		s.at = time.Date(y, time.Month(mo), d, 0, 0, 0, 0, time.UTC)
		if s.at.Day() != d {
			return stamp{}, fmt.Errorf("the month has no day %d", d)
		}
	}
	if clock == "" {
		if both {
			return stamp{}, bad
		}
		return s, nil
	}
	clock, zone, ok := cutZone(clock)
	if !ok {
		return stamp{}, bad
	}
	ofDay, ok := parseClock(clock)
	if !ok {
		return stamp{}, bad
	}
	s.hasTime, s.ofDay, s.zone = true, ofDay, zone
	if zone != nil {
		if s.ofDay -= *zone; s.dateless {
			s.ofDay = (s.ofDay + 48*time.Hour) % (24 * time.Hour)
		}
	}
	if !s.dateless {
		s.at = s.at.Add(s.ofDay)
	}
	return s, nil
}

// parseDate reads YYYY-MM-DD, YYYY/MM/DD, or DD/MM/YY of the years 1900 to 1999.
func parseDate(s string) (year, month, day int, ok bool) {
	separator := "-"
	if strings.Contains(s, "/") {
		separator = "/"
	}
	parts := strings.Split(s, separator)
	if len(parts) != 3 {
		return 0, 0, 0, false
	}
	var n [3]int
	for i, p := range parts {
		if p == "" || strings.Trim(p, "0123456789") != "" || len(p) > 4 {
			return 0, 0, 0, false
		}
		n[i], _ = strconv.Atoi(p)
	}
	switch {
	case len(parts[0]) == 4 && len(parts[1]) <= 2 && len(parts[2]) <= 2:
		year, month, day = n[0], n[1], n[2]
	case separator == "/" && len(parts[0]) == 2 && len(parts[1]) == 2 && len(parts[2]) == 2:
		year, month, day = 1900+n[2], n[1], n[0]
	default:
		return 0, 0, 0, false
	}
	return year, month, day, year >= 1 && month >= 1 && month <= 12 && day >= 1 && day <= 31
}

// parseClock reads hh:mm, hh:mm:ss or hh:mm:ss.s...
func parseClock(s string) (time.Duration, bool) {
	parts := strings.Split(s, ":")
	if len(parts) < 2 || len(parts) > 3 {
		return 0, false
	}
	var d time.Duration
	for i, p := range parts {
		limit, unit := [3]float64{24, 60, 61}[i], [3]time.Duration{time.Hour, time.Minute, time.Second}[i]
		allowed := "0123456789"
		if i == 2 {
			allowed += "."
		}
		v, err := strconv.ParseFloat(p, 64)
		if err != nil || strings.Trim(p, allowed) != "" || v >= limit {
			return 0, false
		}
		d += time.Duration(math.Round(v * float64(unit)))
	}
	return d, true
}

// cutZone takes Z, +hh, +hhmm or +hh:mm (or with -) off the end.
func cutZone(s string) (clock string, zone *time.Duration, ok bool) {
	if c, found := strings.CutSuffix(strings.ToUpper(s), "Z"); found {
		return c, new(time.Duration), true
	}
	i := strings.IndexAny(s, "+-")
	if i < 0 {
		return s, nil, true
	}
	digits := strings.Replace(s[i+1:], ":", "", 1)
	if strings.Trim(digits, "0123456789") != "" || len(digits) != 2 && len(digits) != 4 {
		return "", nil, false
	}
	n, _ := strconv.Atoi(digits)
	if len(digits) == 2 {
		n *= 100
	}
	offset := time.Duration(n/100)*time.Hour + time.Duration(n%100)*time.Minute
	if n/100 > 14 || n%100 > 59 { // no zone is further than 14 hours from UTC
		return "", nil, false
	}
	if s[i] == '-' {
		offset = -offset
	}
	return s[:i], &offset, true
}

// timeFromMJD turns a modified Julian date (JD - 2400000.5) of the years 1 to
// 9999 into a time, to the microsecond that a float64 of today's dates holds.
func timeFromMJD(mjd float64) (time.Time, bool) {
	if !(mjd > -678576 && mjd < 2973483) {
		return time.Time{}, false
	}
	day, part := math.Modf(mjd)
	epoch := time.Date(1858, time.November, 17, 0, 0, 0, 0, time.UTC)
	t := epoch.AddDate(0, 0, int(day))
	return t.Add(time.Duration(math.Round(part*86400e6)) * time.Microsecond), true
}

// mjdResolution is half a unit of the last decimal written, as far as the
// shortest spelling of the number shows it.
func mjdResolution(mjd float64) time.Duration {
	_, decimals, _ := strings.Cut(strconv.FormatFloat(mjd, 'f', -1, 64), ".")
	return time.Duration(0.5 * math.Pow(10, -float64(len(decimals))) * 86400 * float64(time.Second))
}

// leapSeconds is TAI - UTC from the given day on (IERS Bulletin C; the same
// table stands in ERFA's dat.c). Before 1972 UTC was kept by steps and rates of
// its own; 10 s are then right to 9 s from 1961 on.
var leapSeconds = [...]struct{ year, month, seconds int }{
	{1972, 1, 10}, {1972, 7, 11}, {1973, 1, 12}, {1974, 1, 13}, {1975, 1, 14}, {1976, 1, 15}, {1977, 1, 16},
	{1978, 1, 17}, {1979, 1, 18}, {1980, 1, 19}, {1981, 7, 20}, {1982, 7, 21}, {1983, 7, 22}, {1985, 7, 23},
	{1988, 1, 24}, {1990, 1, 25}, {1991, 1, 26}, {1992, 7, 27}, {1993, 7, 28}, {1994, 7, 29}, {1996, 1, 30},
	{1997, 7, 31}, {1999, 1, 32}, {2006, 1, 33}, {2009, 1, 34}, {2012, 7, 35}, {2015, 7, 36}, {2017, 1, 37},
}

// Offsets of time scales from TAI (section 9.2.1, table 30).
const (
	ttMinusTAI  = 32184 * time.Millisecond
	taiMinusGPS = 19 * time.Second
)

// timeScale gives the conversion to UTC from a value of TIMESYS (section
// 9.2.1, table 30). TDB stays within 2 ms of TT, UT1 within 0.9 s of UTC. TCB and
// TCG run away from the others at their own rates; no camera program keeps
// them.
func timeScale(name string) (toUTC func(time.Time) time.Time, known bool) {
	name, _, _ = strings.Cut(name, "(") // "TT(BIPM)"
	ahead := func(d time.Duration) func(time.Time) time.Time {
		return func(t time.Time) time.Time { return utcFromTAI(t.Add(-d)) }
	}
	same := func(t time.Time) time.Time { return t }
	switch strings.TrimSpace(name) {
	case "UTC", "UT", "UT1", "GMT", "Z":
		return same, true
	case "TAI", "IAT":
		return ahead(0), true
	case "TT", "TDT", "ET", "TDB":
		return ahead(ttMinusTAI), true
	case "GPS":
		return ahead(-taiMinusGPS), true
	}
	return same, false
}

func utcFromTAI(tai time.Time) time.Time {
	seconds := leapSeconds[0].seconds
	for _, l := range leapSeconds {
		from := time.Date(l.year, time.Month(l.month), 1, 0, 0, l.seconds, 0, time.UTC)
		if tai.Before(from) {
			break
		}
		seconds = l.seconds
	}
	return tai.Add(-time.Duration(seconds) * time.Second)
}
