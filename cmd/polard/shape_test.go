package main

import (
	"bytes"
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"testing"
)

// The shape of the code: how long files and functions are, and in how many files a type has methods. An exception stands in a
// table with its reason; one that is no longer needed fails the test.

const (
	// mostLines of a file, tests too: what a reader holds in mind at one sitting (common practice).
	mostLines = 500
	// mostFunctionLines of a function that is no table: what stands on one screen (common practice).
	mostFunctionLines = 60
	// mostMethodFiles of a type: its state, and what reads it. A value that goes from file to file and is changed in each
	// cannot be followed.
	mostMethodFiles = 2
)

// longFunctions may have more lines: they are tables, or loops that splitting made slower.
var longFunctions = map[string]string{
	"fits.unrice":          "the inner loop of decompression: the queue of bits stays in registers",
	"mountmodel/axis.find": "the start of the fit, its rounds and what is said of the outcome share one table of frames",
	"mountmodel/rehearsal/rehearsaltest.RandomRig": "a table: the range of each number of a rig",
	"web.SetupDataFrom":                            "a table: each line of the set-up data",
	"web.StateFromView":                            "a table: each key of the state",
	"web.Server.commandRoutes":                     "a table: each command with its route",
}

// commandTable is the name of the functions that hold a command's help, flags and examples: tables.
var commandTable = regexp.MustCompile(`^cmd/polard\.new[A-Z]`)

// widespread types may have methods in more files.
var widespread = map[string]string{
	"cmd/polard/internal/devices/alpaca.Client":        "a connection; camera.go and mount.go only name a device on it",
	"cmd/polard/internal/devices/indi.Client":          "a connection; camera.go and mount.go only name a device on it",
	"cmd/polard/internal/devices/indi.device":          "a table of properties; cameras and mounts each read theirs",
	"cmd/polard/internal/devices/measure.Measurer":     "the sequence, a single movement, and what the mount said of it against the pictures",
	"cmd/polard/internal/devices/measure.surroundings": "a value that is not changed: limits.go asks it what may move, plan.go and thorough.go what will",
	"cmd/polard/internal/devices/operate.Operation":    "what the page can ask of the equipment, by subject; its lock and its fields are in operation.go",
	"cmd/polard/internal/pipeline.Pipeline":            "the recipe in pipeline.go; hint.go and lens.go each keep one thing that is believed of the next frame",
	"fits/watch.Watcher":                               "the state of one goroutine; the gates, the search and the delivery are its three duties",
	"mountmodel.Session":                               "session.go holds it, steps.go the table's actions; view.go only reads",
	"mountmodel/axis.Fit":                              "a value that is not changed once it is found; each file asks it another question",
	"mountmodel/axis.model":                            "a value that is not changed once it is solved; each file asks it another question",
	"mountmodel/logbook.Book":                          "an open database and nothing else; a file for writing, for reading, for each further question",
	"mountmodel/nights.finder":                         "the working values of one fit, in the order of its stages",
	"web.Server":                                       "handlers of requests, a file for each part of the API; what they share has its own types and locks",
}

func testShape(t *testing.T) {
	used := map[string]bool{}
	methods := map[string]map[string]bool{}
	excused := func(table map[string]string, name string) bool {
		_, ok := table[name]
		used[name] = used[name] || ok
		return ok
	}
	for _, path := range goFiles(t, true) {
		rel, err := filepath.Rel(top, path)
		if err != nil {
			t.Fatal(err)
		}
		name := filepath.ToSlash(rel)
		folder := filepath.ToSlash(filepath.Dir(rel))
		source, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if n := bytes.Count(source, []byte("\n")); n > mostLines {
			t.Errorf("%s has %d lines, at most %d are easy to read: split it by what it is about", name, n, mostLines)
		}
		if isTest := regexp.MustCompile(`_test\.go$`).MatchString(name); isTest {
			continue
		}
		fset := token.NewFileSet()
		file, err := parser.ParseFile(fset, path, source, 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range file.Decls {
			f, ok := d.(*ast.FuncDecl)
			if !ok {
				continue
			}
			full := folder + "."
			if r := receiver(f); r != "" {
				full += r
				if methods[full] == nil {
					methods[full] = map[string]bool{}
				}
				methods[full][filepath.Base(path)] = true
				full += "."
			}
			full += f.Name.Name
			lines := fset.Position(f.End()).Line - fset.Position(f.Pos()).Line + 1
			if lines > mostFunctionLines && !commandTable.MatchString(full) && !excused(longFunctions, full) {
				t.Errorf("%s has %d lines, at most %d fit one screen: name its parts", full, lines, mostFunctionLines)
			}
		}
	}
	for name, in := range methods {
		if len(in) > mostMethodFiles && !excused(widespread, name) {
			t.Errorf("%s has methods in %v: keep them in %d files, or make types of its parts", name, slices.Sorted(maps.Keys(in)), mostMethodFiles)
		}
	}
	for _, table := range []map[string]string{longFunctions, widespread} {
		for name := range table {
			if !used[name] {
				t.Errorf("the exception for %s is no longer needed", name)
			}
		}
	}
}

// The package comment is the finding aid: it names every file, but for the one that it stands in.
func testFindingAids(t *testing.T) {
	comments, files := map[string]string{}, map[string][]string{}
	commented := map[string]string{}
	for _, path := range goFiles(t, false) {
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ParseComments|parser.PackageClauseOnly)
		if err != nil {
			t.Fatal(err)
		}
		folder, name := filepath.ToSlash(filepath.Dir(path)), filepath.Base(path)
		files[folder] = append(files[folder], name)
		if file.Doc != nil {
			comments[folder] += file.Doc.Text()
			commented[folder] = name
		}
	}
	for folder, names := range files {
		if comments[folder] == "" {
			t.Errorf("%s has no package comment: what comes in, what goes out, by which method", folder)
			continue
		}
		for _, name := range names {
			if name != commented[folder] && !regexp.MustCompile(`\b`+regexp.QuoteMeta(name)).MatchString(comments[folder]) {
				t.Errorf("the comment of package %s does not say what %s is for", folder, name)
			}
		}
	}
}

// receiver is the name of the type that a method belongs to, "" for a function.
func receiver(f *ast.FuncDecl) string {
	if f.Recv == nil {
		return ""
	}
	kind := f.Recv.List[0].Type
	if pointer, ok := kind.(*ast.StarExpr); ok {
		kind = pointer.X
	}
	if generic, ok := kind.(*ast.IndexExpr); ok {
		kind = generic.X
	}
	if name, ok := kind.(*ast.Ident); ok {
		return name.Name
	}
	return ""
}
