package fits

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
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

// column is a column of the table; its form is 0 when there is none.
type column struct {
	form    byte // as in TFORM (section 7.3.1)
	element byte // of what a form P or Q points to
	offset  int  // in the row
	repeat  int
}

// formBytes is the size of a value in each form of column (section 7.3.1); X is
// in bits.
var formBytes = map[byte]int{'L': 1, 'B': 1, 'I': 2, 'J': 4, 'K': 8, 'A': 1, 'E': 4, 'D': 8, 'C': 8, 'M': 16, 'P': 8, 'Q': 16}

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
	if err := t.readColumns(s); err != nil {
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
		// Tiles are rows unless told otherwise (section 10.1.2).
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

// readColumns finds the columns of the table.
func (t *tiles) readColumns(s structure) error {
	fields, err := s.integer("TFIELDS", 1, maxAxes)
	if err != nil {
		return err
	}
	offset := 0
	for i := range fields {
		n := strconv.Itoa(i + 1)
		form, err := s.text("TFORM" + n)
		if err != nil {
			return err
		}
		c, bytes, ok := parseForm(form)
		if !ok {
			return fmt.Errorf("%w: TFORM%s is %q, no form of a column", ErrMalformed, n, clean(form))
		}
		c.offset = offset
		if offset += bytes; offset > t.rowBytes {
			return fmt.Errorf("%w: the columns of the compressed image are wider than its rows of %d bytes", ErrMalformed, t.rowBytes)
		}
		name := s["TTYPE"+n].value
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
			if !strings.EqualFold(name, known.name) {
				continue
			}
			if !strings.ContainsRune(known.forms, rune(c.form)) || c.repeat != 1 {
				return fmt.Errorf("%w: column %s has the form %q", ErrMalformed, known.name, clean(form))
			}
			*known.to = c
		}
	}
	if t.compressed.form == 0 {
		return fmt.Errorf("%w: the compressed image has no column COMPRESSED_DATA", ErrMalformed)
	}
	return nil
}

