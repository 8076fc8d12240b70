package main

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"

	"polard/catalogs"
	"polard/mountmodel/sky"
)

// Lengths of a record without its line end, and columns of the published files, from 1, both ends
// included: "Byte-by-byte Description" of tyc2.dat and suppl_1.dat in the
// ReadMe of CDS catalogue I/259.
const (
	mainLength       = 206
	supplementLength = 122
)

type columns struct{ from, to int }

var (
	flagColumn = columns{14, 14} // pflag of the main catalogue, flag of the supplement
	raColumn   = columns{16, 27} // degrees; J2000.0 in the main catalogue, J1991.25 in the supplement
	decColumn  = columns{29, 40}
	pmRAColumn = columns{42, 48} // mas/yr, includes cos(dec)
	pmDEColumn = columns{50, 56}

	mainBT     = columns{111, 116}
	mainVT     = columns{124, 129}
	mainObsRA  = columns{153, 164} // degrees, the place that the satellite observed
	mainObsDec = columns{166, 177}

	supplementMagFlag = columns{82, 82}
	supplementBT      = columns{84, 89}
	supplementVT      = columns{97, 102}
)

// supplementEpoch is the Julian year of the places of supplement 1.
const supplementEpoch = 1991.25

func (c columns) of(record string) string { return strings.TrimSpace(record[c.from-1 : c.to]) }

// readFile turns each line of a published file into a star.
func readFile(name string, data []byte, read func(record string) (catalogs.Star, error)) ([]catalogs.Star, error) {
	stars := make([]catalogs.Star, 0, bytes.Count(data, []byte{'\n'}))
	number := 0
	for line := range bytes.Lines(data) {
		number++
		s, err := read(strings.TrimRight(string(line), "\r\n"))
		if err != nil {
			return nil, fmt.Errorf("%s line %d: %w", name, number, err)
		}
		stars = append(stars, s)
	}
	return stars, nil
}

// readMain reads a record of tyc2.dat. Stars flagged X have no mean place and
// no proper motion: they stay at the place observed about 1991.5. Of stars
// flagged P place and motion are those of the photocentre of two entries, and
// both entries stay.
func readMain(record string) (catalogs.Star, error) {
	if len(record) != mainLength {
		return catalogs.Star{}, fmt.Errorf("%d characters, expected %d", len(record), mainLength)
	}
	f := fields{record: record}
	var s catalogs.Star
	switch flag := flagColumn.of(record); flag {
	case "", "P":
		s.Dir = sky.ICRSFromRADec(f.degrees(raColumn), f.degrees(decColumn))
		s.PMRA, s.PMDec, s.HasPM = f.motion(pmRAColumn), f.motion(pmDEColumn), true
	case "X":
		s.Dir = sky.ICRSFromRADec(f.degrees(mainObsRA), f.degrees(mainObsDec))
	default:
		return catalogs.Star{}, fmt.Errorf("unknown flag %q of the mean place", flag)
	}
	s.V = f.johnsonV(mainBT, mainVT, false)
	return s, f.err
}

// readSupplement reads a record of suppl_1.dat. Stars from Hipparcos (H) have
// a proper motion and are carried to J2000.0; those from Tycho-1 (T) have none
// and stay at J1991.25.
func readSupplement(record string) (catalogs.Star, error) {
	if len(record) != supplementLength {
		return catalogs.Star{}, fmt.Errorf("%d characters, expected %d", len(record), supplementLength)
	}
	f := fields{record: record}
	s := catalogs.Star{Dir: sky.ICRSFromRADec(f.degrees(raColumn), f.degrees(decColumn))}
	switch flag := flagColumn.of(record); flag {
	case "H":
		s.PMRA, s.PMDec, s.HasPM = f.motion(pmRAColumn), f.motion(pmDEColumn), true
	case "T":
	default:
		return catalogs.Star{}, fmt.Errorf("unknown flag %q of the data", flag)
	}
	s.V = f.johnsonV(supplementBT, supplementVT, supplementMagFlag.of(record) == "H")
	if f.err != nil {
		return catalogs.Star{}, f.err
	}
	return catalogs.FromEpoch(s, supplementEpoch), nil
}

// fields reads numbers out of a record and keeps the first error.
type fields struct {
	record string
	err    error
}

func (f *fields) number(c columns) float64 {
	x, err := strconv.ParseFloat(c.of(f.record), 64)
	if err != nil && f.err == nil {
		f.err = fmt.Errorf("columns %d to %d: %w", c.from, c.to, err)
	}
	return x
}

func (f *fields) degrees(c columns) sky.Angle { return sky.Angle(f.number(c)) * sky.Degree }
func (f *fields) motion(c columns) float32    { return float32(f.number(c)) }

// Estimates for stars that lack one of the two magnitudes.
const (
	// medianColour is the median of BT-VT over the stars of the main catalogue that
	// have both, in thousandths: 0.721.
	medianColour = 721

	// hpMinusV is Hp - V for a star of that colour (B-V = 0.61, V-I = 0.68), in
	// thousandths: ESA SP-1200, vol. 1, table 1.3.5, from memory.
	hpMinusV = 125
)

// johnsonV is Johnson V from the Tycho magnitudes: V = VT - 0.090 (BT - VT)
// (ReadMe, note 7; ESA SP-1200, vol. 1, sect. 1.3). Where one is missing, the
// median colour stands in for BT - VT; where Hp stands in place of VT, its
// usual difference from V is taken off. It counts in whole units of 1e-6
// magnitude, so that every machine finds the same number.
func (f *fields) johnsonV(bt, vt columns, hp bool) float32 {
	b, hasB := f.thousandths(bt)
	v, hasV := f.thousandths(vt)
	var micro int64
	switch {
	case hasV && hp:
		micro = 1000 * (v - hpMinusV)
	case hasV && hasB:
		micro = 1000*v - 90*(b-v)
	case hasV:
		micro = 1000*v - 90*medianColour
	case hasB:
		micro = 1000*(b-medianColour) - 90*medianColour
	default:
		if f.err == nil {
			f.err = fmt.Errorf("no magnitude")
		}
	}
	return float32(float64(micro) / 1e6)
}

// thousandths reads a decimal number with three places; blank is none.
func (f *fields) thousandths(c columns) (int64, bool) {
	text := c.of(f.record)
	if text == "" {
		return 0, false
	}
	whole, places, _ := strings.Cut(text, ".")
	x, err := strconv.ParseInt(whole+places, 10, 64)
	if err == nil && len(places) != 3 {
		err = fmt.Errorf("%q has not three decimal places", text)
	}
	if err != nil && f.err == nil {
		f.err = fmt.Errorf("columns %d to %d: %w", c.from, c.to, err)
	}
	return x, true
}
