package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"polard/cmd/polard/internal/pipeline"
)

const gaiaSample = "../../testdata/catalogs/extract/gaia_source.ecsv"

func TestCatalogue(t *testing.T) {
	folder := t.TempDir()
	status, out, errs := call(t, "catalogue", "--folder", folder)
	if status != exitDone || !strings.Contains(out, "2,557,501") || !strings.Contains(out, "none") {
		t.Fatalf("status %d: %s%s", status, out, errs)
	}
	for range 2 { // what is added again changes nothing
		status, out, errs = call(t, "catalogue", "add", "--folder", folder, gaiaSample)
		if status != exitDone || !strings.Contains(out, "2,557,506 stars") || !strings.Contains(out, "Gaia") {
			t.Fatalf("status %d: %s%s", status, out, errs)
		}
	}
	status, out, errs = call(t, "catalogue", "--json", "--folder", folder)
	var list cataloguesJSON
	if err := json.Unmarshal([]byte(out), &list); err != nil || status != exitDone {
		t.Fatalf("status %d: %v: %s%s", status, err, out, errs)
	}
	a := list.Added
	if a == nil || a.Stars != 2_557_506 || a.Deepest < 21 || len(a.Sources) != 1 || a.Sources[0].Rows != 5 || a.Sources[0].Epoch != gaiaYear ||
		!strings.Contains(a.Sources[0].Query, "gaiadr3.gaia_source") || a.Sources[0].Credit != gaiaCredit {
		t.Errorf("%+v", list)
	}
	_, out, _ = call(t, "catalogue", "--folder", folder)
	lines := strings.Split(out, "\n")
	if !strings.Contains(out, "gaia_source.ecsv") {
		t.Errorf("the list is\n%s", out)
	}
	for _, l := range lines[len(lines)-mapRows-1:] {
		// The stars stand at 18.7 h and -60 degrees, in a cell whose middle is north of that.
		if strings.HasPrefix(l, " -60 ") != strings.Contains(l, "  *") || strings.Contains(l, "*") && strings.Index(l, "*") != 4+3*(24-18) {
			t.Errorf("the map has %q", l)
		}
	}
}

func TestCatalogueAddRefuses(t *testing.T) {
	folder := t.TempDir()
	write := func(text string) string {
		path := filepath.Join(t.TempDir(), "stars.csv")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	good := "ra,dec,phot_g_mean_mag\n1,2,15\n"
	mapped := write("x,y,m\n1,2,15\n")
	for _, c := range []struct {
		args   []string
		status int
		says   string
	}{
		{[]string{}, exitUsage, "name at least one table"},
		{[]string{"no-such-file"}, exitNot, "there is no such file"},
		{[]string{write(good + "1,95,15\n")}, exitNot, "line 3: the declination is 95"},
		{[]string{write(good), write(good + "1,2,bright\n")}, exitNot, `line 3: column "phot_g_mean_mag" holds "bright"`},
		{[]string{mapped}, exitNot, `no column "ra"`},
		{[]string{"--columns", "ra=x,dec=y,mag=m", mapped}, exitUsage, "--epoch"},
		{[]string{"--columns", "colour=x", mapped}, exitUsage, "--columns"},
		{[]string{"--epoch", "3000", write(good)}, exitUsage, "--epoch 3000"},
	} {
		status, _, errs := call(t, append([]string{"catalogue", "add", "--folder", folder}, c.args...)...)
		if status != c.status || !strings.Contains(errs, c.says) {
			t.Errorf("%q: status %d: %s", c.args, status, errs)
		}
		if left, err := os.ReadDir(folder); err != nil || len(left) != 0 {
			t.Fatalf("%q leaves %v (%v)", c.args, left, err)
		}
	}
	if status, out, errs := call(t, "catalogue", "add", "--folder", folder, "--columns", "ra=x,dec=y,mag=m", "--epoch", "2000", mapped); status != exitDone {
		t.Errorf("status %d: %s%s", status, out, errs)
	}
	if err := os.WriteFile(filepath.Join(folder, pipeline.AddedFile), []byte("something else"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{"catalogue", "--folder", folder}, {"catalogue", "add", "--folder", folder, write(good)}} {
		if status, _, errs := call(t, args...); status != exitNot || !strings.Contains(errs, "not an added star catalogue") {
			t.Errorf("%q: status %d: %s", args, status, errs)
		}
	}
}

func TestCataloguePlan(t *testing.T) {
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"--field", "2"}, "The bundled stars do for it"},
		{[]string{"--field", "0.3", "--near", "83.8,-5.4", "--within", "3"}, "CIRCLE('ICRS', 83.8000, -5.4000, 3.000)"},
		{[]string{"--field", "0.3", "--dec", "60"}, "dec >= 55.0000"},
		{[]string{"--field", "0.1"}, "--dec or --near"},
	} {
		if status, out, errs := call(t, append([]string{"catalogue", "plan"}, c.args...)...); status != exitDone || !strings.Contains(out, c.says) {
			t.Errorf("%q: status %d: %s%s", c.args, status, out, errs)
		}
	}
	for _, args := range [][]string{{}, {"--field", "-1"}, {"--field", "1", "--within", "3"}, {"--field", "1", "--dec", "91"}, {"--field", "1", "--dec", "1", "--near", "1,2"}} {
		if status, _, _ := call(t, append([]string{"catalogue", "plan"}, args...)...); status != exitUsage {
			t.Errorf("%q: status %d", args, status)
		}
	}
	status, out, _ := call(t, "catalogue", "plan", "--json", "--field", "0.5")
	var p planJSON
	if err := json.Unmarshal([]byte(out), &p); err != nil || status != exitDone || p.Depth < 13 || p.Depth > 17 || len(p.Queries) == 0 {
		t.Errorf("status %d, %v: %s", status, err, out)
	}
}

// XDG Base Directory Specification 0.8: XDG_DATA_HOME and XDG_DATA_DIRS, absolute paths alone.
func TestAddedPaths(t *testing.T) {
	t.Setenv("XDG_DATA_HOME", "/d")
	t.Setenv("XDG_DATA_DIRS", "/a:b:/c")
	got := pipeline.AddedPaths()
	want := []string{"/d/polard/added.stars", "/a/polard/added.stars", "/c/polard/added.stars"}
	if strings.Join(got, " ") != strings.Join(want, " ") {
		t.Errorf("%q, want %q", got, want)
	}
}
