package indi

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"golang.org/x/text/runes"
	"golang.org/x/text/transform"
)

// maxMessageBytes bounds one message: a picture of 90 million 16-bit pixels in base64.
const maxMessageBytes = 256 << 20

// message is one element of the stream: the definition or a new value of a property, the end of
// one, or words for the user.
type message struct {
	tag               string // such as "defNumberVector", "setBLOBVector", "message"
	device, name      string
	state, perm, text string
	elements          []element
}

// element is a member of a property's vector.
type element struct {
	name, value string
	min, max    string // of numbers
	format      string // of BLOBs: ".fits", ".fits.z" ...
	size        int64  // of BLOBs: bytes when unpacked; -1 when unknown
}

// reader takes messages off a stream.
type reader struct {
	most  int64 // bytes of one message
	limit *limitedReader
	xml   *xml.Decoder
}

// limitedReader gives up when a message is longer than any real one.
type limitedReader struct {
	r    io.Reader
	left int64
}

var errTooLong = errors.New("a message that is too long")

func (l *limitedReader) Read(p []byte) (int, error) {
	if l.left <= 0 {
		return 0, errTooLong
	}
	n, err := l.r.Read(p)
	l.left -= int64(n)
	return n, err
}

func newReader(r io.Reader) *reader {
	// Drivers send labels in whatever code page they were written in.
	limit := &limitedReader{r: transform.NewReader(r, runes.ReplaceIllFormed())}
	d := xml.NewDecoder(limit)
	// A stream may begin with a declaration of its encoding; it has been seen to.
	d.CharsetReader = func(_ string, r io.Reader) (io.Reader, error) { return r, nil }
	return &reader{maxMessageBytes, limit, d}
}

// errDepth: INDI nests two deep.
var errDepth = errors.New("elements are nested deeper than in any INDI message")

// next gives the next message. Any error means that the stream cannot be gone on with.
func (r *reader) next() (message, error) {
	r.limit.left = r.most
	for {
		token, err := r.xml.Token()
		if err != nil {
			return message{}, err
		}
		if start, ok := token.(xml.StartElement); ok {
			return r.message(start)
		}
	}
}

func (r *reader) message(start xml.StartElement) (message, error) {
	at := attributes(start)
	m := message{tag: start.Name.Local, device: at["device"], name: at["name"], state: at["state"], perm: at["perm"], text: at["message"]}
	var text strings.Builder
	for {
		token, err := r.xml.Token()
		if err != nil {
			return message{}, err
		}
		switch t := token.(type) {
		case xml.StartElement:
			e, err := r.element(t)
			if err != nil {
				return message{}, err
			}
			m.elements = append(m.elements, e)
		case xml.CharData:
			if m.text == "" && len(t) < 4096 {
				text.Write(t)
			}
		case xml.EndElement:
			if m.text == "" {
				m.text = strings.TrimSpace(text.String())
			}
			return m, nil
		}
	}
}

// attributes of an element by their names.
func attributes(start xml.StartElement) map[string]string {
	out := make(map[string]string, len(start.Attr))
	for _, a := range start.Attr {
		out[a.Name.Local] = a.Value
	}
	return out
}

func (r *reader) element(start xml.StartElement) (element, error) {
	at := attributes(start)
	e := element{name: at["name"], min: at["min"], max: at["max"], format: at["format"], size: -1}
	if n, err := strconv.ParseInt(strings.TrimSpace(at["size"]), 10, 64); err == nil && n >= 0 {
		e.size = n
	}
	var value []byte
	for {
		token, err := r.xml.Token()
		if err != nil {
			return element{}, err
		}
		switch t := token.(type) {
		case xml.StartElement:
			return element{}, errDepth
		case xml.CharData:
			value = append(value, t...)
		case xml.EndElement:
			e.value = strings.TrimSpace(string(value))
			return e, nil
		}
	}
}

// parseNumber reads a number as INDI writes it: decimal, or sexagesimal with colons, semicolons
// or blanks between up to three parts (protocol, section "numberFormat").
func parseNumber(s string) (float64, error) {
	s = strings.TrimSpace(s)
	parts := strings.FieldsFunc(s, func(r rune) bool { return r == ':' || r == ';' || r == ' ' })
	if len(parts) == 0 || len(parts) > 3 {
		return 0, fmt.Errorf("%q is no number", s)
	}
	sign, sum := 1.0, 0.0
	if strings.HasPrefix(parts[0], "-") {
		sign = -1
	}
	for i, p := range parts {
		x, err := strconv.ParseFloat(p, 64)
		if err != nil || math.IsNaN(x) || math.IsInf(x, 0) || i > 0 && (x < 0 || x > 60) {
			return 0, fmt.Errorf("%q is no number", s)
		}
		sum += math.Abs(x) / math.Pow(60, float64(i))
	}
	return sign * sum, nil
}
