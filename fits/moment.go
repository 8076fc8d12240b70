package fits

import (
	"fmt"
	"io/fs"
	"math"
	"strconv"
	"strings"
	"time"
)

// moment is when an exposure was taken.
type moment struct {
	start, mid time.Time // UTC; zero when unknown
	exposure   time.Duration
	zone       *time.Duration // offset from UTC that the header writes, if it does
	warnings   []string
}

// Tolerances of agreement between the header's own statements.
const (
	// statedAgreement: programs round times to the second and note them before
	// or after they open the shutter.
	statedAgreement = 2 * time.Second
	// zoneStep: offsets from UTC are multiples of a quarter of an hour.
	zoneStep = 15 * time.Minute
	// longestExposure is more than any night.
	longestExposure = 24 * time.Hour
)

// readMoment finds the time of the exposure. The middle is, in this order: the
// one stated (DATE-AVG, MJD-AVG; section 9.5), start plus half the exposure,
// half-way from start to end. The start is DATE-BEG, else DATE-OBS (sections
// 9.5 and 4.4.2.2), completed by a time keyword where it is a date only, else
// MJD-BEG or MJD-OBS.
func readMoment(h *header) moment {
	r := momentReader{header: h}
	r.readExposure()
	scale := "UTC"
	if v, _, ok := h.text("TIMESYS"); ok {
		scale = strings.ToUpper(v)
	}
	var known bool
	if r.toUTC, known = timeScale(scale); !known {
		r.warn("TIMESYS %q is not known; the times are taken as UTC", scale)
	}
	startKey := r.readStart()
	startKey = r.compareMJD(startKey)
	computed := r.middleByExposure(startKey)
	r.readMiddle(computed)
	m := &r.moment
	if m.start.IsZero() && !m.mid.IsZero() {
		m.start = m.mid.Add(-m.exposure / 2)
	}
	if m.mid.IsZero() {
		r.warn("no time of exposure in the header (DATE-OBS)")
	}
	return *m
}

// momentReader is a moment on its way out of a header.
type momentReader struct {
	moment
	header *header
	toUTC  func(time.Time) time.Time // from the header's time scale
}

func (r *momentReader) warn(format string, args ...any) {
	r.warnings = append(r.warnings, fmt.Sprintf(format, args...))
}

// readExposure reads the effective exposure (section 9.6, XPOSURE) as the trade writes it.
func (r *momentReader) readExposure() {
	if v, key, ok := r.header.number("EXPTIME", "EXPOSURE", "XPOSURE", "EXP_TIME", "EXP-TIME"); ok {
		if d := time.Duration(v * float64(time.Second)); v >= 0 && v <= longestExposure.Seconds() {
			r.exposure = d
		} else {
			r.warn("%s = %g seconds is no exposure and was passed over", key, v)
		}
	}
}

// bounded gives the time that a keyword states if it can be one, else none.
func (r *momentReader) bounded(t time.Time, key string) time.Time {
	if !t.IsZero() && !believable(t) {
		r.warn("%s lies in the year %d, outside %d to %d, and was passed over", key, t.Year(), firstYear, lastYear-1)
		return time.Time{}
	}
	return t
}

// stated reads the first of the keywords that holds a date and a time.
func (r *momentReader) stated(keywords ...string) (time.Time, string) {
	for _, key := range keywords {
		if strings.HasPrefix(key, "MJD") {
			if v, _, ok := r.header.number(key); ok {
				t, ok := timeFromMJD(v)
				if !ok {
					r.warn("%s = %g is no date and was passed over", key, v)
				} else if t = r.bounded(r.toUTC(t), key); !t.IsZero() {
					return t, key
				}
			}
			continue
		}
		text, _, ok := r.header.text(key)
		if !ok {
			continue
		}
		s, err := parseStamp(text)
		if err != nil {
			r.warn("%s = %q was passed over: %v", key, text, err)
		}
		if err != nil || !s.hasTime { // a date alone is completed by dateAndTime
			continue
		}
		if s.zone == nil {
			s.at = r.toUTC(s.at)
		}
		if t := r.bounded(s.at, key); !t.IsZero() {
			if s.zone != nil {
				r.zone = s.zone
			}
			return t, key
		}
	}
	return time.Time{}, ""
}

// readStart finds the start, the Julian date aside, and names its keyword.
func (r *momentReader) readStart() (key string) {
	r.start, key = r.stated("DATE-BEG", "DATE-OBS")
	if r.start.IsZero() {
		if t, keys, ok := dateAndTime(r.header, r.toUTC); ok {
			r.start, key = r.bounded(t, keys), keys
		}
	}
	ut := r.bounded(universalTime(r.header, r.start), "the universal time")
	if r.start.IsZero() {
		r.start = ut
		return "UT-OBS"
	}
	if ut.IsZero() {
		return key
	}
	// A keyword with UT in its name settles whether DATE-OBS is local time.
	switch d := r.start.Sub(ut).Round(time.Second); {
	case d <= statedAgreement && d >= -r.exposure-statedAgreement: // noted at the start, or when the shutter closed
	case (d-d.Round(zoneStep)).Abs() <= statedAgreement && d.Abs() <= 14*time.Hour:
		r.warn("%s is %v off the universal time in the same header, so it is local time; the universal time was taken", key, d.Abs())
		r.start = ut
	default:
		r.warn("%s is %v off the universal time in the same header; %s was taken", key, d.Abs(), key)
	}
	return key
}

