package deep

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"

	"polard/catalogs"
	"polard/catalogs/cells"
	"polard/mountmodel/sky"
)

// The cells: 192 along an edge of the cube, 0.47 degrees wide.
const (
	perEdge   = 192
	cellCount = cells.Faces * perEdge * perEdge
)

var grid = cells.New(perEdge)

// A record is 128 bits, from the highest:
//
//	18  cell
//	16  magnitude, in thousandths from brightest
//	24  u within the cell, in steps (record.go: 1/2^24 of the cell, 0.1 mas); the place is the step's middle
//	24  v
//	16  proper motion in right ascension times cos(dec), in pmStep; noMotion for a star without
//	16  proper motion in declination
//	13  parallax, in parallaxStep; 0 for none
//	 1  whether it is a bundled star that no extract holds
//
// so that records sort by cell, then from bright to faint. In the file the cell is left out: 14 bytes.
type record struct{ hi, lo uint64 }

const (
	placeBits = 24
	placeMask = 1<<placeBits - 1

	brightest = -2.0
	faintest  = 30.0 // what the 16 bits hold and can be meant
	magStep   = 1e-3

	pmStep   = 0.4 // mas/yr: 13 arcsec/yr fit, and the fastest star moves by 10.4
	noMotion = math.MinInt16

	parallaxStep = 0.1 // mas: 819 mas fit, and the nearest star has 769
	parallaxMask = 1<<13 - 1

	// recordSize is that of a record in the file, without the cell.
	recordSize = 14
)

// yearOfPlaces is the Julian year of the places in the file.
const yearOfPlaces = 2016.0

func (r record) cell() int        { return int(r.hi >> 46) }
func (r record) mag() uint16      { return uint16(r.hi >> 30) }
func (r record) u() int64         { return int64(r.hi >> 6 & placeMask) }
func (r record) v() int64         { return int64(r.hi<<18&placeMask | r.lo>>46) }
func (r record) hasMotion() bool  { return int16(r.lo>>30) != noMotion }
func (r record) bundled() bool    { return r.lo&1 != 0 }
func (r record) parallax() uint64 { return r.lo >> 1 & parallaxMask }

func (r record) less(o record) bool { return r.hi < o.hi || r.hi == o.hi && r.lo < o.lo }
func compare(a, b record) int {
	switch {
	case a.less(b):
		return -1
	case b.less(a):
		return 1
	}
	return 0
}

func magnitude(code uint16) float64 { return brightest + magStep*float64(code) }

// magCode is the largest code that is not fainter than a magnitude, or -1.
func magCode(faintest float64) int {
	return int(math.Floor(min(max((faintest-brightest)/magStep+1e-6, -1), math.MaxUint16)))
}

// pack encodes a star whose place is that of yearOfPlaces.
func pack(s *catalogs.Star, bundled bool) (record, error) {
	if !cells.IsDirection(s.Dir) {
		return record{}, errors.New("its direction is none")
	}
	if !(s.V >= brightest && s.V <= faintest) {
		return record{}, fmt.Errorf("its magnitude %g is outside %g to %g", s.V, brightest, faintest)
	}
	face, u, v := cells.Locate(sky.Vec(s.Dir), perEdge<<placeBits)
	cell := grid.Cell(face, int(u>>placeBits), int(v>>placeBits))
	u, v = u&placeMask, v&placeMask
	mag := uint64(math.Round((float64(s.V) - brightest) / magStep))
	r := record{
		hi: uint64(cell)<<46 | mag<<30 | uint64(u)<<6 | uint64(v)>>18,
		lo: uint64(v) << 46,
	}
	ra, dec := float64(noMotion), 0.0
	if s.HasPM {
		ra, dec = math.Round(float64(s.PMRA)/pmStep), math.Round(float64(s.PMDec)/pmStep)
		if !(math.Abs(ra) <= math.MaxInt16 && math.Abs(dec) <= math.MaxInt16) {
			return record{}, fmt.Errorf("its proper motion %g, %g mas/yr is faster than that of any star", s.PMRA, s.PMDec)
		}
	}
	r.lo |= uint64(uint16(int16(ra)))<<30 | uint64(uint16(int16(dec)))<<14
	if s.Parallax > 0 {
		r.lo |= min(uint64(math.Round(float64(s.Parallax)/parallaxStep)), parallaxMask) << 1
	}
	if bundled {
		r.lo |= 1
	}
	return r, nil
}

// put writes the record without its cell.
func (r record) put(p []byte) {
	binary.LittleEndian.PutUint32(p, uint32(r.hi))
	binary.LittleEndian.PutUint16(p[4:], uint16(r.hi>>32))
	binary.LittleEndian.PutUint64(p[6:], r.lo)
}

// getRecord reads what put wrote, for a star of the cell.
func getRecord(p []byte, cell int) record {
	hi := uint64(binary.LittleEndian.Uint32(p)) | uint64(binary.LittleEndian.Uint16(p[4:])&0x3fff)<<32
	return record{hi: uint64(cell)<<46 | hi, lo: binary.LittleEndian.Uint64(p[6:])}
}

// direction is the place of yearOfPlaces.
func (r record) direction(f *cells.Frame, step float64) sky.Vec {
	const middle = (1<<placeBits - 1) / 2.0
	return f.Direction((float64(r.u())-middle)*step, (float64(r.v())-middle)*step)
}

// star is the record as a star of package catalogs, with its place carried to J2000.0.
func (r record) star(id int32, at sky.Vec) catalogs.Star {
	s := catalogs.Star{ID: id, Dir: sky.ICRS(at), V: float32(magnitude(r.mag()))}
	if s.HasPM = r.hasMotion(); s.HasPM {
		s.PMRA, s.PMDec = pmStep*float32(int16(r.lo>>30)), pmStep*float32(int16(r.lo>>14))
	}
	s.Parallax = parallaxStep * float32(r.parallax())
	s.Fine = !r.bundled()
	return catalogs.FromEpoch(s, yearOfPlaces)
}
