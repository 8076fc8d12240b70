package fits

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// tiles is a compressed image: a binary table with a row for each tile
// (section 10.1).
type tiles struct {
	algorithm string
	bitpix    int   // ZBITPIX
	axes      []int // ZNAXISn
	tile      []int // ZTILEn, at most the axis
	count     int   // of tiles

	rowBytes int
	heap     int // where the heap begins in the data unit

	compressed, gzipped, plain column // COMPRESSED_DATA and what may stand in for it
	scale, zero, blank         column // ZSCALE, ZZERO, ZBLANK

	block int      // pixels in a block of Rice coding
	rice  riceCode // for BYTEPIX
	// smooth asks HCOMPRESS to smooth what it has made coarse.
	smooth bool

	isQuantised bool
	quantised   quantised // where no column says otherwise
	seed        int       // ZDITHER0

	warnings []string
}

// tileKeyword tells the keywords that fix how a compressed image is laid out.
func tileKeyword(k string) bool {
	switch k {
	case "TFIELDS", "THEAP", "ZBITPIX", "ZCMPTYPE", "ZQUANTIZ", "ZDITHER0", "ZSCALE", "ZZERO", "ZBLANK", "BLANK", "ZMASKCMP":
		return true
	}
	for _, prefix := range []string{"TTYPE", "TFORM", "ZNAXIS", "ZTILE", "ZNAME", "ZVAL"} {
		if strings.HasPrefix(k, prefix) {
			return true
		}
	}
	return false
}

// readTiles reads the header of a compressed image.
func readTiles(u *unit) (*tiles, error) {
	s := readStructure(u.header, tileKeyword)
	t := &tiles{algorithm: u.name}
	switch t.algorithm {
	case "RICE_1", "GZIP_1", "GZIP_2", "HCOMPRESS_1", "NOCOMPRESS":
	case "RICE_ONE": // an early name
		t.algorithm = "RICE_1"
	default:
		return nil, fmt.Errorf("%w: a compressed image whose algorithm, %s, is not read; save it with RICE_1 or GZIP_1, or uncompressed", ErrUnsupported, clean(t.algorithm))
	}
	if err := t.readShape(s); err != nil {
		return nil, err
	}
	if len(u.axes) != 2 || u.bitpix != 8 {
		return nil, fmt.Errorf("%w: a binary table of %s values of BITPIX %d; it must have two axes of bytes", ErrMalformed, times(u.axes), u.bitpix)
	}
	if u.axes[1] != t.count {
		return nil, fmt.Errorf("%w: a compressed image of %d tiles in a table of %d rows", ErrMalformed, t.count, u.axes[1])
	}
	t.rowBytes = u.axes[0]
	var err error
	if t.heap, err = s.count("THEAP", t.rowBytes*t.count); err != nil {
		return nil, err
	}
	if t.heap < t.rowBytes*t.count || t.heap > u.dataSize {
		return nil, fmt.Errorf("%w: THEAP is %d, not between the table and the end of its %d bytes", ErrMalformed, t.heap, u.dataSize)
	}
	if err := t.findColumns(s); err != nil {
		return nil, err
	}
	if err := t.readParameters(s); err != nil {
		return nil, err
	}
	if err := t.readQuantised(s); err != nil {
		return nil, err
	}
	if _, found := s["ZMASKCMP"]; found {
		t.warnings = append(t.warnings, "undefined pixels that are marked in a mask (ZMASKCMP) were not told from others")
	}
	return t, nil
}

// readShape reads what the image is and how it is cut.
func (t *tiles) readShape(s structure) error {
	var err error
	if t.bitpix, err = s.integer("ZBITPIX", -64, 64); err != nil {
		return err
	}
	switch t.bitpix {
	case 8, 16, 32, 64, -32, -64:
	default:
		return fmt.Errorf("%w: ZBITPIX is %d; it may be 8, 16, 32, 64, -32 or -64", ErrMalformed, t.bitpix)
	}
	naxis, err := s.integer("ZNAXIS", 1, maxAxes)
	if err != nil {
		return err
	}
	pixels, count := 1, 1
	for i := range naxis {
		n := strconv.Itoa(i + 1)
		axis, err := s.integer("ZNAXIS"+n, 0, math.MaxInt32)
		if err != nil {
			return err
		}
		// Tiles are rows unless stated otherwise (section 10.1.2).
		missing := 1
		if i == 0 {
			missing = axis
		}
		tile := missing
		if _, found := s["ZTILE"+n]; found {
			if tile, err = s.integer("ZTILE"+n, 1, math.MaxInt32); err != nil {
				return err
			}
		}
		t.axes = append(t.axes, axis)
		t.tile = append(t.tile, min(tile, axis))
		if axis == 0 {
			pixels = 0
		}
		if pixels > 0 {
			if axis > maxInflated/pixels {
				return fmt.Errorf("%w: a compressed image of more than %d MB", ErrUnsupported, maxInflated>>20)
			}
			pixels *= axis
			count *= (axis-1)/tile + 1 // at most pixels
		}
	}
	if pixels == 0 {
		count = 0
	}
	t.count = count
	if pixels > maxInflated/t.width() {
		return fmt.Errorf("%w: a compressed image of more than %d MB", ErrUnsupported, maxInflated>>20)
	}
	if t.algorithm == "HCOMPRESS_1" && product(t.tile) > maxInflated/8 { // decoded in 64 bits
		return fmt.Errorf("%w: HCOMPRESS_1 in tiles of %s pixels; write smaller ones", ErrUnsupported, times(t.tile))
	}
	return nil
}

