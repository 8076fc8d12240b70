package main

import (
	"bytes"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"polard/catalogs"
	"polard/mountmodel/sky"
)

// Records of the published files.
const (
	// tyc2.dat.00, lines 1, 4, 13006 and 12900; tyc2.dat.09, line 59628.
	ordinary    = "0001 00008 1| |  2.31750494|  2.23184345|  -16.3|   -9.0| 68| 73| 1.7| 1.8|1958.89|1951.94| 4|1.0|1.0|0.9|1.0|12.146|0.158|12.146|0.223|999| |         |  2.31754222|  2.23186444|1.67|1.54| 88.0|100.8| |-0.2"
	photocentre = "0001 00017 1|P|  0.05059802|  1.77144349|   32.1|  -20.7| 21| 31| 1.6| 1.6|1989.29|1985.38| 5|1.4|0.6|1.4|0.6|11.318|0.070|10.521|0.051| 18|T|         |  0.05086583|  1.77151389|1.78|1.55| 30.0| 45.6|D|-0.2"
	withoutBT   = "0077 01286 1| | 63.94277263|  3.26324035|   -4.9|  -10.1| 53| 55| 1.7| 1.7|1967.98|1965.43| 5|0.5|0.2|0.5|0.2|      |     |11.189|0.131|999| |         | 63.94277139|  3.26326528|1.82|1.75|129.1|147.5| |-0.1"
	withoutVT   = "0077 00412 1| | 64.92261166|  3.76889045|   23.5|   -6.6| 95|106| 2.7| 2.7|1969.49|1961.52| 2|   |   |   |   |11.690|0.132|      |     |999| |         | 64.92255667|  3.76890611|1.62|1.44|111.5|133.6| |-0.1"
	polaris     = "4628 00237 1|X|            |            |       |       |   |   |    |    |       |       |  |   |   |   |   | 2.708|0.014| 2.038|0.009|999|T| 11767   | 37.94661861| 89.26413528|1.69|1.75|  3.2|  3.2| | 0.1"

	// suppl_1.dat, lines 3, 1, 924 and 2255.
	fromHipparcos = "0002 01127 2|H|004.36837051|+00.31948829|  -32.1|   -9.1| 13.6|  8.3|  8.2|  5.0|H|      |     |10.279|0.041| 75| |  1397B"
	fromTycho1    = "0002 00580 1|T|003.03708871|+01.57351477|       |       | 42.9| 39.5|     |     | |11.688|0.122|11.171|0.121|999|T|       "
	onlyBT        = "0608 00705 1|T|014.24033970|+11.29597335|       |       | 75.6| 65.8|     |     |B|12.527|0.452|      |     | 49|T|       "
	arcturus      = "1472 01436 1|H|213.91811506|+19.18727298|-1093.4|-1999.4|  0.8|  1.3|  0.6|  0.5|H|      |     | 0.161|0.014|  3|T| 69673A"
)

func TestReadRecords(t *testing.T) {
	const (
		// The published decimals, 1e-8 degree, exactly; rounding only.
		place = 1e-12 * sky.Radian
		// Below, stars are carried to J2000.0 by hand in right ascension and
		// declination, not along a great circle. The difference is of the
		// order theta^2 tan(dec): 0.7 mas for Arcturus, which moves 20
		// arcseconds in 8.75 years, nothing for the other star.
		carried     = 1e-7 * sky.Arcsecond
		fastCarried = 1e-3 * sky.Arcsecond
		mag         = 1e-6 // float32
	)
	for _, k := range []struct {
		name, record  string
		read          func(string) (catalogs.Star, error)
		raDeg, decDeg float64
		place         sky.Angle
		hasPM         bool
		pmRA, pmDec   float64
		v             float64
	}{
		// V worked out by hand from V = VT - 0.090 (BT - VT).
		{"ordinary", ordinary, readMain, 2.31750494, 2.23184345, place, true, -16.3, -9.0, 12.146},
		{"photocentre", photocentre, readMain, 0.05059802, 1.77144349, place, true, 32.1, -20.7, 10.521 - 0.07173},
		{"without BT", withoutBT, readMain, 63.94277263, 3.26324035, place, true, -4.9, -10.1, 11.189 - 0.06489},
		{"without VT", withoutVT, readMain, 64.92261166, 3.76889045, place, true, 23.5, -6.6, 11.690 - 0.721 - 0.06489},
		{"Polaris", polaris, readMain, 37.94661861, 89.26413528, place, false, 0, 0, 2.038 - 0.0603},
		{"Hipparcos", fromHipparcos, readSupplement,
			4.36837051 - 32.1*8.75/3.6e6/math.Cos(0.31948829*math.Pi/180), 0.31948829 - 9.1*8.75/3.6e6, carried, true, -32.1, -9.1, 10.154},
		{"Tycho-1", fromTycho1, readSupplement, 3.03708871, 1.57351477, place, false, 0, 0, 11.171 - 0.04653},
		{"only BT", onlyBT, readSupplement, 14.24033970, 11.29597335, place, false, 0, 0, 12.527 - 0.721 - 0.06489},
		{"Arcturus", arcturus, readSupplement,
			213.91811506 - 1093.4*8.75/3.6e6/math.Cos(19.18727298*math.Pi/180), 19.18727298 - 1999.4*8.75/3.6e6, fastCarried, true, -1093.4, -1999.4, 0.036},
	} {
		s, err := k.read(k.record)
		if err != nil {
			t.Errorf("%s: %v", k.name, err)
			continue
		}
		want := sky.ICRSFromRADec(sky.Angle(k.raDeg)*sky.Degree, sky.Angle(k.decDeg)*sky.Degree)
		if sep := sky.Separation(s.Dir, want); sep > k.place {
			t.Errorf("%s is %.6f arcsec off", k.name, sep.Arcseconds())
		}
		// The motion turns a little on the way to J2000.0; 0.05 mas/yr is the
		// last published decimal.
		if s.HasPM != k.hasPM || math.Abs(float64(s.PMRA)-k.pmRA) > 0.05 || math.Abs(float64(s.PMDec)-k.pmDec) > 0.05 {
			t.Errorf("%s moves %v %g, %g", k.name, s.HasPM, s.PMRA, s.PMDec)
		}
		if math.Abs(float64(s.V)-k.v) > mag {
			t.Errorf("%s has V %g, want %g", k.name, s.V, k.v)
		}
	}
}

