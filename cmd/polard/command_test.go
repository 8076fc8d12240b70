package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"polard/cmd/polard/internal/harness"
	"polard/mountmodel/sky"
)

// Every wrong call ends with status 2, prints nothing on standard output, and
// says on one line what is wrong and what to do instead.
func TestWrongCalls(t *testing.T) {
	folder := t.TempDir()
	file := filepath.Join(folder, "a.fits")
	if err := os.WriteFile(file, []byte("not FITS"), 0o644); err != nil {
		t.Fatal(err)
	}
	gone := filepath.Join(folder, "gone")
	place := func(args ...string) []string {
		return append([]string{"axis", "--lat", "46.3", "--lon", "13.1"}, args...)
	}
	for _, c := range []struct {
		args []string
		says []string // words of the message
	}{
		{[]string{"frob"}, []string{`unknown command "frob"`, "polard help"}},
		{[]string{"--frob"}, []string{"no option --frob", "--help"}},
		{[]string{"help", "frob"}, []string{`no command "frob"`, "polard help"}},
		{[]string{"solve"}, []string{"at least one FITS file"}},
		{[]string{"solve", "--scale"}, []string{"--scale stands without its value", "number"}},
		{[]string{"solve", "--scale", "wide", file}, []string{`--scale "wide"`, "number"}},
		{[]string{"solve", "--scale", "0", file}, []string{"--scale 0", "above 0"}},
		{[]string{"solve", "--scale", "-2", file}, []string{"--scale -2", "above 0"}},
		{[]string{"solve", "--scale", "NaN", file}, []string{"--scale NaN", "above 0"}},
		{[]string{"solve", "--scale", "1001", file}, []string{"--scale 1001", "up to 1000"}},
		{[]string{"solve", "--field", "181", file}, []string{"--field 181", "up to 120"}},
		{[]string{"solve", "--field", "2", "--scale", "2", file}, []string{"give one of them"}},
		{[]string{"solve", "--near", "12", file}, []string{`--near "12"`, "83.8,-5.4"}},
		{[]string{"solve", "--near", "12,91", file}, []string{`--near "12,91"`, "-90 to 90"}},
		{[]string{"solve", "--near", "361,0", file}, []string{"0 to 360"}},
		{[]string{"solve", "--near", "1,2,3", file}, []string{"83.8,-5.4"}},
		{[]string{"solve", "--near", "", file}, []string{"83.8,-5.4"}},
		{[]string{"solve", "--lat", "3", file}, []string{"no option --lat", "polard solve --help"}},
		{[]string{"axis"}, []string{"at least one FITS file"}},
		{place(), []string{"at least one FITS file"}},
		{[]string{"axis", file}, []string{"where the mount stands", "--lat and --lon"}},
		{[]string{"axis", "--lat", "46", file}, []string{"--lat and --lon go together"}},
		{[]string{"axis", "--lon", "46", file}, []string{"--lat and --lon go together"}},
		{[]string{"axis", "--lat", "46.3", "--lon", "13", "--elevation", "640,5", file}, []string{`--elevation "640,5"`, "point for the decimals"}},
		{[]string{"axis", "--lat", "46.32 13.07", "--lon", "13", file}, []string{`--lat "46.32 13.07"`, "46 19 12 N"}},
		{[]string{"axis", "--lat", "46,3", "--lon", "13 4 12 S", file}, []string{`--lon "13 4 12 S"`, "13 4 12 E"}},
		{[]string{"axis", "--lat", "91", "--lon", "13", file}, []string{"latitude 91", "-90 to +90"}},
		{[]string{"axis", "--lat", "NaN", "--lon", "13", file}, []string{`--lat "NaN"`, "degrees"}},
		{[]string{"axis", "--lat", "46", "--lon", "400", file}, []string{"longitude 400"}},
		{place("--elevation", "20000", file), []string{"elevation 20000 m"}},
		{place("--pressure", "-1", file), []string{"pressure -1.0 hPa"}},
		{place("--pressure", "29.9", "--temperature", "100", file), []string{"temperature 100.0 C"}},
		{place("--pole", "magnetic", file), []string{`--pole "magnetic"`, "refracted or true"}},
		{place("--measure", "1", file), []string{"--measure 1", "two frames"}},
		{place("--measure", "-3", file), []string{"--measure -3", "two frames"}},
		{place("--measure", "two", file), []string{`--measure "two"`, "whole number"}},
		{[]string{"serve"}, []string{"name the one folder", "polard serve FOLDER"}},
		{[]string{"serve", folder, folder}, []string{"name the one folder"}},
		{[]string{"serve", gone}, []string{"there is no folder " + gone}},
		{[]string{"serve", file}, []string{"a.fits is a file", "folder it lies in"}},
		{[]string{"serve", folder, "--lat", "3"}, []string{"--lat and --lon go together"}},
		{[]string{"serve", folder, "--pole", "south"}, []string{"refracted or true"}},
		{[]string{"serve", folder, "--pressure", "5000"}, []string{"pressure 5000.0 hPa"}},
		{[]string{"serve", folder, "--tolerance", "0"}, []string{"--tolerance 0", "above 0"}},
		{[]string{"serve", folder, "--tolerance", "-1"}, []string{"--tolerance -1", "above 0"}},
		{[]string{"serve", folder, "--tolerance", "1000"}, []string{"tolerance", "outside"}},
		{[]string{"serve", folder, "--measure", "1"}, []string{"1 frames cannot make a measurement"}},
		{[]string{"serve", folder, "--since", "-1h"}, []string{"--since -1h", "30m"}},
		{[]string{"serve", folder, "--since", "2"}, []string{`--since "2"`, "30m or 2h"}},
		{[]string{"serve", folder, "--addr", "8467"}, []string{`--addr "8467"`, "HOST:PORT"}},
		{[]string{"serve", folder, "--addr", "127.0.0.1:99999"}, []string{"HOST:PORT"}},
		{[]string{"serve", folder, "--addr", "127.0.0.1:"}, []string{"HOST:PORT"}},
		{[]string{"serve", folder, "--addr", "0.0.0.0:0"}, []string{"--addr", "--allow-network"}},
		{[]string{"serve", folder, "--scale", "0"}, []string{"--scale 0"}},
		{[]string{"rehearse", "now"}, []string{"takes no argument", `"now"`}},
		{[]string{"rehearse", "--seed", "-1"}, []string{`--seed "-1"`, "0 or more"}},
		{[]string{"rehearse", "--folder", gone}, []string{"there is no folder " + gone}},
		{[]string{"rehearse", "--folder", file}, []string{"a.fits is a file"}},
		{[]string{"rehearse", "--tolerance", "-1"}, []string{"--tolerance -1"}},
		{[]string{"rehearse", "--measure", "1"}, []string{"1 frames cannot make a measurement"}},
		{[]string{"rehearse", "--lat", "3"}, []string{"no option --lat", "polard rehearse --help"}},
		{[]string{"version", "x"}, []string{"takes no argument"}},
	} {
		t.Run(strings.Join(c.args, " "), func(t *testing.T) {
			status, stdout, stderr := call(t, c.args...)
			if status != exitUsage {
				t.Errorf("status %d, want %d", status, exitUsage)
			}
			if stdout != "" {
				t.Errorf("prints %q", stdout)
			}
			for _, word := range c.says {
				if !strings.Contains(stderr, word) {
					t.Errorf("does not say %q: %s", word, stderr)
				}
			}
			for _, jargon := range []string{"strconv", "syntax", "%!", "<nil>"} {
				if strings.Contains(stderr, jargon) {
					t.Errorf("says %q: %s", jargon, stderr)
				}
			}
		})
	}
}

