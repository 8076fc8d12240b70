package sky

import (
	"regexp"
	"strconv"
	"strings"
)

var (
	writtenMarks = strings.NewReplacer("−", "-")
	decimalComma = regexp.MustCompile(`(\d),(\d)`)
	markedS      = regexp.MustCompile(`(\dM\s*\d+(?:\.\d*)?)S`)
	eitherS      = regexp.MustCompile(`M\s*[\d.]+\s+S$`)
	writtenAngle = regexp.MustCompile(`^([+-])?\s*([A-Z])?\s*([+-])?\s*(\d+(?:\.\d*)?)\s*(?:[°ºD:\s]\s*(\d+(?:\.\d*)?)\s*(?:['′’:M\s]\s*(?:(\d+(?:\.\d*)?)\s*(?:"|″|”|''|′′)?)?)?)?\s*[°º'′’"″”D]?\s*([A-Z])?$`)
)

// ParseAngle reads an angle in degrees as people write it: 40.95, 40,95, 40 57 28 N, 40°57'28",
// 40.9N, W 3 42. The letters are those of the positive and of the negative side. An S behind
// seconds is south, unless d and m mark the parts before it. Two decimals are no angle, but a
// latitude and a longitude. The page reads the same (web/assets/js/fields.js), which a test holds.
func ParseAngle(text, plus, minus string) (Angle, bool) {
	t := writtenMarks.Replace(strings.ToUpper(strings.TrimSpace(text)))
	t = markedS.ReplaceAllString(decimalComma.ReplaceAllString(t, "$1.$2"), `$1"`)
	m := writtenAngle.FindStringSubmatch(t)
	if m == nil || eitherS.MatchString(t) {
		return 0, false
	}
	sign, letter := m[1]+m[3], m[2]+m[7]
	if len(sign) > 1 || letter != "" && (letter != plus && letter != minus || sign == "-") {
		return 0, false
	}
	whole := m[5] == "" || !strings.Contains(m[4], ".")
	if whole = whole && (m[6] == "" || !strings.Contains(m[5], ".")); !whole {
		return 0, false
	}
	var parts [3]float64
	for i, part := range m[4:7] {
		v, err := strconv.ParseFloat("0"+part, 64) // a part that is not there is 0
		if err != nil || i > 0 && v >= 60 {
			return 0, false
		}
		parts[i] = v
	}
	a := Angle(parts[0])*Degree + Angle(parts[1])*Arcminute + Angle(parts[2])*Arcsecond
	if letter == minus || sign == "-" {
		a = -a
	}
	return a, true
}
