package main

import (
	"bytes"
	"encoding/json"
	"io"
	"strconv"
	"strings"
	"unicode"
)

// terminal passes on what people read, without the control characters in which a
// terminal takes orders: names of files are anybody's.
type terminal struct{ io.Writer }

func (t terminal) Write(p []byte) (int, error) {
	safe := bytes.Map(func(r rune) rune {
		if unicode.IsControl(r) && r != '\n' && r != '\t' {
			return '?'
		}
		return r
	}, p)
	if _, err := t.Writer.Write(safe); err != nil {
		return 0, err
	}
	return len(p), nil
}

// writeJSON writes a value on a line of its own, for programs.
func writeJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	return enc.Encode(v)
}

// oneLine keeps a sentence with a name in it on its line.
func oneLine(sentence string) string { return strings.ReplaceAll(sentence, "\n", "?") }

// shownName is the name of a file as people read it: one that would break the
// line, or that does not print, stands in quotes.
func shownName(path string) string {
	if strings.ContainsFunc(path, func(r rune) bool { return !unicode.IsPrint(r) }) {
		return strconv.Quote(path)
	}
	return path
}
