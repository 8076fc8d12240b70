package fits

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// build lays out a file by hand: the given cards as they are, padded to 80
// columns, END, and the data.
func build(cards []string, data []byte) []byte {
	var b []byte
	for _, c := range cards {
		b = fmt.Appendf(b, "%-80s", c)
	}
	b = fmt.Appendf(b, "%-80s", "END")
	b = append(b, strings.Repeat(" ", padding(len(b)))...)
	b = append(b, data...)
	return append(b, make([]byte, padding(len(data)))...)
}

// frame16 is a file of 16-bit pixels with further cards.
func frame16(width, height int, pix []int16, cards ...string) []byte {
	data := make([]byte, 2*len(pix))
	for i, v := range pix {
		binary.BigEndian.PutUint16(data[2*i:], uint16(v))
	}
	return build(append([]string{
		"SIMPLE  =                    T",
		"BITPIX  =                   16",
		"NAXIS   =                    2",
		fmt.Sprintf("NAXIS1  = %20d", width),
		fmt.Sprintf("NAXIS2  = %20d", height),
	}, cards...), data)
}

// small is a frame of 4 by 4 pixels with the given cards.
func small(cards ...string) []byte { return frame16(4, 4, make([]int16, 16), cards...) }

func mustDecode(t testing.TB, data []byte) *Frame {
	t.Helper()
	f, err := Decode("test.fits", data)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// pythonWithAstropy skips the test where there is none.
func pythonWithAstropy(t *testing.T) string {
	t.Helper()
	for _, p := range []string{"python3", "/usr/bin/python3"} {
		if exec.Command(p, "-c", "import astropy").Run() == nil {
			return p
		}
	}
	t.Skip("no Python with astropy")
	return ""
}

const reference = "../testdata/fits"

// table reads the rows of a tab-separated table below its head.
func table(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join(reference, name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var rows [][]string
	for s := bufio.NewScanner(f); s.Scan(); {
		rows = append(rows, strings.Split(s.Text(), "\t"))
	}
	if len(rows) < 2 {
		t.Fatalf("%s holds no rows", name)
	}
	return rows[1:]
}

func number64(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}
