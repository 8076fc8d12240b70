package fits

import (
	"fmt"
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
