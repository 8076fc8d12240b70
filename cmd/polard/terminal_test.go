package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode"
)

// Names of files give the terminal no orders (ECMA-48: ESC and the C1 set
// introduce them), and begin no line of their own.
func TestNamesGiveTheTerminalNoOrders(t *testing.T) {
	folder := t.TempDir()
	evil := filepath.Join(folder, "a\x1b]0;owned\a\x1b[2J\u009b1m\nall is well.fits")
	if err := os.WriteFile(evil, []byte("no FITS"), 0o644); err != nil {
		t.Skipf("no such names here: %v", err)
	}
	for _, args := range [][]string{
		{"solve", evil},
		{"axis", "--lat", "46", "--lon", "13", evil},
		{"check", folder, "--lat", "46", "--lon", "13", "--addr", "127.0.0.1:0"},
		{"serve", evil},
		{"solve", "--wcs", evil, evil},
	} {
		_, stdout, stderr := call(t, args...)
		shown := stdout + stderr
		if shown == "" || strings.ContainsFunc(shown, func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\t' }) {
			t.Errorf("%v: %q", args, shown)
		}
		for _, line := range strings.Split(shown, "\n") {
			if args[0] != "serve" && args[1] != "--wcs" && strings.HasPrefix(line, "all is well") {
				t.Errorf("%v: a line of the file's own: %q", args, shown)
			}
		}
	}
	if got := shownName("2026-03-07 Сириус ★ 50%.fits"); got != "2026-03-07 Сириус ★ 50%.fits" {
		t.Errorf("a plain name is shown as %s", got)
	}
}