// width is the bytes of a pixel.
func (t *tiles) width() int { return max(t.bitpix, -t.bitpix) / 8 }

// findColumns finds the columns of the table that hold what is compressed.
func (t *tiles) findColumns(s structure) error {
	columns, _, err := readColumns(s, t.rowBytes)
	if err != nil {
		return err
	}
	for _, known := range []struct {
		name  string
		to    *column
		forms string
	}{
		{"COMPRESSED_DATA", &t.compressed, "PQ"},
		{"GZIP_COMPRESSED_DATA", &t.gzipped, "PQ"},
		{"UNCOMPRESSED_DATA", &t.plain, "PQ"},
		{"ZSCALE", &t.scale, "DE"},
		{"ZZERO", &t.zero, "DE"},
		{"ZBLANK", &t.blank, "BIJK"},
	} {
		for _, c := range columns {
			if !strings.EqualFold(c.Name, known.name) {
				continue
			}
			if !strings.ContainsRune(known.forms, rune(c.form)) || c.repeat != 1 {
				return fmt.Errorf("%w: column %s has the form %d%c", ErrMalformed, known.name, c.repeat, c.form)
			}
			*known.to = c.column
		}
	}
	if t.compressed.form == 0 {
		return fmt.Errorf("%w: the compressed image has no column COMPRESSED_DATA", ErrMalformed)
	}
	return nil
}

// readParameters reads those of the algorithm (ZNAMEn, ZVALn; section 10.4).
func (t *tiles) readParameters(s structure) error {
	given := map[string]string{}
	for i := 1; ; i++ {
		name, found := s["ZNAME"+strconv.Itoa(i)]
		if !found {
			break
		}
		given[name.value] = "ZVAL" + strconv.Itoa(i)
	}
	parameter := func(name string, missing int) (int, error) {
		if keyword, found := given[name]; found {
			return s.integer(keyword, 0, math.MaxInt32)
		}
		return missing, nil
	}
	switch t.algorithm {
	case "RICE_1":
		var err error
		if t.block, err = parameter("BLOCKSIZE", 32); err != nil {
			return err
		}
		bytepix, err := parameter("BYTEPIX", 4)
		if err != nil {
			return err
		}
		var known bool
		if t.rice, known = riceCodes[bytepix]; !known || t.block != 16 && t.block != 32 {
			return fmt.Errorf("%w: Rice coding in blocks of %d numbers of %d bytes; read are blocks of 16 or 32 and numbers of 1, 2 or 4 bytes", ErrUnsupported, t.block, bytepix)
		}
	case "HCOMPRESS_1":
		smooth, err := parameter("SMOOTH", 0)
		if err != nil {
			return err
		}
		t.smooth = smooth != 0
	}
	if t.bitpix == 64 && (t.algorithm == "RICE_1" || t.algorithm == "HCOMPRESS_1") {
		return fmt.Errorf("%w: 64-bit pixels compressed with %s, which holds at most 32 bits; save them with GZIP_1", ErrUnsupported, t.algorithm)
	}
	return nil
}

// readQuantised reads how whole numbers in the tiles become real ones. Without
// a scale the tiles hold the real numbers themselves.
func (t *tiles) readQuantised(s structure) error {
	value := func(keyword string, c column, missing float64) (v float64, given bool, err error) {
		if c.form != 0 {
			return missing, true, nil
		}
		if _, found := s[keyword]; !found {
			return missing, false, nil
		}
		v, err = s.real(keyword)
		return v, true, err
	}
	var hasScale, hasZero bool
	var err error
	if t.quantised.scale, hasScale, err = value("ZSCALE", t.scale, 1); err != nil {
		return err
	}
	if t.quantised.zero, hasZero, err = value("ZZERO", t.zero, 0); err != nil {
		return err
	}
	if t.bitpix > 0 {
		if hasScale || hasZero || t.blank.form != 0 {
			return fmt.Errorf("%w: a compressed image of whole numbers with a scale or blank for each tile; save it uncompressed", ErrUnsupported)
		}
		return nil
	}
	method := s["ZQUANTIZ"].value
	if t.isQuantised = (hasScale || hasZero) && method != "NONE"; !t.isQuantised {
		if t.algorithm == "RICE_1" || t.algorithm == "HCOMPRESS_1" {
			return fmt.Errorf("%w: real numbers compressed with %s, which takes whole ones, and no ZSCALE", ErrMalformed, t.algorithm)
		}
		return nil
	}
	switch method {
	case "", "NO_DITHER":
	case "SUBTRACTIVE_DITHER_1":
		t.quantised.method = subtractiveDither
	case "SUBTRACTIVE_DITHER_2":
		t.quantised.method = subtractiveDitherZero
	default:
		return fmt.Errorf("%w: ZQUANTIZ is %q, which is not read; save the image uncompressed", ErrUnsupported, clean(method))
	}
	if t.seed, err = s.count("ZDITHER0", 1); err != nil {
		return err
	}
	if t.quantised.method != noDither && (t.seed < 1 || t.seed > ditherLength) {
		return fmt.Errorf("%w: ZDITHER0 is %d, outside 1 to %d", ErrMalformed, t.seed, ditherLength)
	}
	for _, keyword := range []string{"ZBLANK", "BLANK"} {
		if _, found := s[keyword]; found {
			n, err := s.integer(keyword, math.MinInt32, math.MaxInt32)
			if err != nil {
				return err
			}
			t.quantised.blank, t.quantised.hasBlank = int64(n), true
			break
		}
	}
	t.quantised.hasBlank = t.quantised.hasBlank || t.blank.form != 0
	return nil
}