// Help is an answer, not a mistake, and names every command and option.
func TestHelp(t *testing.T) {
	root := newRoot(&bytes.Buffer{}, &bytes.Buffer{})
	for _, c := range [][]string{{}, {"help"}, {"--help"}} {
		status, stdout, stderr := call(t, c...)
		if status != exitDone || stderr != "" {
			t.Errorf("%q: status %d: %s", c, status, stderr)
		}
		for _, command := range root.Commands() {
			if !strings.Contains(stdout, command.Name()) {
				t.Errorf("%q does not name %s", c, command.Name())
			}
		}
	}
	for _, command := range root.Commands() {
		name := command.Name()
		status, stdout, stderr := call(t, "help", name)
		if status != exitDone || stderr != "" || !strings.Contains(stdout, "polard "+name) {
			t.Errorf("help %s: status %d: %s%s", name, status, stdout, stderr)
		}
	}
	// The options that the contract names.
	for name, options := range map[string][]string{
		"solve": {"json", "scale", "field", "near", "wcs"},
		"axis":  {"json", "lat", "lon", "elevation", "pressure", "temperature", "pole", "measure"},
		"serve": {"lat", "lon", "elevation", "pressure", "temperature", "pole", "measure", "addr", "tolerance"},
	} {
		_, stdout, _ := call(t, name, "--help")
		for _, option := range options {
			if !strings.Contains(stdout, "--"+option+" ") {
				t.Errorf("%s --help does not tell of --%s", name, option)
			}
		}
	}
}

