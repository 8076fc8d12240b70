package logbook

import (
	"encoding/binary"
	"time"
)

// Stamp tells a file by what renaming leaves alone.
type Stamp struct {
	Size     int64
	Modified time.Time
}

// stampBytes is the size of a stamp: two numbers of 64 bits, little-endian.
const stampBytes = 16

// packStamps gives the stored form; nil of nil.
func packStamps(stamps []Stamp) []byte {
	if stamps == nil {
		return nil
	}
	b := make([]byte, 0, len(stamps)*stampBytes)
	for _, s := range stamps {
		b = binary.LittleEndian.AppendUint64(b, uint64(s.Size))
		b = binary.LittleEndian.AppendUint64(b, uint64(nanos(s.Modified)))
	}
	return b
}

func unpackStamps(b []byte) []Stamp {
	if b == nil {
		return nil
	}
	stamps := make([]Stamp, 0, len(b)/stampBytes)
	for ; len(b) >= stampBytes; b = b[stampBytes:] {
		stamps = append(stamps, Stamp{int64(binary.LittleEndian.Uint64(b)), fromNanos(int64(binary.LittleEndian.Uint64(b[8:])))})
	}
	return stamps
}