// compareMJD takes the start from the Julian date where nothing else gives it, and holds it against that elsewhere. It names the
// keyword of the start.
func (r *momentReader) compareMJD(startKey string) (key string) {
	mjd, mjdKey := r.stated("MJD-BEG", "MJD-OBS")
	v, _, isNumber := r.header.number(mjdKey)
	if r.start.IsZero() {
		r.start = mjd
		if isNumber && mjdResolution(v) > statedAgreement {
			r.warn("the only time is %s, to %v", mjdKey, mjdResolution(v).Round(time.Second))
		}
		return mjdKey
	}
	if isNumber && !mjd.IsZero() {
		// MJD-OBS is the start or the middle, as programs have it.
		if d := mjd.Sub(r.start); d < -statedAgreement-mjdResolution(v) || d > r.exposure+statedAgreement+mjdResolution(v) {
			r.warn("%s is %v off %s; %s was taken", mjdKey, d.Abs().Round(time.Second), startKey, startKey)
		}
	}
	return startKey
}

// middleByExposure is the middle by start and exposure, or start and end; zero where these are not known.
func (r *momentReader) middleByExposure(startKey string) time.Time {
	end, endKey := r.stated("DATE-END", "MJD-END")
	switch {
	case r.start.IsZero():
		return time.Time{}
	case r.exposure > 0 && !end.IsZero():
		switch open := end.Sub(r.start); {
		case open < r.exposure-statedAgreement:
			r.warn("%s to %s is %v, shorter than the exposure of %v", startKey, endKey, open, r.exposure)
		case open > 2*r.exposure+30*time.Second:
			r.warn("%s to %s is %v, much longer than the exposure of %v: is this a sum of exposures?", startKey, endKey, open, r.exposure)
		}
	case r.exposure > 0:
	case !end.IsZero() && !end.Before(r.start):
		r.exposure = end.Sub(r.start)
	default:
		r.warn("no exposure time in the header: the start, %s, was taken as the middle", startKey)
	}
	return r.start.Add(r.exposure / 2)
}

// readMiddle takes the middle that the header states, or else the computed one.
func (r *momentReader) readMiddle(computed time.Time) {
	mid, key := r.stated("DATE-AVG", "MJD-AVG")
	if mid.IsZero() {
		r.mid = computed
		return
	}
	r.mid = mid
	slack := statedAgreement
	if v, _, ok := r.header.number(key); ok {
		slack += mjdResolution(v)
	}
	if d := mid.Sub(computed); !computed.IsZero() && d.Abs() > slack {
		r.warn("%s is %v off start plus half the exposure; %s was taken", key, d.Abs(), key)
	}
}

// dateAndTime joins a date-only DATE-OBS with the time of day in a keyword of
// its own, as older headers have it.
func dateAndTime(h *header, toUTC func(time.Time) time.Time) (t time.Time, key string, ok bool) {
	text, key, found := h.text("DATE-BEG", "DATE-OBS")
	if !found {
		return time.Time{}, "", false
	}
	date, err := parseStamp(text)
	if err != nil || date.hasTime {
		return time.Time{}, "", false
	}
	for _, k := range []string{"TIME-BEG", "TIME-OBS", "UT-OBS", "UTC-OBS", "UT", "UTC", "UTSTART", "UTC-STRT", "TM-START"} {
		if text, _, ok := h.text(k); ok {
			if s, err := parseStamp(text); err == nil && s.hasTime && s.dateless {
				t = date.at.Add(s.ofDay)
				if strings.HasPrefix(k, "U") {
					return t, key + " with " + k, true
				}
				return toUTC(t), key + " with " + k, true
			}
		}
		if v, _, ok := h.number(k); ok && k == "TM-START" && v >= 0 && v < 86401 { // seconds of the day
			return date.at.Add(time.Duration(v * float64(time.Second))), key + " with " + k, true
		}
	}
	return time.Time{}, "", false
}

// universalTime reads a keyword that names universal time. One with a time of
// day only is put on the day that brings it nearest to near.
func universalTime(h *header, near time.Time) time.Time {
	for _, k := range []string{"UT-OBS", "UTC-OBS", "UTSTART", "UTC-STRT", "UT", "UTC"} {
		text, _, ok := h.text(k)
		if !ok {
			continue
		}
		s, err := parseStamp(text)
		if err != nil || !s.hasTime {
			continue
		}
		if !s.dateless {
			return s.at
		}
		if near.IsZero() {
			continue
		}
		day := near.Truncate(24 * time.Hour)
		best := day.Add(s.ofDay)
		for _, t := range []time.Time{best.Add(-24 * time.Hour), best.Add(24 * time.Hour)} {
			if t.Sub(near).Abs() < best.Sub(near).Abs() {
				best = t
			}
		}
		return best
	}
	return time.Time{}
}

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
