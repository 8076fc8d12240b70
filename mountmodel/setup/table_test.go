package setup

import (
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// readTable reads a table of numbers from testdata/setup: a comment, a line of
// names, and rows.
func readTable(t *testing.T, name string) []map[string]float64 {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "setup", name))
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	var rows []map[string]float64
	for line := range strings.Lines(string(data)) {
		line = strings.TrimSpace(line)
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		fields := strings.Split(line, "\t")
		if names == nil {
			names = fields
			continue
		}
		row := make(map[string]float64)
		for i, field := range fields {
			v, err := strconv.ParseFloat(field, 64)
			if err != nil {
				t.Fatalf("%s: %q: %v", name, line, err)
			}
			row[names[i]] = v
		}
		rows = append(rows, row)
	}
	return rows
}