// parseForm reads TFORM: a count, a letter, and for a P or Q the letter of
// what it points to (sections 7.3.1 and 7.3.5).
func parseForm(form string) (c column, size int, ok bool) {
	letter := strings.IndexFunc(form, func(r rune) bool { return r < '0' || r > '9' })
	if letter < 0 {
		return column{}, 0, false
	}
	c = column{form: form[letter], repeat: 1}
	if letter > 0 {
		var err error
		if c.repeat, err = strconv.Atoi(form[:letter]); err != nil || c.repeat > maxUnitBytes/16 {
			return column{}, 0, false
		}
	}
	switch c.form {
	case 'X':
		return c, (c.repeat + 7) / 8, true
	case 'P', 'Q':
		if letter+1 == len(form) || formBytes[form[letter+1]] == 0 {
			return column{}, 0, false
		}
		c.element = form[letter+1]
	}
	one := formBytes[c.form]
	return c, c.repeat * one, one > 0
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
	t.isQuantised = (hasScale || hasZero) && method != "NONE"
	if !t.isQuantised {
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

// unfold decompresses the image: what would stand in the data unit of an
// uncompressed one. data is the data unit of the table.
func (t *tiles) unfold(data []byte) ([]byte, error) {
	// The claims of the header are held against what is there before memory is
	// reserved for them.
	total := 0
	err := t.each(func(row, _ int, shape []int) error {
		from, err := t.locate(data, row)
		if err != nil {
			return err
		}
		// Tiles that share their bytes would let a small file keep the
		// computer busy for hours.
		if total += len(from.bytes); total > len(data)-t.heap {
			return errTileShared
		}
		if len(from.bytes) < t.leastBytes(from, product(shape)) {
			return errTileShort
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	width := t.width()
	out := make([]byte, product(t.axes)*width)
	d := tileDecoder{tiles: t}
	err = t.each(func(row, at int, shape []int) error {
		from, err := t.locate(data, row)
		if err != nil {
			return err
		}
		size := product(shape) * width
		if inOnePiece(shape, t.axes) {
			return d.decode(out[at*width:][:size], data, from, row)
		}
		d.tile = resize(d.tile, size)
		if err := d.decode(d.tile, data, from, row); err != nil {
			return err
		}
		t.scatter(out, d.tile, at, shape)
		return nil
	})
	return out, err
}

// each visits the tiles in the order of rows, along the first axis first: at is
// the index in the image of the tile's first pixel, shape its pixels along each
// axis.
func (t *tiles) each(visit func(row, at int, shape []int) error) error {
	corner, shape := make([]int, len(t.axes)), make([]int, len(t.axes))
	for row := range t.count {
		at, stride := 0, 1
		for i, axis := range t.axes {
			shape[i] = min(t.tile[i], axis-corner[i])
			at += corner[i] * stride
			stride *= axis
		}
		if err := visit(row, at, shape); err != nil {
			return fmt.Errorf("%w: tile %d of %d (%s): %w", ErrMalformed, row+1, t.count, t.algorithm, err)
		}
		for i := range corner {
			if corner[i] += t.tile[i]; corner[i] < t.axes[i] {
				break
			}
			corner[i] = 0
		}
	}
	return nil
}

// tileSource is where the bytes of a tile stand.
type tileSource struct {
	bytes  []byte
	column *column
}

var (
	errTileShared  = errors.New("shares bytes with other tiles")
	errTileEmpty   = errors.New("no column holds data for it")
	errTileOutside = errors.New("its bytes would be outside the table's heap")
	errTileSize    = errors.New("it unfolds to another number of bytes than its pixels have")
)

// locate finds the bytes of a tile: in COMPRESSED_DATA or, where that is empty,
// in what stands in for it (section 10.1.3).
func (t *tiles) locate(data []byte, row int) (tileSource, error) {
	for _, c := range []*column{&t.compressed, &t.gzipped, &t.plain} {
		if c.form == 0 {
			continue
		}
		// A descriptor is a count of elements and an offset in the heap
		// (section 7.3.5).
		cell := data[row*t.rowBytes+c.offset:]
		var count, offset uint64
		if c.form == 'P' {
			count, offset = uint64(binary.BigEndian.Uint32(cell)), uint64(binary.BigEndian.Uint32(cell[4:]))
		} else {
			count, offset = binary.BigEndian.Uint64(cell), binary.BigEndian.Uint64(cell[8:])
		}
		if count == 0 {
			continue
		}
		heap := data[t.heap:]
		if n := uint64(len(heap)); count > n || offset > n || count*uint64(formBytes[c.element]) > n-offset {
			return tileSource{}, errTileOutside
		}
		return tileSource{heap[offset:][:int(count)*formBytes[c.element]], c}, nil
	}
	return tileSource{}, errTileEmpty
}

// leastBytes is the fewest bytes that n pixels can be coded in.
func (t *tiles) leastBytes(from tileSource, n int) int {
	const deflateRatio = 1032 // RFC 1951: 258 bytes in two bits
	switch {
	case from.column == &t.plain:
		return n * t.width()
	case from.column == &t.gzipped, strings.HasPrefix(t.algorithm, "GZIP"):
		return n / deflateRatio
	case t.algorithm == "RICE_1":
		return t.rice.leastBytes(n, t.block)
	case t.algorithm == "HCOMPRESS_1":
		return hcompressHead
	}
	return n
}

// tileDecoder holds what is used again from tile to tile.
type tileDecoder struct {
	*tiles
	tile    []byte  // decoded, on its way to the image
	bytes   []byte  // after gzip
	shuffle []byte  // after the shuffle of GZIP_2 is undone
	numbers []int32 // whole numbers
	wide    []int64 // those of HCOMPRESS
	unzip   gzip.Reader
}

// decode decodes the tile of a row into dst, big-endian numbers of ZBITPIX.
func (d *tileDecoder) decode(dst, data []byte, from tileSource, row int) error {
	n := len(dst) / d.width()
	if from.column == &d.plain {
		if kinds := map[int]byte{8: 'B', 16: 'I', 32: 'J', 64: 'K', -32: 'E', -64: 'D'}; from.column.element != kinds[d.bitpix] || len(from.bytes) != len(dst) {
			return errTileSize
		}
		copy(dst, from.bytes)
		return nil
	}
	src := from.bytes
	switch {
	case from.column == &d.gzipped, d.algorithm == "GZIP_1", d.algorithm == "GZIP_2":
		var err error
		if src, err = d.gunzip(src, n*max(4, d.width())); err != nil {
			return err
		}
		if d.algorithm == "GZIP_2" && from.column == &d.compressed {
			src = d.unshuffle(src, n)
		}
	case d.algorithm == "NOCOMPRESS":
	case d.algorithm == "RICE_1":
		d.numbers = resize(d.numbers, n)
		if err := unrice(d.numbers, src, d.rice, d.block); err != nil {
			return err
		}
		return d.finish(dst, data, row)
	case d.algorithm == "HCOMPRESS_1":
		d.numbers, d.wide = resize(d.numbers, n), resize(d.wide, n)
		if err := hdecompress(d.wide, src, d.smooth); err != nil {
			return err
		}
		for i, v := range d.wide {
			d.numbers[i] = int32(min(max(v, math.MinInt32), math.MaxInt32))
		}
		return d.finish(dst, data, row)
	}
	// Bytes of numbers as they are, of ZBITPIX or, when they stand for
	// something else or are older than that rule, of a size of their own.
	isReal := d.bitpix < 0 && (!d.isQuantised || from.column == &d.gzipped)
	if len(src) == len(dst) && (d.bitpix > 0 || isReal) {
		copy(dst, src)
		return nil
	}
	if isReal {
		return errTileSize
	}
	d.numbers = resize(d.numbers, n)
	switch len(src) {
	case n:
		for i := range d.numbers {
			d.numbers[i] = int32(src[i])
		}
	case 2 * n:
		for i := range d.numbers {
			d.numbers[i] = int32(int16(binary.BigEndian.Uint16(src[2*i:])))
		}
	case 4 * n:
		for i := range d.numbers {
			d.numbers[i] = int32(binary.BigEndian.Uint32(src[4*i:]))
		}
	default:
		return errTileSize
	}
	return d.finish(dst, data, row)
}

// finish makes numbers of ZBITPIX of the whole numbers of a tile. What a lossy
// algorithm pushed beyond the range becomes its end.
func (d *tileDecoder) finish(dst, data []byte, row int) error {
	switch d.bitpix {
	case 8:
		for i, v := range d.numbers {
			dst[i] = byte(min(max(v, 0), math.MaxUint8))
		}
	case 16:
		dst = dst[:2*len(d.numbers)]
		for i, v := range d.numbers {
			binary.BigEndian.PutUint16(dst[2*i:], uint16(min(max(v, math.MinInt16), math.MaxInt16)))
		}
	case 32:
		for i, v := range d.numbers {
			binary.BigEndian.PutUint32(dst[4*i:], uint32(v))
		}
	case 64:
		for i, v := range d.numbers {
			binary.BigEndian.PutUint64(dst[8*i:], uint64(int64(v)))
		}
	default:
		cells := data[row*d.rowBytes:][:d.rowBytes]
		q := d.quantised
		if d.scale.form != 0 {
			q.scale = d.scale.real(cells)
		}
		if d.zero.form != 0 {
			q.zero = d.zero.real(cells)
		}
		if d.blank.form != 0 {
			q.blank = d.blank.whole(cells)
		}
		walk := newDitherer(row, max(1, d.seed))
		if d.bitpix == -32 {
			q.real(d.numbers, walk, func(i int, v float64) {
				binary.BigEndian.PutUint32(dst[4*i:], math.Float32bits(float32(v)))
			})
		} else {
			q.real(d.numbers, walk, func(i int, v float64) {
				binary.BigEndian.PutUint64(dst[8*i:], math.Float64bits(v))
			})
		}
	}
	return nil
}

// real reads the column's cell in a row.
func (c column) real(row []byte) float64 {
	if c.form == 'E' {
		return float64(math.Float32frombits(binary.BigEndian.Uint32(row[c.offset:])))
	}
	return math.Float64frombits(binary.BigEndian.Uint64(row[c.offset:]))
}

func (c column) whole(row []byte) int64 {
	cell := row[c.offset:]
	switch c.form {
	case 'B':
		return int64(cell[0])
	case 'I':
		return int64(int16(binary.BigEndian.Uint16(cell)))
	case 'J':
		return int64(int32(binary.BigEndian.Uint32(cell)))
	}
	return int64(binary.BigEndian.Uint64(cell))
}

// gunzip unfolds a gzip stream of at most limit bytes. What follows the first
// stream is not looked at.
func (d *tileDecoder) gunzip(src []byte, limit int) ([]byte, error) {
	if err := d.unzip.Reset(bytes.NewReader(src)); err != nil {
		return nil, errTileDamage
	}
	d.unzip.Multistream(false)
	d.bytes = resize(d.bytes, limit+1)
	n := 0
	for n < len(d.bytes) {
		m, err := d.unzip.Read(d.bytes[n:])
		n += m
		switch {
		case err == io.EOF: // the check sum was right
			return d.bytes[:n], nil
		case err == io.ErrUnexpectedEOF:
			return nil, errTileShort
		case err != nil:
			return nil, errTileDamage
		}
	}
	return nil, errTileSize
}

// unshuffle undoes the shuffle of GZIP_2 (section 10.4.2): first the highest
// bytes of all n numbers, then the next ones, and so on.
func (d *tileDecoder) unshuffle(src []byte, n int) []byte {
	width := len(src) / n
	if width*n != len(src) {
		return src // refused by its size
	}
	d.shuffle = resize(d.shuffle, len(src))
	for k := range width {
		for i, b := range src[k*n:][:n] {
			d.shuffle[i*width+k] = b
		}
	}
	return d.shuffle
}

// scatter copies a tile, line by line along the first axis, to its place in
// the image.
func (t *tiles) scatter(out, tile []byte, at int, shape []int) {
	width := t.width()
	line := shape[0] * width
	place := make([]int, len(shape))
	for len(tile) > 0 {
		copy(out[at*width:], tile[:line])
		tile = tile[line:]
		stride := t.axes[0]
		for i := 1; i < len(shape); i++ {
			at += stride
			if place[i]++; place[i] < shape[i] {
				break
			}
			at -= shape[i] * stride
			place[i] = 0
			stride *= t.axes[i]
		}
	}
}

// inOnePiece tells whether a tile is one run of pixels: whole along the first
// axes, one pixel thick along the last.
func inOnePiece(shape, axes []int) bool {
	i := 0
	for i < len(shape) && shape[i] == axes[i] {
		i++
	}
	for i++; i < len(shape); i++ {
		if shape[i] != 1 {
			return false
		}
	}
	return true
}

func product(of []int) int {
	p := 1
	for _, n := range of {
		p *= n
	}
	return p
}

// resize gives s the length n, anew when it is too short; the content is lost.
func resize[T any](s []T, n int) []T {
	if cap(s) < n {
		return make([]T, n)
	}
	return s[:n]
}
