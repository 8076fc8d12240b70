package fits

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// imagesOf prints a line for each file of the folders: the first array in it that is an
// image of two axes, or of three colours, averaged; nothing when there is none. This is
// the choice that Decode makes (see readLayout).
const imagesOf = `
import base64, json, os, sys, warnings
import numpy
from astropy.io import fits
warnings.simplefilter("ignore")
folders = sys.argv[1:] + [os.path.join(os.path.dirname(fits.__file__), "tests", "data")]
for folder in folders:
    for path in sorted(os.path.join(d, f) for d, _, fs in os.walk(folder) for f in fs):
        if not path.lower().endswith((".fits", ".fit", ".fts", ".std", ".fz", ".gz")): continue
        row = {"folder": folder, "file": os.path.relpath(path, folder)}
        try:
            with fits.open(path) as hdus:
                for hdu in hdus:
                    if isinstance(hdu, fits.GroupsHDU) or not isinstance(hdu, (fits.PrimaryHDU, fits.ImageHDU, fits.CompImageHDU)): continue
                    axes = list(hdu.shape or ())
                    shape = [n for n in axes if n != 1]
                    if len(shape) < 2: shape = axes[-2:]
                    if len(shape) < 2 or 0 in shape or len(shape) > 3 or len(shape) == 3 and 3 not in (shape[0], shape[2]): continue
                    pixels = numpy.asarray(hdu.data, dtype="<f8").reshape(shape)
                    if len(shape) == 3: pixels = pixels.mean(axis=0 if shape[0] == 3 else 2)
                    row["height"], row["width"] = pixels.shape
                    row["pixels"] = base64.b64encode(pixels.tobytes()).decode()
                    break
        except Exception as e:
            row["failed"] = repr(e)
        print(json.dumps(row))
`

// Every file of the test suites of astropy and of fitsio (Go), and of the folders of
// POLARD_FITS_SUITES: one with an image is read to the pixels that astropy reads, the
// others are refused with a reason. Skipped where there is no Python with astropy.
func TestSuitesOfOtherLibraries(t *testing.T) {
	python := pythonWithAstropy(t)
	module, err := exec.Command("go", "list", "-m", "-f", "{{.Dir}}", "github.com/astrogo/fitsio").Output()
	if err != nil {
		t.Fatal(err)
	}
	folders := append([]string{filepath.Join(strings.TrimSpace(string(module)), "testdata")}, filepath.SplitList(os.Getenv("POLARD_FITS_SUITES"))...)
	var failed bytes.Buffer
	c := exec.Command(python, append([]string{"-c", imagesOf}, folders...)...)
	c.Stderr = &failed
	out, err := c.Output()
	if err != nil {
		t.Fatalf("%v: %s", err, failed.String())
	}
	read := map[string]int{}
	refused := map[string]int{}
	lines := bufio.NewScanner(bytes.NewReader(out))
	lines.Buffer(nil, len(out)+1)
	for lines.Scan() {
		var want struct {
			Folder, File, Failed string
			Width, Height        int
			Pixels               []byte
		}
		if err := json.Unmarshal(lines.Bytes(), &want); err != nil {
			t.Fatal(err)
		}
		f, err := ReadFile(filepath.Join(want.Folder, want.File))
		switch {
		case want.Failed != "" && err == nil:
			t.Logf("%s: read, while astropy fails: %s", want.File, want.Failed)
			continue
		case want.Width == 0:
			if !errors.Is(err, ErrUnsupported) && !errors.Is(err, ErrMalformed) && !errors.Is(err, ErrIncomplete) {
				t.Errorf("%s holds no image: %v, %v", want.File, f, err)
				continue
			}
			t.Logf("refused: %v", err)
			refused[want.Folder]++
			continue
		case err != nil:
			t.Errorf("%s: %v", want.File, err)
			continue
		}
		if f.Width != want.Width || f.Height != want.Height || len(want.Pixels) != 8*len(f.Pix) {
			t.Errorf("%s: %d x %d, want %d x %d", want.File, f.Width, f.Height, want.Width, want.Height)
			continue
		}
		for i, got := range f.Pix {
			v := math.Float64frombits(binary.LittleEndian.Uint64(want.Pixels[8*i:]))
			if math.IsInf(v, 0) {
				v = math.NaN() // undefined in a Frame
			}
			if math.IsNaN(v) != math.IsNaN(float64(got)) || math.Abs(v-float64(got)) > roundings*math.Abs(v)/(1<<24) {
				t.Errorf("%s pixel %d: %g, want %g", want.File, i, got, v)
				break
			}
		}
		read[want.Folder]++
	}
	if len(read) < len(folders)+1 {
		t.Errorf("read files of %d suites, want %d", len(read), len(folders)+1)
	}
	for folder := range read {
		t.Logf("%s: %d read, %d refused", folder, read[folder], refused[folder])
	}
}
