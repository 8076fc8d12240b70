package watch

import "hash/crc64"

var sumTable = crc64.MakeTable(crc64.ECMA)

// sum is the CRC-64 of a file's bytes up to the last that is not zero: those that fill the last block may come after the
// frame was delivered, or never. It is worked out on a goroutine of its own while the rest is being read.
type sum struct {
	parts chan []byte // in order
	done  chan uint64
}

// newSum begins a sum; value ends it.
func newSum() *sum {
	s := &sum{parts: make(chan []byte, 8), done: make(chan uint64, 1)}
	go func() {
		var crc uint64
		zeros := 0 // that came last, and are not in crc
		for part := range s.parts {
			end := len(part)
			for end > 0 && part[end-1] == 0 {
				end--
			}
			if end > 0 {
				crc = addZeros(crc, zeros)
				crc, zeros = crc64.Update(crc, sumTable, part[:end]), 0
			}
			zeros += len(part) - end
		}
		s.done <- crc
	}()
	return s
}

// add takes the next bytes, which must not change any more.
func (s *sum) add(part []byte) { s.parts <- part }

// value is the sum of all that was added.
func (s *sum) value() uint64 {
	close(s.parts)
	return <-s.done
}

var zeroPart [1 << 16]byte

func addZeros(crc uint64, n int) uint64 {
	for ; n > 0; n -= len(zeroPart) {
		crc = crc64.Update(crc, sumTable, zeroPart[:min(n, len(zeroPart))])
	}
	return crc
}
