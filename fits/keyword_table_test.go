package fits

import (
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// KEYWORDS.md lists the keywords that the code looks up: no more and no fewer.
func TestKeywordTable(t *testing.T) {
	page, err := os.ReadFile("KEYWORDS.md")
	if err != nil {
		t.Fatal(err)
	}
	listed := map[string]bool{}
	for line := range strings.Lines(string(page)) {
		if !strings.HasPrefix(line, "| `") {
			continue
		}
		cells := strings.Split(line, "|")
		if len(cells) != 5 || strings.TrimSpace(cells[2]) == "" || strings.TrimSpace(cells[3]) == "" {
			t.Errorf("no meaning or source: %s", line)
		}
		for _, m := range regexp.MustCompile("`([A-Z0-9_-]+?)(?:n|i_j|i)?`").FindAllStringSubmatch(cells[1], -1) {
			if listed[m[1]] && m[1] != "NAXIS" && m[1] != "ZNAXIS" {
				t.Errorf("%s is listed twice", m[1])
			}
			listed[m[1]] = true
		}
	}
	read := keywordsInCode(t)
	if len(read) < 100 {
		t.Fatalf("only %d keywords found in the code", len(read))
	}
	for _, k := range slices.Sorted(maps.Keys(read)) {
		if !listed[k] {
			t.Errorf("%s is read (%s) but not listed", k, read[k])
		}
	}
	for _, k := range slices.Sorted(maps.Keys(listed)) {
		if read[k] == "" {
			t.Errorf("%s is listed but not read", k)
		}
	}
}

// keywordsInCode gives the keywords in the package's source and where they
// stand: what is handed to the functions that look one up, what loops over
// keywords run through, and what the checks of the layout name.
func keywordsInCode(t *testing.T) map[string]string {
	lookups := []string{"number", "text", "angle", "siteAngle", "within", "binning", "stated", "integer", "count", "value"}
	checks := []string{"unitKeyword", "tileKeyword", "tableKeyword", "layoutKeyword"}
	keyword := regexp.MustCompile(`^[A-Z][A-Z0-9_-]*$`)
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	fset := token.NewFileSet()
	found := map[string]string{}
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") || name == "write.go" {
			continue
		}
		file, err := parser.ParseFile(fset, name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		collect := func(n ast.Node) {
			ast.Inspect(n, func(n ast.Node) bool {
				if l, ok := n.(*ast.BasicLit); ok && l.Kind == token.STRING {
					if s, err := strconv.Unquote(l.Value); err == nil && keyword.MatchString(s) && len(s) > 1 {
						found[s] = fset.Position(l.Pos()).String()
					}
				}
				return true
			})
		}
		ast.Inspect(file, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.CallExpr:
				if slices.Contains(lookups, calledName(n)) {
					for _, a := range n.Args {
						collect(a)
					}
				}
			case *ast.RangeStmt:
				if l, ok := n.X.(*ast.CompositeLit); ok && isStrings(l.Type) {
					collect(l)
				}
			case *ast.FuncDecl:
				if slices.Contains(checks, n.Name.Name) {
					collect(n.Body)
				}
			}
			return true
		})
	}
	return found
}

func calledName(c *ast.CallExpr) string {
	switch f := c.Fun.(type) {
	case *ast.Ident:
		return f.Name
	case *ast.SelectorExpr:
		return f.Sel.Name
	}
	return ""
}

// isStrings tells []string, [][2]string and the like.
func isStrings(e ast.Expr) bool {
	for {
		a, ok := e.(*ast.ArrayType)
		if !ok {
			break
		}
		e = a.Elt
	}
	id, ok := e.(*ast.Ident)
	return ok && id.Name == "string"
}