func TestVersion(t *testing.T) {
	status, stdout, _ := call(t, "version")
	if status != exitDone || !strings.HasPrefix(stdout, "polard "+version) || !strings.Contains(stdout, "Tycho-2") {
		t.Errorf("status %d: %s", status, stdout)
	}
}

// The shape of what a command prints as JSON: the keys of an object, "?" behind
// those that may be absent; a list holds the shape of its elements; a number,
// a string and a truth value stand for their kind.
const (
	shapeOfSolved = `{"file":"","solved":true,"ra_deg":0,"dec_deg":0,"scale_arcsec_px":0,"rotation_deg":0,"mirrored":false,
		"detected":0,"matched":0,"rms_arcsec":0,"fwhm_px":0,"sigma":{"along_x_arcsec":0,"along_y_arcsec":0,"rotation_deg":0,"scale_arcsec_px":0},"log10_odds":0,"field_deg":[0],"wcs?":"",
		"ms":{"read":0,"detect":0,"match":0,"total":0}}`
	shapeOfUnsolved = `{"file":"","solved":false,"error":{"code":"","message":""},"detected":0,
		"ms":{"read":0,"detect":0,"match":0,"total":0}}`

	shapeOfMove        = `{"altitude":"","azimuth":"","rotation?":"","altitude_arcmin":0,"azimuth_arcmin":0}`
	shapeOfUncertainty = `{"alt_arcsec":0,"az_arcsec":0,"correlation":0,"stars":{"alt_arcsec":0,"az_arcsec":0},"allowed":{"mount_noise_arcsec":0,"movement_arcsec":0,"flexure_arcsec":0,"air_arcsec":0}}`
	shapeOfFrame       = `{"file":"","solved":true,"status":"","turn_deg?":0,"residual_arcsec?":0,"message?":"","error?":{"code":"","message":""}}`
	shapeOfSuggestion  = `{"mistake":"","said":{"code":"","args?":[{"text?":"","said?":{"code":"","args?":[{"text":""}],"text":""}}],"text":""},"lat_deg?":0,"lon_deg?":0,"ahead_s?":0,"command":""}`
	shapeOfAxis        = `{"axis":{"alt_deg":0,"az_deg":0},"pole":{"kind":"","alt_deg":0,"az_deg":0},
		"offset":{"alt_arcmin":0,"az_arcmin":0,"total_arcmin":0},
		"move":` + shapeOfMove + `,
		"uncertainty":` + shapeOfUncertainty + `,
		"turn_deg":0,"chi2_dof?":0,"flexure?":{"level_arcsec":0,"uncertainty_arcsec":0,"bodies":0},"from_square?":{"axes_arcmin?":0,"axes_uncertainty_arcsec?":0,"tube_arcmin":0,"tube_uncertainty_arcsec":0},"frames":[` + shapeOfFrame + `],
		"adjust":[{"file":"","axis":{"alt_deg":0,"az_deg":0},"offset":{"alt_arcmin":0,"az_arcmin":0,"total_arcmin":0},
			"move":` + shapeOfMove + `,"uncertainty":` + shapeOfUncertainty + `,"tracking":true,"drive":""}],
		"suggestion?":` + shapeOfSuggestion + `,"place_confirmed_by?":"","clock_minute_arcsec?":0,"warnings":[{"code":"","message":"","file?":""}]}`
	shapeOfNoAxis = `{"pole":{"kind":"","alt_deg":0,"az_deg":0},"turn_deg":0,"frames":[` + shapeOfFrame + `],
		"adjust":[],"suggestion?":` + shapeOfSuggestion + `,"warnings":[{"code":"","message":"","file?":""}],"error":{"code":"","message":""}}`
)

func hasShape(t *testing.T, got, shape string) {
	t.Helper()
	var g, s any
	for text, v := range map[string]*any{got: &g, shape: &s} {
		if err := json.Unmarshal([]byte(text), v); err != nil {
			t.Fatalf("%v: %s", err, text)
		}
	}
	for _, problem := range shapeProblems("", g, s) {
		t.Errorf("%s in %s", problem, got)
	}
}

