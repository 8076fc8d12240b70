package fits

import (
	"bytes"
	"fmt"
)

// imageFound is the unit of a file that holds the frame.
type imageFound struct {
	image   *unit
	primary *unit
	tiles   *tiles // when the image is compressed
	layout  layout
}

// take makes u, plain or compressed, the frame if that can be read.
func (f *imageFound) take(u *unit) error {
	var t *tiles
	axes := u.axes
	if u.kind == tilesUnit {
		var err error
		if t, err = readTiles(u); err != nil {
			return err
		}
		axes = t.axes
	}
	l, err := readLayout(axes)
	if err != nil {
		return err
	}
	f.image, f.tiles, f.layout = u, t, l
	return nil
}

// findImage walks the units of the file up to the first that is an image. If
// there is none, it says what stands in its place: a compressed image before an
// array of another shape, that before a table, that before an empty header.
func findImage(data []byte) (imageFound, error) {
	const (
		empty = iota + 1
		table
		array
		compressed
	)
	var (
		found  imageFound
		reason error
		weight int
	)
	refuse := func(w int, err error) {
		if w > weight {
			weight, reason = w, err
		}
	}
	// What follows the last unit may be anything (section 3.5).
	for start, units := 0, 0; start == 0 || start < len(data) && mayBeExtension(data[start:]); units++ {
		if units == maxUnits {
			return imageFound{}, fmt.Errorf("%w: no image among the first %d units", ErrUnsupported, maxUnits)
		}
		u, err := readUnit(data[start:], start)
		if err != nil {
			return imageFound{}, err
		}
		if start == 0 {
			found.primary = u
		}
		switch u.kind {
		case imageUnit, tilesUnit:
			err := found.take(u)
			switch {
			case err == nil:
				return found, nil
			case u.kind == tilesUnit:
				refuse(compressed, err)
			case len(u.axes) == 0:
				refuse(empty, err)
			default:
				refuse(array, err)
			}
		case groupsUnit:
			refuse(array, fmt.Errorf("%w: random groups (interferometer data), not an image", ErrUnsupported))
		case tableUnit, otherUnit:
			refuse(table, fmt.Errorf("%w: no image, only an extension of type %s", ErrUnsupported, clean(u.name)))
		}
		if have := len(data) - u.dataStart; have < u.dataSize {
			return imageFound{}, fmt.Errorf("%w: %d bytes, at least %d are announced", ErrIncomplete, len(data), u.dataStart+u.dataSize)
		}
		start = u.end()
	}
	return imageFound{}, reason
}

// mayBeExtension tells whether data begins as an extension, as far as it goes.
func mayBeExtension(data []byte) bool {
	n := min(len(data), len(extensionKeyword))
	return bytes.Equal(data[:n], extensionKeyword[:n])
}

// keywords reads the image's own keywords, with those of the primary header
// behind them.
func (f imageFound) keywords() (*header, error) {
	h, err := readKeywords(f.image)
	if err != nil || f.image == f.primary {
		return h, err
	}
	if h.primary, err = readKeywords(f.primary); err != nil {
		return nil, err
	}
	h.warnings = append(h.warnings, h.primary.warnings...)
	return h, nil
}

// rest checks the units behind the image, whose loss does not matter here but
// tells that the file was cut.
func (f imageFound) rest(data []byte) string {
	for start := f.image.end(); start < len(data) && mayBeExtension(data[start:]); {
		u, err := readUnit(data[start:], start)
		if err != nil || len(data)-u.dataStart < u.dataSize {
			return "the image is whole, but an extension behind it is cut off or damaged"
		}
		start = u.end()
	}
	return ""
}
