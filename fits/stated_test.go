package fits

import (
	"fmt"
	"strings"
	"testing"
	"time"
)

// What headers state of their moment beside UTC. Forms: common practice, as in KEYWORDS.md; one over the sine of
// 30 degrees is two air masses.
func TestStated(t *testing.T) {
	const utc = "DATE-OBS= '2026-03-07T10:00:00.000';EXPTIME = 60.0;"
	for _, c := range []struct{ name, cards, zones, says string }{
		{"nothing", utc, "[]", ""},
		{"local time", utc + "DATE-LOC= '2026-03-07T03:00:00.000'", "[-7h0m0s]", ""},
		{"local time noted as the shutter closed", utc + "LOCALTIM= '2026-03-07T15:46:02'", "[5h45m0s]", ""},
		{"local time with its offset", utc + "DATE-LOC= '2026-03-07T19:30:00+09:30'", "[9h30m0s]", ""},
		{"beyond the date line", utc + "DATE-LOC= '2026-03-08T00:00:00'", "[14h0m0s]", ""},
		{"a computer set to UTC", utc + "DATE-LOC= '2026-03-07T10:00:00'", "[]", ""},
		{"two clocks", utc + "DATE-LOC= '2026-03-07T03:07:30'", "[]", "differ by -6h52m30s, as no time zone does"},
		{"another day", utc + "DATE-LOC= '2026-03-05T10:00:00'", "[]", "as no time zone does"},
		{"local time alone", "EXPTIME = 60.0;DATE-LOC= '2026-03-07T03:00:00'", "[]", "DATE-LOC is local time and was not taken for UTC"},
		{"local time that is none", utc + "DATE-LOC= 'midnight'", "[]", ""},
		{"the offset of the time itself", "EXPTIME = 60.0;DATE-OBS= '2026-03-07T03:00:00-07:00'", "[-7h0m0s]", ""},
		{"hours of either sign", utc + "TIMEZONE= 7", "[7h0m0s -7h0m0s]", ""},
		{"hours that are none", utc + "TIMEZONE= 70", "[]", ""},
		{"local time goes before hours", utc + "UTCOFFSE= 7;DATE-LOC= '2026-03-07T03:00:00'", "[-7h0m0s]", ""},
	} {
		f := mustDecode(t, small(strings.Split(c.cards, ";")...))
		zones := "[]"
		if f.Stated != nil {
			zones = fmt.Sprint(f.Stated.Zones)
		}
		if says := strings.Join(f.Warnings, "; "); zones != c.zones || (c.says != "") != strings.Contains(says, "local time") && (c.says != "") != strings.Contains(says, "time zone") || !strings.Contains(says, c.says) {
			t.Errorf("%s: %s, want %s; %q", c.name, zones, c.zones, says)
		}
		if c.name == "local time alone" && (!f.Mid.IsZero() || !strings.Contains(strings.Join(f.Warnings, " "), "DATE-OBS")) {
			t.Errorf("local time was taken for UTC: %v, %q", f.Mid, f.Warnings)
		}
	}
	for _, c := range []struct {
		cards         string
		lst, altitude float64 // degrees; 0: not stated
		placed        bool
	}{
		{"LST     = '07:37:34'", 114.392, 0, false},
		{"LST     = 7.6", 0, 0, false},
		{"LST     = '00:00:00'", 0, 0, false},
		{"HA      = '-01:00:00';RA      = '08:37:34'", 114.392, 0, false},
		{"OBJCTHA = '01 00 00';OBJCTRA = '23 30 00';OBJCTDEC= '10 00 00'", 7.5, 0, false},
		{"OBJCTALT= 53.25", 0, 53.25, false},
		{"OBJCTALT= '53 15 00';OBJCTRA = '23 30 00';OBJCTDEC= '10 00 00'", 0, 53.25, true},
		{"OBJCTALT= 0.0;AIRMASS = 2.0", 0, 30, false},
		{"AIRMASS = 1.05", 0, 0, false},
		{"AIRMASS = 0.0", 0, 0, false},
	} {
		f := mustDecode(t, small(strings.Split(utc+c.cards, ";")...))
		if c.lst == 0 && c.altitude == 0 {
			if f.Stated != nil {
				t.Errorf("%s: stated %+v", c.cards, f.Stated)
			}
			continue
		}
		s := f.Stated
		if s == nil || (s.Sidereal != nil) != (c.lst != 0) || (s.Altitude != nil) != (c.altitude != 0) || (s.At != nil) != c.placed {
			t.Errorf("%s: stated %+v", c.cards, s)
			continue
		}
		if c.lst != 0 && !near(s.Sidereal.Degrees(), c.lst) || c.altitude != 0 && !near(s.Altitude.Degrees(), c.altitude) {
			t.Errorf("%s: sidereal time %v, altitude %v", c.cards, s.Sidereal, s.Altitude)
		}
	}
}

func near(got, want float64) bool { return got-want < 1e-3 && want-got < 1e-3 }

// A longitude that counts west is found out by the local time in its header.
func TestLocalTimeDecidesTheLongitude(t *testing.T) {
	f := mustDecode(t, small("DATE-OBS= '2026-03-07T10:00:00'", "EXPTIME = 60.0", "DATE-LOC= '2026-03-07T03:00:00'", "SITELAT = 31.5", "SITELONG= 110.5"))
	if f.Site == nil || !near(f.Site.Longitude.Degrees(), -110.5) {
		t.Errorf("%+v, %q", f.Site, f.Warnings)
	}
	if z := f.Stated.Zones; len(z) != 1 || z[0] != -7*time.Hour {
		t.Errorf("zones %v", z)
	}
}
