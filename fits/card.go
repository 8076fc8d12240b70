package fits

import (
	"bytes"
	"errors"
	"strconv"
	"strings"
)

// Layout of a FITS file (FITS Standard 4.0, sections 3.1 and 4.1).
const (
	blockSize = 2880 // bytes; header and data units fill whole blocks
	cardSize  = 80   // bytes; one keyword record
)

// padding is the number of bytes that fill n up to whole blocks.
func padding(n int) int { return (blockSize - n%blockSize) % blockSize }

// valueKind is what stands in the value field of a card (section 4.2).
type valueKind int

const (
	noValue   valueKind = iota // commentary, undefined, complex, or illegal
	textValue                  // a quoted string (4.2.1)
	logical                    // T or F (4.2.2)
	whole                      // an integer (4.2.3)
	real                       // a floating-point number (4.2.4)
)

// cardKeyword is the keyword in bytes 1 to 8 of a card, empty when bytes 9
// and 10 are not the value indicator "= " (section 4.1.2).
func cardKeyword(card []byte) string {
	if card[8] != '=' || card[9] != ' ' {
		return ""
	}
	return string(bytes.TrimRight(card[:8], " "))
}

// cardValue reads the value field of a card, fixed or free format: a string
// without quotes and trailing blanks, a logical as T or F, a number in the
// standard's own spelling. It is more generous than the standard where camera
// programs are known to differ and no doubt arises: lower-case exponents and
// comments that follow a number without a blank.
func cardValue(card []byte) (string, valueKind) {
	field := bytes.TrimLeft(card[10:], " ")
	if len(field) == 0 {
		return "", noValue
	}
	if field[0] == '\'' {
		return quoted(field[1:])
	}
	if slash := bytes.IndexByte(field, '/'); slash >= 0 {
		field = field[:slash]
	}
	token := string(bytes.TrimRight(field, " "))
	if token == "T" || token == "F" {
		return token, logical
	}
	return number(token)
}

// quoted reads a string up to its closing quote; two quotes stand for one.
func quoted(field []byte) (string, valueKind) {
	var s []byte
	for i := 0; i < len(field); i++ {
		if field[i] == '\'' {
			if i+1 == len(field) || field[i+1] != '\'' {
				return strings.TrimRight(string(s), " "), textValue
			}
			i++
		}
		s = append(s, field[i])
	}
	return "", noValue
}

// number checks a number and respells it: E for the exponent, a point in a
// real one and a digit before it. ParseFloat alone would take "inf", "0x1p-2"
// and "1_000".
func number(token string) (string, valueKind) {
	token = strings.ToUpper(token)
	if strings.Trim(token, "+-.0123456789ED") != "" {
		return "", noValue
	}
	if !strings.ContainsAny(token, ".ED") {
		if _, err := strconv.Atoi(token); err != nil && !errors.Is(err, strconv.ErrRange) {
			return "", noValue
		}
		return token, whole
	}
	v, err := strconv.ParseFloat(strings.Replace(token, "D", "E", 1), 64)
	if err != nil {
		return "", noValue
	}
	return formatFloat(v), real
}

// formatFloat gives the shortest decimal that reads back as v, always with a
// decimal point, as FITS asks of floating-point values (section 4.2.4).
func formatFloat(v float64) string {
	s := strings.ToUpper(strconv.FormatFloat(v, 'g', -1, 64))
	if mantissa, exponent, found := strings.Cut(s, "E"); !strings.Contains(mantissa, ".") {
		s = mantissa + ".0"
		if found {
			s += "E" + exponent
		}
	}
	return s
}

func legalKeyword(k string) bool {
	if len(k) < 1 || len(k) > 8 {
		return false
	}
	for i := range len(k) {
		c := k[i]
		if !(c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '-' || c == '_') {
			return false
		}
	}
	return true
}

// printable tells whether s holds only the text characters of FITS: ASCII 32
// to 126 (section 2.1).
func printable(s string) bool {
	for i := range len(s) {
		if s[i] < 0x20 || s[i] > 0x7e {
			return false
		}
	}
	return true
}