func TestReadRecordsRefuses(t *testing.T) {
	replace := func(record string, column int, text string) string {
		return record[:column-1] + text + record[column-1+len(text):]
	}
	for _, k := range []struct {
		name, record string
		read         func(string) (catalogs.Star, error)
		says         string
	}{
		{"empty line", "", readMain, "characters"},
		{"short line", ordinary[:200], readMain, "characters"},
		{"a line of the supplement", fromTycho1, readMain, "characters"},
		{"a line of the main catalogue", ordinary, readSupplement, "characters"},
		{"unknown flag", replace(ordinary, 14, "Q"), readMain, `"Q"`},
		{"unknown flag of the supplement", replace(fromTycho1, 14, "X"), readSupplement, `"X"`},
		{"no mean place", replace(ordinary, 16, "            "), readMain, "columns 16 to 27"},
		{"no motion", replace(ordinary, 42, "       "), readMain, "columns 42 to 48"},
		{"motion missing in the supplement", replace(fromHipparcos, 50, "       "), readSupplement, "columns 50 to 56"},
		{"letters in a place", replace(polaris, 153, "37.94a"), readMain, "columns 153 to 164"},
		{"no magnitude", replace(withoutBT, 124, "      "), readMain, "magnitude"},
		{"decimals of a magnitude", replace(ordinary, 124, " 12.14"), readMain, "three decimal"},
	} {
		if s, err := k.read(k.record); err == nil || !strings.Contains(err.Error(), k.says) {
			t.Errorf("%s: got %+v, %v; want an error that says %q", k.name, s, err, k.says)
		}
	}
	_, err := readFile("tyc2.dat.00", []byte(ordinary+"\n"+ordinary[:50]+"\n"), readMain)
	if err == nil || !strings.Contains(err.Error(), "tyc2.dat.00 line 2") {
		t.Errorf("the error does not name file and line: %v", err)
	}
}

func FuzzReadRecords(f *testing.F) {
	for _, r := range []string{ordinary, photocentre, withoutBT, withoutVT, polaris, fromHipparcos, fromTycho1, onlyBT, arcturus, ""} {
		f.Add(r)
	}
	f.Fuzz(func(t *testing.T, record string) {
		for _, read := range []func(string) (catalogs.Star, error){readMain, readSupplement} {
			s, err := read(record)
			if err != nil {
				continue
			}
			// What is read is refused or written so that it reads back.
			data, err := catalogs.Encode([]catalogs.Star{s}, [32]byte{})
			if err != nil {
				continue
			}
			c, err := catalogs.Parse(data)
			if err != nil || c.Len() != 1 {
				t.Fatalf("%+v does not read back: %v", s, err)
			}
			if got := c.Brightest(sky.ICRS{Z: 1}, 180*sky.Degree, 1); len(got) != 1 || got[0].HasPM != s.HasPM {
				t.Fatalf("%+v reads back as %+v", s, got)
			}
		}
	})
}

func TestRunRefuses(t *testing.T) {
	out := filepath.Join(t.TempDir(), "out.stars")
	if err := run("", out, io.Discard); err == nil || !strings.Contains(err.Error(), "-in FOLDER") {
		t.Errorf("no input: %v", err)
	}
	empty := t.TempDir()
	if err := run(empty, out, io.Discard); err == nil || !strings.Contains(err.Error(), "suppl_1.dat") {
		t.Errorf("an empty folder: %v", err)
	}
	if err := os.WriteFile(filepath.Join(empty, "suppl_1.dat"), []byte(fromTycho1+"\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := run(empty, out, io.Discard); err == nil || !strings.Contains(err.Error(), "not the published file") {
		t.Errorf("another file: %v", err)
	}
	if _, err := os.Stat(out); err == nil {
		t.Error("a catalogue was written all the same")
	}
}

// The published files give the bundled file, byte for byte. They are large and
// not part of the project: POLARD_TYCHO2 names the folder that holds them.
func TestCompilingAgainGivesTheSameFile(t *testing.T) {
	in := os.Getenv("POLARD_TYCHO2")
	if in == "" {
		t.Skip("POLARD_TYCHO2 is not set to a folder with the published Tycho-2 files")
	}
	out := filepath.Join(t.TempDir(), "out.stars")
	if err := run(in, out, io.Discard); err != nil {
		t.Fatal(err)
	}
	got, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	want, err := os.ReadFile("../tycho2.stars")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Error("the file made differs from catalogs/tycho2.stars")
	}
}
