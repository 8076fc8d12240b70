package fits

import (
	"bytes"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/astrogo/fitsio"
)

// header is the keyword values of a unit, as fitsio reads them: string, bool,
// int or float64.
type header struct {
	values   map[string]any
	integers map[string]int64 // numbers that a float64 may not hold, and is in values
	primary  *header          // where an extension's missing keywords are looked up
	warnings []string         // what in the cards was not legal
}

// errReader marks a failure of fitsio on cards that the check had found legal:
// a fault of this program, which fuzzing looks for.
var errReader = errors.New("the keyword reader failed on legal cards, a fault of this program")

// readKeywords reads the keywords of a checked header that describe the
// exposure; those that fix the layout are left out.
func readKeywords(u *unit) (*header, error) {
	cards, integers, warnings := legalCards(u.header)
	h := &header{values: map[string]any{}, integers: integers, warnings: warnings}
	hdu, err := decodeHeader(cards)
	if err != nil {
		return nil, err
	}
	// By number: to look up each of 50,000 by its name would go through all of them each time.
	for i, left := 0, len(hdu.Header().Keys()); left > 0; i++ {
		switch c := hdu.Header().Card(i); c.Name {
		case "END", "COMMENT", "HISTORY", "": // not among its keys
		default:
			h.values[c.Name] = c.Value
			left--
		}
	}
	return h, nil
}

// decodeHeader hands cards to fitsio as a header without data.
func decodeHeader(cards []byte) (hdu fitsio.HDU, err error) {
	defer func() {
		if r := recover(); r != nil {
			hdu, err = nil, fmt.Errorf("%w: %w: %v", ErrMalformed, errReader, r)
		}
	}()
	hdu, err = fitsio.NewDecoder(bytes.NewReader(cards)).DecodeHDU()
	if err != nil {
		return nil, fmt.Errorf("%w: %w: %v", ErrMalformed, errReader, err)
	}
	return hdu, nil
}

// mostContinued cards of a string are read, 6,700 letters; fitsio joins them in the square of their time.
const mostContinued = 100

// legalCards rewrites a header as one that claims no data and holds only legal
// value cards, each keyword once, and says what it left out.
func legalCards(cards []byte) (legal []byte, integers map[string]int64, warnings []string) {
	integers = make(map[string]int64)
	var unreadable, repeated []string
	told := map[string]bool{} // those of repeated
	legal = fmt.Appendf(nil, "%-80s%-80s%-80s", "SIMPLE  =                    T", "BITPIX  =                    8", "NAXIS   =                    0")
	seen := map[string]string{}
	continues := false // the last card written is a string that ends in &
	continued := 0     // by so many cards
	for off := 0; off < len(cards); off += cardSize {
		card := cards[off : off+cardSize]
		if continues && bytes.HasPrefix(card, []byte("CONTINUE")) {
			continued++
			legal, continues = appendContinued(legal, card, continued == mostContinued)
			continue
		}
		keyword := cardKeyword(card)
		// CONTINUE behind no string that goes on is commentary (FITS Standard 4.0,
		// section 4.2.1.2), whatever follows it.
		if keyword == "" || keyword == "CONTINUE" || layoutKeyword(keyword) {
			continue
		}
		continues, continued = false, 0
		v, kind := cardValue(card)
		if !legalKeyword(keyword) || kind == noValue {
			if field := bytes.TrimLeft(card[10:], " "); len(field) > 0 && field[0] != '/' && field[0] != '(' {
				unreadable = append(unreadable, clean(keyword))
			}
			continue
		}
		if before, found := seen[keyword]; found {
			if before != v && !told[keyword] {
				told[keyword] = true
				repeated = append(repeated, keyword)
			}
			continue
		}
		seen[keyword] = v
		switch kind {
		case textValue:
			v = clean(v)
			continues = strings.HasSuffix(v, "&")
			v = "'" + strings.ReplaceAll(v, "'", "''") + "'"
		case whole:
			// fitsio keeps whole numbers in an int, which may have 32 bits.
			if _, err := strconv.ParseInt(v, 10, 32); err != nil {
				if n, err := strconv.ParseInt(v, 10, 64); err == nil {
					integers[keyword] = n
				}
				f, _ := strconv.ParseFloat(v, 64)
				v = formatFloat(f)
			}
		}
		legal = fmt.Appendf(legal, "%-80s", fmt.Sprintf("%-8s= %20s", keyword, v))
	}
	legal = fmt.Appendf(legal, "%-80s", "END")
	legal = append(legal, strings.Repeat(" ", padding(len(legal)))...)
	warnings = append(leftOut("header cards without a legal value were passed over", unreadable),
		leftOut("keywords that stand twice with different values (the first was taken)", repeated)...)
	return legal, integers, warnings
}

// leftOut is a warning that names keywords, where there are any.
func leftOut(why string, keywords []string) []string {
	if len(keywords) == 0 {
		return nil
	}
	return []string{fmt.Sprintf("%s: %s", why, list(keywords))}
}

// appendContinued appends a card that goes on with a long string (section 4.2.1.2), if it does, and tells whether another may
// follow; none does after the last.
func appendContinued(legal, card []byte, last bool) (longer []byte, continues bool) {
	field := bytes.TrimLeft(card[8:], " ")
	if len(field) == 0 || field[0] != '\'' {
		return legal, false
	}
	v, kind := quoted(field[1:])
	if kind != textValue {
		return legal, false
	}
	if v = clean(v); last {
		v = strings.TrimRight(v, "&")
	}
	return fmt.Appendf(legal, "%-80s", "CONTINUE  '"+strings.ReplaceAll(v, "'", "''")+"'"), strings.HasSuffix(v, "&")
}

// layoutKeyword tells the keywords that fix the layout of a unit, which the
// check has read already.
func layoutKeyword(k string) bool {
	switch k {
	case "SIMPLE", "XTENSION", "BITPIX", "PCOUNT", "GCOUNT", "GROUPS", "EXTEND", "END":
		return true
	}
	return strings.HasPrefix(k, "NAXIS")
}

// clean replaces what is not printable text.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		if r == utf8.RuneError || !unicode.IsPrint(r) {
			return '?'
		}
		return r
	}, s)
}

// list names the first few of many.
func list(names []string) string {
	const few = 6
	if len(names) > few {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:few], ", "), len(names)-few)
	}
	return strings.Join(names, ", ")
}

// number gives the first of the keywords that holds a number, also one
// written as a string.
func (h *header) number(keywords ...string) (v float64, keyword string, ok bool) {
	for _, k := range keywords {
		switch v := h.get(k).(type) {
		case int:
			return float64(v), k, true
		case float64:
			return v, k, true
		case string:
			if s, kind := number(strings.TrimSpace(v)); kind != noValue {
				if f, err := strconv.ParseFloat(s, 64); err == nil {
					return f, k, true
				}
			}
		}
	}
	return 0, "", false
}

// text gives the first of the keywords that holds a string that is not blank.
func (h *header) text(keywords ...string) (v, keyword string, ok bool) {
	for _, k := range keywords {
		if s, isText := h.get(k).(string); isText {
			if s = strings.TrimSpace(s); s != "" {
				return s, k, true
			}
		}
	}
	return "", "", false
}

func (h *header) get(keyword string) any {
	if v, found := h.values[keyword]; found {
		return v
	}
	if h.primary != nil {
		return h.primary.get(keyword)
	}
	return nil
}
