package watch

import (
	"bytes"
	"hash/crc64"
	"math/rand/v2"
	"testing"
)

// The sum in parts is that of the whole without the zeros at its end, however it is cut and wherever zeros lie.
func TestSumInParts(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	for range 200 {
		data := make([]byte, rng.IntN(300_000))
		for i := 0; i < len(data); {
			n := min(len(data)-i, 1+rng.IntN(100_000))
			if rng.IntN(2) == 0 {
				for k := range n {
					data[i+k] = byte(rng.Uint32())
				}
			}
			i += n
		}
		s := newSum()
		for rest := data; len(rest) > 0; {
			n := min(len(rest), 1+rng.IntN(90_000))
			s.add(rest[:n])
			rest = rest[n:]
		}
		if got, want := s.value(), crc64.Checksum(bytes.TrimRight(data, "\x00"), crc64.MakeTable(crc64.ECMA)); got != want {
			t.Fatalf("%d bytes: %x, want %x", len(data), got, want)
		}
	}
}
