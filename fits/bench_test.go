package fits

import (
	"bytes"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// sensor is a frame of 1920 by 1080 pixels (2 megapixels) of sky noise.
func sensor(b *testing.B, extra ...Card) []byte {
	rng := rand.New(rand.NewPCG(9, 9))
	f := &Frame{Width: 1920, Height: 1080, Pix: make([]float32, 1920*1080), Start: time.Date(2026, 3, 7, 20, 0, 0, 0, time.UTC), Exposure: time.Second, PixelUm: 2.9, FocalMm: 200}
	for i := range f.Pix {
		f.Pix[i] = float32(1000 + 20*rng.NormFloat64())
	}
	var w bytes.Buffer
	if err := Write(&w, f, extra...); err != nil {
		b.Fatal(err)
	}
	return w.Bytes()
}

func benchmarkDecode(b *testing.B, data []byte) {
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Decode("bench.fits", data); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkDecode(b *testing.B)       { benchmarkDecode(b, sensor(b)) }
func BenchmarkDecodeMosaic(b *testing.B) { benchmarkDecode(b, sensor(b, Card{"BAYERPAT", "RGGB", ""})) }

// sensorRice is the same compressed with Rice coding, a tile a row.
func sensorRice(b *testing.B) []byte {
	plain := mustDecode(b, sensor(b))
	var tiles [][]byte
	for y := range plain.Height {
		row := make([]int32, plain.Width)
		for x := range row {
			row[x] = int32(plain.Pix[y*plain.Width+x]) - 32768
		}
		tiles = append(tiles, rice(row, riceCodes[2], 32))
	}
	cards := tileShape("RICE_1", 16, []int{plain.Width, plain.Height}, []int{plain.Width, 1})
	data := tileTable(tiles, append(cards, "ZNAME1  = 'BLOCKSIZE'", "ZVAL1   = 32", "ZNAME2  = 'BYTEPIX'", "ZVAL2   = 2", "BZERO   = 32768")...)
	for i, v := range mustDecode(b, data).Pix {
		if v != plain.Pix[i] {
			b.Fatalf("pixel %d is %g, want %g", i, v, plain.Pix[i])
		}
	}
	return data
}

func BenchmarkDecodeRice(b *testing.B) { benchmarkDecode(b, sensorRice(b)) }

func BenchmarkReadFile(b *testing.B) {
	path := filepath.Join(b.TempDir(), "bench.fits")
	if err := os.WriteFile(path, sensor(b), 0o644); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := ReadFile(path); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkWrite(b *testing.B) {
	f, err := Decode("bench.fits", sensor(b))
	if err != nil {
		b.Fatal(err)
	}
	var w bytes.Buffer
	for b.Loop() {
		w.Reset()
		if err := Write(&w, f); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkHeader is what a header costs, from its cards to the Frame's fields.
func BenchmarkHeader(b *testing.B) {
	data := sensor(b)
	for b.Loop() {
		u, err := readUnit(data, 0)
		if err != nil {
			b.Fatal(err)
		}
		h, err := readKeywords(u)
		if err != nil {
			b.Fatal(err)
		}
		(&Frame{Width: 1920, Height: 1080}).describe(h)
	}
}