func shapeProblems(at string, got, shape any) (problems []string) {
	if fmt.Sprintf("%T", got) != fmt.Sprintf("%T", shape) {
		return []string{fmt.Sprintf("%s is a %T, want a %T", at, got, shape)}
	}
	switch shape := shape.(type) {
	case map[string]any:
		got := maps.Clone(got.(map[string]any))
		for _, key := range slices.Sorted(maps.Keys(shape)) {
			name, optional := strings.CutSuffix(key, "?")
			v, there := got[name]
			if there {
				problems = append(problems, shapeProblems(at+"."+name, v, shape[key])...)
			} else if !optional {
				problems = append(problems, fmt.Sprintf("no %s.%s", at, name))
			}
			delete(got, name)
		}
		for _, key := range slices.Sorted(maps.Keys(got)) {
			problems = append(problems, fmt.Sprintf("%s.%s is not in the contract", at, key))
		}
	case []any:
		for i, v := range got.([]any) {
			if len(shape) == 0 {
				return append(problems, fmt.Sprintf("%s has elements", at))
			}
			problems = append(problems, shapeProblems(fmt.Sprintf("%s[%d]", at, i), v, shape[0])...)
		}
	}
	return problems
}

// The shapes themselves are held against one wrong value each, so that the
// check cannot pass everything.
func TestShapeProblems(t *testing.T) {
	for _, c := range []struct{ got, shape string }{
		{`{"a":1}`, `{"a":0,"b":0}`},
		{`{"a":1,"b":2}`, `{"a":0}`},
		{`{"a":"1"}`, `{"a":0}`},
		{`{"a":null}`, `{"a?":0}`},
		{`{"a":[1,"2"]}`, `{"a":[0]}`},
		{`{"a":[1]}`, `{"a":[]}`},
	} {
		var g, s any
		if err := json.Unmarshal([]byte(c.got), &g); err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal([]byte(c.shape), &s); err != nil {
			t.Fatal(err)
		}
		if len(shapeProblems("", g, s)) == 0 {
			t.Errorf("%s passes for %s", c.got, c.shape)
		}
	}
}

