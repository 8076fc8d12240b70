// Compile makes the bundled star catalogue from the published Tycho-2 files:
//
//	go run ./catalogs/compile -in FOLDER -out catalogs/tycho2.stars
//
// FOLDER holds tyc2.dat.00 to tyc2.dat.19 and suppl_1.dat, unpacked. Their
// hashes must be those of SHA256SUMS. The same input gives the same output,
// byte for byte. See catalogs/PROVENANCE.md. The lines of the files are read in tycho2.go.
package main

import (
	"crypto/sha256"
	_ "embed"
	"encoding/hex"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"polard/catalogs"
)

func main() {
	in := flag.String("in", "", "folder with the published files, unpacked")
	out := flag.String("out", "", "catalogue file to write")
	flag.Parse()
	if err := run(*in, *out, os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "compile:", err)
		os.Exit(1)
	}
}

func run(in, out string, report io.Writer) error {
	if in == "" || out == "" {
		return errors.New("give both -in FOLDER and -out FILE; catalogs/PROVENANCE.md says where to get the files")
	}
	stars, err := readAll(in)
	if err != nil {
		return err
	}
	data, err := catalogs.Encode(stars, sha256.Sum256([]byte(sums)))
	if err != nil {
		return err
	}
	c, err := catalogs.Parse(data)
	if err != nil {
		return fmt.Errorf("the file made does not read back: %w", err)
	}
	if c.Len() != len(stars) {
		return fmt.Errorf("the file made holds %d stars of %d", c.Len(), len(stars))
	}
	if err := os.WriteFile(out, data, 0o644); err != nil {
		return err
	}
	fmt.Fprintf(report, "%d stars, %d bytes, sha256 %x\n", c.Len(), len(data), sha256.Sum256(data))
	return nil
}

// sums lists the files of the catalogue with their hashes, as sha256sum
// prints them.
//
//go:embed SHA256SUMS
var sums string

// readAll reads the files of SHA256SUMS.
func readAll(folder string) ([]catalogs.Star, error) {
	var stars []catalogs.Star
	for line := range strings.Lines(sums) {
		want, name, ok := strings.Cut(strings.TrimSpace(line), "  ")
		if !ok {
			return nil, fmt.Errorf("SHA256SUMS: odd line %q", line)
		}
		data, err := os.ReadFile(filepath.Join(folder, name))
		if err != nil {
			return nil, err
		}
		if got := sha256.Sum256(data); hex.EncodeToString(got[:]) != want {
			return nil, fmt.Errorf("%s is not the published file: its SHA-256 is %x, expected %s", name, got, want)
		}
		record := readMain
		if strings.HasPrefix(name, "suppl_1") {
			record = readSupplement
		}
		more, err := readFile(name, data, record)
		if err != nil {
			return nil, err
		}
		stars = append(stars, more...)
	}
	return stars, nil
}
