package connect

import (
	"errors"
	"strings"
	"testing"

	"polard/cmd/polard/internal/devices"
)

func TestChoose(t *testing.T) {
	camera := func(name string) devices.Found { return devices.Found{Kind: devices.KindCamera, Name: name} }
	mount := func(name string) devices.Found { return devices.Found{Kind: devices.KindMount, Name: name} }
	for _, c := range []struct {
		name  string
		found []devices.Found
		asked Choice
		want  Choice
		words string // of what is wrong
	}{
		{"one of each", []devices.Found{camera("C"), mount("M")}, Choice{}, Choice{"C", "M"}, ""},
		{"one is both", []devices.Found{camera("D"), mount("D")}, Choice{}, Choice{"D", "D"}, ""},
		{"two cameras", []devices.Found{camera("C"), camera("G"), mount("M")}, Choice{}, Choice{}, "name one with --camera, of: C, G"},
		{"two cameras, one named", []devices.Found{camera("C"), camera("G"), mount("M")}, Choice{Camera: "G"}, Choice{"G", "M"}, ""},
		{"another name", []devices.Found{camera("C"), mount("M")}, Choice{Mount: "N"}, Choice{}, `no mount called "N"; there is: M`},
		{"no mount", []devices.Found{camera("C")}, Choice{}, Choice{}, "offers no mount"},
		{"nothing", nil, Choice{}, Choice{}, "offers no camera"},
	} {
		got, err := Choose(c.found, c.asked)
		if got != c.want || (err == nil) != (c.words == "") || err != nil && !strings.Contains(err.Error(), c.words) {
			t.Errorf("%s: %+v, %v", c.name, got, err)
		}
		if strings.HasPrefix(c.words, "offers") && !errors.Is(err, devices.ErrMissing) {
			t.Errorf("%s: %v is no want of a device", c.name, err)
		}
	}
}

func TestWhere(t *testing.T) {
	for _, w := range []Where{{}, {INDI: "a", Alpaca: "b"}, {INDI: "a", Discover: true}, {INDI: "a:b"}, {INDI: "user@host"}, {Alpaca: "http://host/"}, {INDI: ":7624"}, {INDI: "a:99999"}, {INDI: "host:1:2"}, {Alpaca: "fe80::zz"}, {Alpaca: "[::1"}, {Alpaca: "[::1]x"}} {
		if _, err := w.Server(nil); err == nil {
			t.Errorf("%+v is taken", w)
		}
	}
	for _, w := range []Where{{INDI: "host"}, {INDI: "host:1"}, {INDI: "192.168.1.2"}, {INDI: "[fe80::1]:7624"}, {INDI: "::1"}, {Alpaca: "host"}, {Discover: true}, {Alpaca: "host", Discover: true}} {
		if _, err := w.Server(nil); err != nil {
			t.Errorf("%+v: %v", w, err)
		}
	}
	for given, want := range map[string]string{
		"::1": "[::1]:7624", "[::1]": "[::1]:7624", "[::1]:9": "[::1]:9", "fe80::2%eth0": "[fe80::2%eth0]:7624", "[fe80::2%eth0]:9": "[fe80::2%eth0]:9",
	} {
		if at, err := withPort(given, "7624"); err != nil || at != want {
			t.Errorf("%s is %q, %v; want %s", given, at, err, want)
		}
	}
}