func TestContractOfSolve(t *testing.T) {
	harness.NotUnderRace(t)
	folder := t.TempDir()
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	whole, err := os.ReadFile(set.Paths()[1])
	if err != nil {
		t.Fatal(err)
	}
	write := func(name string, data []byte) string {
		path := filepath.Join(folder, name)
		if err := os.WriteFile(path, data, 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	half := write("half.fits", whole[:len(whole)/2])
	for _, c := range []struct {
		name   string
		paths  []string
		status int
		codes  []string // of the errors, in order; "" is solved
	}{
		{"solved", set.Paths()[1:3], exitDone, []string{"", ""}},
		{"some not", []string{half, set.Paths()[2]}, exitNot, []string{"incomplete", ""}},
		{"missing", []string{filepath.Join(folder, "gone.fits")}, exitNot, []string{"not_found"}},
		{"folder", []string{folder}, exitNot, []string{"folder"}},
		{"empty", []string{write("empty.fits", nil)}, exitNot, []string{"incomplete"}},
		{"text", []string{write("text.fits", bytes.Repeat([]byte("hello "), 2000))}, exitNot, []string{"malformed"}},
		{"dark", []string{harness.PracticeFolder + "/nosky_000/f0.fits"}, exitNot, []string{"few_stars"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			status, stdout, stderr := call(t, append([]string{"solve", "--json"}, c.paths...)...)
			if status != c.status || stderr != "" {
				t.Errorf("status %d, want %d: %s", status, c.status, stderr)
			}
			lines := strings.Split(strings.TrimSuffix(stdout, "\n"), "\n")
			if len(lines) != len(c.paths) {
				t.Fatalf("%d lines for %d files: %s", len(lines), len(c.paths), stdout)
			}
			for i, line := range lines {
				var told struct {
					File   string    `json:"file"`
					Solved bool      `json:"solved"`
					Error  errorJSON `json:"error"`
					Field  []float64 `json:"field_deg"`
				}
				if err := json.Unmarshal([]byte(line), &told); err != nil {
					t.Fatal(err)
				}
				if told.File != c.paths[i] || told.Solved != (c.codes[i] == "") || told.Error.Code != c.codes[i] {
					t.Errorf("%s, want code %q for %s", line, c.codes[i], c.paths[i])
				}
				if told.Solved {
					hasShape(t, line, shapeOfSolved)
					if len(told.Field) != 2 {
						t.Errorf("the field has %d sides", len(told.Field))
					}
				} else {
					hasShape(t, line, shapeOfUnsolved)
				}
			}
			// Without --json the same files, a line each, for people.
			status, stdout, _ = call(t, append([]string{"solve"}, c.paths...)...)
			if status != c.status || strings.Count(stdout, "\n") != len(c.paths) {
				t.Errorf("for people: status %d: %s", status, stdout)
			}
			for i, line := range strings.Split(strings.TrimSuffix(stdout, "\n"), "\n") {
				if !strings.HasPrefix(line, c.paths[i]+": ") || strings.Contains(line, "not solved") != (c.codes[i] != "") {
					t.Errorf("for people: %s", line)
				}
			}
		})
	}
}

func TestContractOfAxis(t *testing.T) {
	harness.NotUnderRace(t)
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	gone := filepath.Join(t.TempDir(), "gone.fits")
	paths := set.Paths()
	for _, c := range []struct {
		name   string
		args   []string
		status int
		shape  string
	}{
		{"adjusting", append([]string{"--measure", "4"}, paths...), exitDone, shapeOfAxis},
		{"two frames and a missing one", []string{paths[0], gone, paths[2]}, exitDone, shapeOfAxis},
		{"one frame", paths[:1], exitNot, shapeOfNoAxis},
		{"none to be read", []string{gone}, exitNot, shapeOfNoAxis},
		{"more to measure than there are", append([]string{"--measure", "9"}, paths[:2]...), exitDone, shapeOfAxis},
		{"no measurement before the bolts", append([]string{"--measure", "2", gone}, paths[:3]...), exitNot, shapeOfNoAxis},
		{"true pole", append([]string{"--pole", "true"}, paths[:2]...), exitDone, shapeOfAxis},
	} {
		t.Run(c.name, func(t *testing.T) {
			args := append(append([]string{"axis", "--json"}, set.SiteArgs()...), c.args...)
			status, stdout, stderr := call(t, args...)
			if status != c.status || stderr != "" {
				t.Errorf("status %d, want %d: %s", status, c.status, stderr)
			}
			if strings.Count(stdout, "\n") != 1 {
				t.Errorf("prints %d lines, want one object", strings.Count(stdout, "\n"))
			}
			hasShape(t, stdout, c.shape)
			args[1] = args[0] // the same for people
			status, people, stderr := call(t, args[1:]...)
			if status != c.status || stderr != "" {
				t.Errorf("for people: status %d: %s", status, stderr)
			}
			for _, word := range []string{"altitude bolt: ", "azimuth bolt: "} {
				if strings.Contains(people, word) != (c.status == exitDone) {
					t.Errorf("for people: %s", people)
				}
			}
			if c.status != exitDone && !strings.Contains(people, "no axis: ") {
				t.Errorf("does not say that there is no axis: %s", people)
			}
		})
	}
}

// Right ascension in sexagesimal form is in hours (common practice); the values are plain arithmetic.
func TestPlacesAsPeopleWriteThem(t *testing.T) {
	for text, want := range map[string][2]float64{
		"83.8,-5.4":             {83.8, -5.4},
		"5:35:17,-5:23:28":      {15 * (5 + 35/60. + 17/3600.), -(5 + 23/60. + 28/3600.)},
		"05h35m17s, -05d23m28s": {15 * (5 + 35/60. + 17/3600.), -(5 + 23/60. + 28/3600.)},
		"5 35.3,-0 30":          {15 * (5 + 35.3/60), -0.5},
		"83.8,-5:24":            {83.8, -5.4},
	} {
		got, err := parsePlace(text)
		if err != nil {
			t.Errorf("%q: %v", text, err)
			continue
		}
		ra, dec := sky.RADecFromICRS(got)
		if math.Abs(ra.Degrees()-want[0]) > 1e-9 || math.Abs(dec.Degrees()-want[1]) > 1e-9 {
			t.Errorf("%q: %.6f, %.6f, want %v", text, ra.Degrees(), dec.Degrees(), want)
		}
	}
	for _, text := range []string{"5h,10", "25:00:00,0", "5:61,0", "5:35:17", "NaN,0", "5:35:17,-91:00"} {
		if _, err := parsePlace(text); err == nil {
			t.Errorf("%q is taken", text)
		}
	}
}
