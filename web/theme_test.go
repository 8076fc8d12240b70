package web

import (
	"image/color"
	"math"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// The contrast of every text and control in both looks: WCAG 2.2, success
// criteria 1.4.3 (text 4.5:1) and 1.4.11 (controls 3:1), with the relative
// luminance as defined there.
func TestContrast(t *testing.T) {
	css, err := os.ReadFile("assets/css/base.css")
	if err != nil {
		t.Fatal(err)
	}
	day := variables(t, string(css), ":root {")
	night := variables(t, string(css), `:root[data-theme="night"] {`)
	for _, look := range []struct {
		name string
		vars map[string]color.RGBA
	}{{"day", day}, {"night", night}} {
		for _, c := range []struct {
			front, back string
			least       float64
		}{
			{"--ink", "--paper", 4.5}, {"--ink", "--card", 4.5}, {"--ink-2", "--paper", 4.5}, {"--ink-2", "--card", 4.5},
			{"--now-ink", "--now", 4.5}, {"--now-ink-2", "--now", 4.5}, {"--strong-ink", "--strong", 4.5},
			{"--rule-ink", "--rule", 4.5}, {"--line", "--paper", 3}, {"--line", "--card", 3}, {"--paper", "--ink", 4.5},
		} {
			front, ok1 := look.vars[c.front]
			back, ok2 := look.vars[c.back]
			if !ok1 || !ok2 {
				t.Fatalf("%s: %s or %s is not set", look.name, c.front, c.back)
			}
			if got := contrast(front, back); got < c.least {
				t.Errorf("%s: %s on %s has %.2f:1, needs %.1f:1", look.name, c.front, c.back, got, c.least)
			}
		}
	}
	for name, c := range night {
		if c.G != 0 || c.B != 0 {
			t.Errorf("night: %s is not pure red", name)
		}
	}
}

func variables(t *testing.T, css, block string) map[string]color.RGBA {
	t.Helper()
	_, rest, found := strings.Cut(css, block)
	if !found {
		t.Fatalf("no block %q", block)
	}
	rest, _, _ = strings.Cut(rest, "}")
	vars := map[string]color.RGBA{}
	for _, m := range regexp.MustCompile(`(--[\w-]+): #([0-9a-f]{3,6});`).FindAllStringSubmatch(rest, -1) {
		hex := m[2]
		if len(hex) == 3 {
			hex = string([]byte{hex[0], hex[0], hex[1], hex[1], hex[2], hex[2]})
		}
		n, err := strconv.ParseUint(hex, 16, 32)
		if err != nil {
			t.Fatal(err)
		}
		vars[m[1]] = color.RGBA{uint8(n >> 16), uint8(n >> 8), uint8(n), 255}
	}
	return vars
}

func contrast(a, b color.RGBA) float64 {
	la, lb := luminance(a), luminance(b)
	return (max(la, lb) + 0.05) / (min(la, lb) + 0.05)
}

func luminance(c color.RGBA) float64 {
	linear := func(v uint8) float64 {
		s := float64(v) / 255
		if s <= 0.04045 {
			return s / 12.92
		}
		return math.Pow((s+0.055)/1.055, 2.4)
	}
	return 0.2126*linear(c.R) + 0.7152*linear(c.G) + 0.0722*linear(c.B)
}

// WCAG's own examples: black on white is 21:1; #767676 on white is the
// lightest grey with 4.5:1 (W3C, Understanding 1.4.3: 4.54:1).
func TestContrastFormula(t *testing.T) {
	white := color.RGBA{255, 255, 255, 255}
	if got := contrast(white, color.RGBA{A: 255}); math.Abs(got-21) > 1e-9 {
		t.Errorf("black on white %.4f", got)
	}
	if got := contrast(white, color.RGBA{0x76, 0x76, 0x76, 255}); math.Abs(got-4.54) > 0.005 {
		t.Errorf("#767676 on white %.4f", got)
	}
}
