package logbook

import (
	"encoding/binary"
	"errors"
	"math"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// pairBytes is the size of one matched star: seven doubles, little-endian:
// camera x, y, z, ICRS x, y, z, sigma in radians. They are kept whole, since a
// session that is read again must come out as it was to the last bit.
const pairBytes = 7 * 8

func packPairs(pairs []observed.Pair) []byte {
	b := make([]byte, 0, len(pairs)*pairBytes)
	for _, p := range pairs {
		for _, v := range [...]float64{p.Camera.X, p.Camera.Y, p.Camera.Z, p.ICRS.X, p.ICRS.Y, p.ICRS.Z, float64(p.Sigma)} {
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(v))
		}
	}
	return b
}

var errPairs = errors.New("the matched stars of a frame are cut short")

func unpackPairs(b []byte) ([]observed.Pair, error) {
	if len(b)%pairBytes != 0 {
		return nil, errPairs
	}
	if len(b) == 0 {
		return nil, nil
	}
	pairs := make([]observed.Pair, len(b)/pairBytes)
	next := func() float64 {
		v := math.Float64frombits(binary.LittleEndian.Uint64(b))
		b = b[8:]
		return v
	}
	for i := range pairs {
		pairs[i] = observed.Pair{
			Camera: sky.Camera{X: next(), Y: next(), Z: next()},
			ICRS:   sky.ICRS{X: next(), Y: next(), Z: next()},
			Sigma:  sky.Angle(next()),
		}
	}
	return pairs, nil
}
