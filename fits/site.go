package fits

import (
	"fmt"
	"math"
	"strings"
	"time"

	"polard/mountmodel/sky"
)

// Tolerances of finding out which way a longitude counts.
const (
	// siderealAgreement: a sidereal time in a header is noted at the start, the
	// middle or the end of the exposure, by a clock of its own.
	siderealAgreement = 2 * sky.Degree
	// zoneAgreement: how far clock time may be from the Sun's: summer time and
	// the widest zones make up to about 3 hours.
	zoneAgreement = 45 * sky.Degree
)

// readSite reads the place of observation. OBSGEO-B, -L and -H count east
// positive (section 8.4.1, table 27). The other keywords are common practice
// and some programs count west positive; which it is, is found out, in this
// order: by a letter E or W, by the hour angle and right ascension in the same
// header, by its sidereal time, by the offset from UTC of its times. If nothing
// decides, east is taken and it is said so.
func readSite(h *header, m moment) (*sky.Site, []string) {
	latitude, latKey, okLat := siteAngle(h, "OBSGEO-B", "SITELAT", "LATITUDE", "LAT-OBS", "OBS-LAT", "OBSLAT", "SITE_LAT", "GEOLAT")
	longitude, lonKey, okLon := siteAngle(h, "OBSGEO-L", "SITELONG", "LONGITUD", "LONG-OBS", "OBS-LONG", "OBSLONG", "SITE_LON", "GEOLONG", "SITELON")
	if !okLat || !okLon || latitude == 0 && longitude == 0 { // zeros stand for "not filled in"
		return geocentricSite(h)
	}
	site := sky.Site{Latitude: latitude, Longitude: longitude.Signed()}
	elevation, elevationKey, hasElevation := h.number("OBSGEO-H", "SITEELEV", "SITE_ELE", "ALT-OBS", "OBS-ELEV", "OBSALT", "GEOELEV", "ELEVATIO", "ELEVATIN")
	site.ElevationM = elevation
	if err := site.Check(); err != nil && hasElevation {
		if site.ElevationM = 0; site.Check() == nil {
			return decideLongitude(h, m, site, lonKey, []string{fmt.Sprintf("%s was passed over: %v", elevationKey, err)})
		}
	}
	if err := site.Check(); err != nil {
		return nil, []string{fmt.Sprintf("%s, %s were passed over: %v", latKey, lonKey, err)}
	}
	return decideLongitude(h, m, site, lonKey, nil)
}

// siteAngle reads the first of the keywords that holds an angle, in degrees.
func siteAngle(h *header, keywords ...string) (sky.Angle, string, bool) {
	for _, k := range keywords {
		if v, _, ok := angle(h, k); ok {
			return sky.Angle(v) * sky.Degree, k, true
		}
	}
	return 0, "", false
}

func decideLongitude(h *header, m moment, site sky.Site, keyword string, warnings []string) (*sky.Site, []string) {
	if keyword == "OBSGEO-L" {
		return &site, warnings
	}
	if text, _, ok := h.text(keyword); ok && strings.ContainsAny(strings.ToUpper(text), "EW") {
		return &site, warnings
	}
	east, west := site.Longitude, -site.Longitude
	decide := func(estimate, agreement sky.Angle) (decided bool) {
		okEast, okWest := (estimate-east).Signed().Abs() <= agreement, (estimate-west).Signed().Abs() <= agreement
		if okWest && !okEast {
			warnings = append(warnings, fmt.Sprintf("%s = %.3f counts west positive in this header (its times show it): longitude %.3f", keyword, east.Degrees(), west.Degrees()))
			site.Longitude = west
		}
		return okEast != okWest
	}
	if !m.start.IsZero() {
		theta := greenwichSiderealTime(m.start)
		ha, haSexagesimal, okHA := angle(h, "HA")
		ra, raSexagesimal, okRA := angle(h, "RA")
		if okHA && okRA && decide(hoursIf(haSexagesimal, ha)+hoursIf(raSexagesimal, ra)-theta, siderealAgreement) {
			return &site, warnings
		}
		for _, k := range []string{"LST-OBS", "LST", "ST", "SIDTIME"} {
			if v, sexagesimal, ok := angle(h, k); ok && sexagesimal && decide(hoursIf(true, v)-theta, siderealAgreement) {
				return &site, warnings
			}
		}
	}
	if m.zone != nil && *m.zone != 0 && decide(sky.Angle(m.zone.Hours())*sky.Hour, zoneAgreement) {
		return &site, warnings
	}
	if math.Abs(east.Degrees()) > 1 { // nearer to Greenwich the sign hardly matters
		warnings = append(warnings, fmt.Sprintf("%s = %.3f is taken as east positive; nothing in the header confirms it", keyword, east.Degrees()))
	}
	return &site, warnings
}

// hoursIf gives the angle of a number in hours, or in degrees.
func hoursIf(hours bool, v float64) sky.Angle {
	if hours {
		return sky.Angle(v) * sky.Hour
	}
	return sky.Angle(v) * sky.Degree
}

// greenwichSiderealTime is the mean sidereal time at Greenwich, good to 0.01
// degree in this century with UT1 taken as UTC (Meeus, Astronomical
// Algorithms, 2nd ed. 1998, eq. 12.4 without its last two terms).
func greenwichSiderealTime(t time.Time) sky.Angle {
	days := t.Sub(time.Date(2000, time.January, 1, 12, 0, 0, 0, time.UTC)).Hours() / 24
	return (sky.Angle(280.46061837+360.98564736629*days) * sky.Degree).Positive()
}
