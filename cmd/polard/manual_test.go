package main

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"
)

var manualFolder = flag.String("manual", "", "write the man pages and shell completions into this folder; 'make manual' does")

// manualDate stands in the man pages, so that two builds are the same: it moves with
// the version.
var manualDate = time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC)

// writeManual writes a man page for every command, and completions for three
// shells.
func writeManual(t *testing.T, folder string) {
	t.Helper()
	var out, errs bytes.Buffer
	root := newRoot(&out, &errs)
	root.DisableAutoGenTag = true
	date := manualDate
	header := &doc.GenManHeader{Section: "1", Source: "polard " + version, Manual: "polard", Date: &date}
	man := filepath.Join(folder, "man")
	if err := os.MkdirAll(man, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := doc.GenManTree(root, header, man); err != nil {
		t.Fatal(err)
	}
	for name, write := range map[string]func(*cobra.Command, string) error{
		"polard.bash": func(c *cobra.Command, to string) error { return c.GenBashCompletionFileV2(to, true) },
		"_polard":     func(c *cobra.Command, to string) error { return c.GenZshCompletionFile(to) },
		"polard.fish": func(c *cobra.Command, to string) error { return c.GenFishCompletionFile(to, true) },
	} {
		to := filepath.Join(folder, "completions", name)
		if err := os.MkdirAll(filepath.Dir(to), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := write(root, to); err != nil {
			t.Fatal(err)
		}
	}
}

// Every command has its man page, which names every option, and twice written
// it is the same.
func TestManual(t *testing.T) {
	folder := t.TempDir()
	if *manualFolder != "" {
		folder = *manualFolder
	}
	writeManual(t, folder)
	again := t.TempDir()
	writeManual(t, again)
	root := newRoot(&bytes.Buffer{}, &bytes.Buffer{})
	for _, c := range root.Commands() {
		if c.Hidden || c.Name() == "help" {
			continue
		}
		name := filepath.Join("man", "polard-"+c.Name()+".1")
		page, err := os.ReadFile(filepath.Join(folder, name))
		if err != nil {
			t.Error(err)
			continue
		}
		other, err := os.ReadFile(filepath.Join(again, name))
		if err != nil || !bytes.Equal(page, other) {
			t.Errorf("%s: written twice, it differs (%v)", name, err)
		}
		for option := range configurable(c) {
			if !strings.Contains(strings.ReplaceAll(string(page), `\-`, "-"), "--"+option) {
				t.Errorf("%s does not name --%s", name, option)
			}
		}
	}
	for _, name := range []string{"polard.bash", "_polard", "polard.fish"} {
		b, err := os.ReadFile(filepath.Join(folder, "completions", name))
		if err != nil || !bytes.Contains(b, []byte("polard")) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
