package main

import (
	"bufio"
	"crypto/sha256"
	"encoding/hex"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// The tree's own rules, kept by tests: which package may import which, that
// every file under testdata/ has a known origin, and that no angle is built
// without a unit.

const top = "../.."

// allowedImports is the table of DEVELOPERS.md: what each package may import
// of ours, tests aside.
var allowedImports = map[string][]string{
	"mountmodel/sky":       {},
	"mountmodel/axis":      {"mountmodel/observed", "mountmodel/sky"},
	"mountmodel/adjust":    {"mountmodel/axis", "mountmodel/observed", "mountmodel/sky"},
	"mountmodel/clock":     {"mountmodel/observed", "mountmodel/sky"},
	"mountmodel/plan":      {"mountmodel/observed", "mountmodel/sky"},
	"mountmodel/nights":    {"mountmodel/axis", "mountmodel/observed", "mountmodel/sky"},
	"mountmodel/tracking":  {"mountmodel/axis", "mountmodel/observed", "mountmodel/sky"},
	"mountmodel/observed":  {"mountmodel/sky"},
	"mountmodel":           {"mountmodel/adjust", "mountmodel/axis", "mountmodel/clock", "mountmodel/nights", "mountmodel/observed", "mountmodel/sky", "mountmodel/tracking"},
	"mountmodel/setup":     {"catalogs", "mountmodel", "mountmodel/observed", "mountmodel/sky"},
	"mountmodel/logbook":   {"mountmodel", "mountmodel/adjust", "mountmodel/axis", "mountmodel/observed", "mountmodel/plan", "mountmodel/sky"},
	"mountmodel/rehearsal": {"catalogs", "fits", "mountmodel", "mountmodel/adjust", "mountmodel/axis", "mountmodel/observed", "mountmodel/sky"},

	"mountmodel/rehearsal/rehearsaltest": {"catalogs", "mountmodel/rehearsal", "mountmodel/sky"},
	"mountmodel/internal/simmount":       {"mountmodel/observed", "mountmodel/sky"},

	"catalogs":         {"catalogs/cells", "mountmodel/sky"},
	"catalogs/cells":   {"mountmodel/sky"},
	"catalogs/compile": {"catalogs", "mountmodel/sky"},
	"catalogs/extract": {"fits"},
	"catalogs/deep":    {"catalogs", "catalogs/cells", "catalogs/extract", "mountmodel/sky"},

	"fits":       {"mountmodel/sky"},
	"fits/watch": {"fits"},

	"solve":                   {"catalogs", "catalogs/deep", "mountmodel/sky", "solve/detect", "solve/index", "solve/match", "solve/robust"},
	"solve/match":             {"catalogs", "catalogs/deep", "mountmodel/sky", "solve/camera", "solve/index", "solve/match/proof", "solve/parallel", "solve/robust"},
	"solve/match/proof":       {},
	"solve/index":             {"catalogs", "catalogs/cells", "catalogs/deep", "mountmodel/sky", "solve/parallel"},
	"solve/camera":            {"mountmodel/sky", "solve/parallel", "solve/robust"},
	"solve/camera/cameratest": {"mountmodel/sky"},
	"solve/costtest":          {},
	"solve/detect":            {"mountmodel/sky", "solve/detect/background", "solve/detect/fit", "solve/detect/peaks", "solve/detect/psf", "solve/detect/raster", "solve/detect/residual", "solve/parallel"},
	"solve/detect/fit":        {"solve/detect/peaks", "solve/detect/psf", "solve/detect/raster", "solve/detect/residual", "solve/parallel"},
	"solve/detect/psf":        {"solve/detect/background", "solve/detect/peaks", "solve/detect/raster", "solve/detect/residual", "solve/parallel", "solve/robust"},
	"solve/detect/peaks":      {"solve/detect/background", "solve/detect/raster", "solve/detect/residual", "solve/parallel", "solve/robust"},
	"solve/detect/residual":   {"solve/detect/background", "solve/detect/raster", "solve/parallel", "solve/robust"},
	"solve/detect/background": {"solve/detect/raster", "solve/parallel", "solve/robust"},
	"solve/detect/raster":     {},
	"solve/detect/drawn":      {"solve/detect/raster"},
	"solve/parallel":          {},
	"solve/robust":            {},

	"web":             {"mountmodel", "mountmodel/adjust", "mountmodel/axis", "mountmodel/clock", "mountmodel/nights", "mountmodel/observed", "mountmodel/plan", "mountmodel/setup", "mountmodel/sky", "mountmodel/tracking"},
	"web/browsertest": {},
	"web/alarm":       {"mountmodel", "mountmodel/axis", "mountmodel/observed", "mountmodel/sky", "web"},
	"web/mqtt":        {"web"},
	"web/overview":    {"web", "web/mqtt"},
	"web/metrics":     {"web", "web/alarm"},
	"web/report":      {"mountmodel", "mountmodel/logbook", "mountmodel/sky", "web"},

	"cmd/polard/internal/pipeline": {"catalogs", "catalogs/deep", "fits", "mountmodel", "mountmodel/observed", "mountmodel/sky", "solve", "solve/camera"},

	"cmd/polard/internal/journal": {"mountmodel", "mountmodel/adjust", "mountmodel/axis", "mountmodel/nights", "mountmodel/observed", "mountmodel/logbook", "mountmodel/sky", "web"},

	"cmd/polard/internal/pairing": {"web"},

	"cmd/polard/internal/service": {"cmd/polard/internal/journal", "cmd/polard/internal/pipeline", "fits", "fits/watch", "mountmodel", "mountmodel/adjust", "mountmodel/axis",
		"mountmodel/clock", "mountmodel/logbook", "mountmodel/nights", "mountmodel/observed", "mountmodel/plan",
		"mountmodel/rehearsal", "mountmodel/sky", "solve", "solve/camera", "web", "web/alarm", "web/metrics", "web/mqtt", "web/report"},

	"cmd/polard/internal/harness": {"cmd/polard/internal/pipeline", "fits", "mountmodel/logbook", "mountmodel/rehearsal", "mountmodel/sky", "web"},

	"cmd/polard/internal/announce":    {},
	"cmd/polard/internal/certificate": {},

	"cmd/polard": {"catalogs/deep", "catalogs/extract", "cmd/polard/internal/announce", "cmd/polard/internal/certificate", "cmd/polard/internal/journal", "cmd/polard/internal/pairing", "cmd/polard/internal/pipeline", "cmd/polard/internal/service", "fits", "fits/watch", "mountmodel",
		"mountmodel/adjust", "mountmodel/axis", "mountmodel/clock", "mountmodel/logbook", "mountmodel/nights", "mountmodel/observed", "mountmodel/plan", "mountmodel/rehearsal", "mountmodel/setup", "mountmodel/sky", "solve", "solve/camera", "solve/detect", "web", "web/alarm", "web/mqtt", "web/overview", "web/report"},
}

func goFiles(t *testing.T, tests bool) []string {
	t.Helper()
	var files []string
	err := filepath.WalkDir(top, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && path != top && strings.HasPrefix(d.Name(), ".") {
			return filepath.SkipDir
		}
		if strings.HasSuffix(path, ".go") && (tests || !strings.HasSuffix(path, "_test.go")) {
			files = append(files, path)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(files) < 20 {
		t.Fatalf("only %d Go files found below %s", len(files), top)
	}
	return files
}

// TestImports holds how the code is laid out: the arrows between packages, the shape of files and types, and the finding aids.
func TestImports(t *testing.T) {
	t.Run("shape", testShape)
	t.Run("finding aids", testFindingAids)
	for _, path := range goFiles(t, false) {
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
		if err != nil {
			t.Error(err)
			continue
		}
		rel, err := filepath.Rel(top, filepath.Dir(path))
		if err != nil {
			t.Fatal(err)
		}
		folder := filepath.ToSlash(rel)
		allowed, known := allowedImports[folder]
		if !known {
			t.Errorf("%s: the table has no row for package %s", path, folder)
			continue
		}
		for _, spec := range file.Imports {
			name, err := strconv.Unquote(spec.Path.Value)
			if err != nil {
				t.Fatal(err)
			}
			if ours, ok := strings.CutPrefix(name, "polard/"); ok && !slices.Contains(allowed, ours) {
				t.Errorf("%s imports %s, which the table does not allow", path, ours)
			}
		}
	}
}

// pure packages read no clock, no environment, no log, and no global random
// source (DEVELOPERS.md).
func TestPurePackages(t *testing.T) {
	forbidden := []string{"log", "log/slog", "math/rand"}
	calls := map[string][]string{"time": {"Now", "Since", "Until", "Sleep", "After", "Tick", "NewTimer", "NewTicker"}, "os": {"Getenv", "LookupEnv", "Environ"}}
	for _, path := range goFiles(t, false) {
		rel, _ := filepath.Rel(top, filepath.Dir(path))
		switch filepath.ToSlash(rel) {
		case "mountmodel/sky", "mountmodel/plan", "mountmodel/nights", "mountmodel/tracking", "mountmodel/clock", "mountmodel/adjust", "mountmodel/axis", "mountmodel/observed", "mountmodel", "mountmodel/setup", "catalogs", "catalogs/cells", "catalogs/deep", "catalogs/extract", "solve", "solve/detect", "solve/detect/background", "solve/detect/fit", "solve/detect/peaks", "solve/detect/psf", "solve/detect/raster", "solve/detect/residual", "solve/robust", "solve/parallel", "solve/match", "solve/match/proof", "solve/index", "solve/camera":
		default:
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, 0)
		if err != nil {
			t.Error(err)
			continue
		}
		for _, spec := range file.Imports {
			if name, _ := strconv.Unquote(spec.Path.Value); slices.Contains(forbidden, name) {
				t.Errorf("%s imports %s", path, name)
			}
		}
		ast.Inspect(file, func(n ast.Node) bool {
			s, ok := n.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			if x, ok := s.X.(*ast.Ident); ok && x.Obj == nil && slices.Contains(calls[x.Name], s.Sel.Name) {
				t.Errorf("%s uses %s.%s", path, x.Name, s.Sel.Name)
			}
			return true
		})
	}
}

// A literal converted to sky.Angle would mean radians without saying so.
// Zero is zero in every unit, and one is how a plain factor is written that
// multiplies an angle.
func TestAnglesHaveUnits(t *testing.T) {
	for _, path := range goFiles(t, true) {
		fset := token.NewFileSet()
		file, err := parser.ParseFile(fset, path, nil, 0)
		if err != nil {
			t.Error(err)
			continue
		}
		// A literal may be converted where the conversion is then multiplied by
		// a unit: sky.Angle(2.5) * sky.Degree.
		multiplied := make(map[ast.Node]bool)
		ast.Inspect(file, func(n ast.Node) bool {
			if b, ok := n.(*ast.BinaryExpr); ok && (b.Op == token.MUL || b.Op == token.QUO) {
				multiplied[b.X], multiplied[b.Y] = true, true
			}
			return true
		})
		ast.Inspect(file, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok || len(call.Args) != 1 || multiplied[call] {
				return true
			}
			s, ok := call.Fun.(*ast.SelectorExpr)
			if !ok || s.Sel.Name != "Angle" {
				return true
			}
			if x, ok := s.X.(*ast.Ident); !ok || x.Name != "sky" {
				return true
			}
			if lit, ok := call.Args[0].(*ast.BasicLit); ok && strings.Trim(lit.Value, "0.") != "" && lit.Value != "1" {
				t.Errorf("%s: sky.Angle(%s) has no unit", fset.Position(call.Pos()), lit.Value)
			}
			return true
		})
	}
}

// Every file under testdata/ has a row in MANIFEST.tsv with its hash, origin,
// licence and command, and every row has its file.
func TestManifest(t *testing.T) {
	root := filepath.Join(top, "testdata")
	f, err := os.Open(filepath.Join(root, "MANIFEST.tsv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	listed := make(map[string]string)
	lines := bufio.NewScanner(f)
	for n := 1; lines.Scan(); n++ {
		fields := strings.Split(lines.Text(), "\t")
		if len(fields) != 5 {
			t.Fatalf("MANIFEST.tsv line %d has %d fields, want 5", n, len(fields))
		}
		if n == 1 {
			continue
		}
		for _, field := range fields[2:] {
			if strings.TrimSpace(field) == "" {
				t.Errorf("MANIFEST.tsv line %d (%s) leaves origin, licence or command empty", n, fields[0])
			}
		}
		if _, twice := listed[fields[0]]; twice {
			t.Errorf("MANIFEST.tsv lists %s twice", fields[0])
		}
		listed[fields[0]] = fields[1]
	}
	var total int64
	err = filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		rel, _ := filepath.Rel(root, path)
		name := filepath.ToSlash(rel)
		if name == "MANIFEST.tsv" || strings.Contains(name, "__pycache__") {
			return nil
		}
		want, ok := listed[name]
		delete(listed, name)
		if !ok {
			t.Errorf("testdata/%s has no row in MANIFEST.tsv", name)
			return nil
		}
		file, err := os.Open(path)
		if err != nil {
			return err
		}
		defer file.Close()
		sum := sha256.New()
		size, err := io.Copy(sum, file)
		if err != nil {
			return err
		}
		total += size
		if got := hex.EncodeToString(sum.Sum(nil)); got != want {
			t.Errorf("testdata/%s has hash %s, MANIFEST.tsv says %s", name, got, want)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for name := range listed {
		t.Errorf("MANIFEST.tsv lists testdata/%s, which is not there", name)
	}
	const most = 40 << 20
	if total > most {
		t.Errorf("testdata/ holds %d bytes, at most %d are allowed", total, most)
	}
}

// No package of ours uses a template: with one linked in, the linker keeps every
// method of every type, and the program grows by 5 MB beyond what a release may have.
func TestNoTemplates(t *testing.T) {
	for _, path := range goFiles(t, false) {
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
		if err != nil {
			t.Error(err)
			continue
		}
		for _, i := range file.Imports {
			if i.Path.Value == `"text/template"` || i.Path.Value == `"html/template"` {
				t.Errorf("%s imports %s", path, i.Path.Value)
			}
		}
	}
}

// Every test that DEVELOPERS.md names as the keeper of a promise exists.
func TestPromises(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(top, "DEVELOPERS.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, section, found := strings.Cut(string(text), "## Promises")
	if !found {
		t.Fatal("DEVELOPERS.md has no promises")
	}
	section, _, _ = strings.Cut(section, "\n## ")
	there := map[string]bool{}
	for _, path := range goFiles(t, true) {
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range file.Decls {
			if f, ok := d.(*ast.FuncDecl); ok {
				there[f.Name.Name] = true
			}
		}
	}
	named := 0
	for i, part := range strings.Split(section, "`") {
		if i%2 == 0 || !strings.HasPrefix(part, "Test") && !strings.HasPrefix(part, "Fuzz") {
			continue
		}
		if named++; !there[part] {
			t.Errorf("there is no %s", part)
		}
	}
	if named < 40 {
		t.Errorf("%d tests are named", named)
	}
}
