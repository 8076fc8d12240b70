package fits

import (
	"errors"
	"fmt"
	"io"
	"os"
	"time"
)

// Peek reads as much of a file as tells whether it is whole and when it was
// exposed. Errors other than incompleteness are left to the reading, and so is
// whether a packed file is whole. step, if not nil, is called for each unit of the file, of which there may be many.
func Peek(path string, size int64, step func()) (mid time.Time, err error) {
	f, _, err := openRegular(path)
	if err != nil || size > maxFileBytes {
		return time.Time{}, nil
	}
	defer f.Close()
	defer func() {
		if r := recover(); r != nil {
			mid, err = time.Time{}, nil // reported when the file is read
		}
	}()
	var found imageFound
	for start, units := 0, 0; start == 0 || start < int(size); units++ {
		if found.image == nil && units == maxUnits {
			break // told when it is read
		}
		if step != nil {
			step()
		}
		u, err := unitAt(f, start, int(size))
		if errors.Is(err, ErrIncomplete) {
			return time.Time{}, err
		}
		if err != nil {
			break
		}
		if start == 0 {
			found.primary = u
		}
		if found.image == nil && (u.kind == imageUnit || u.kind == tilesUnit) {
			_ = found.take(u) // what cannot be read is reported when it is read
		}
		if int(size)-u.dataStart < u.dataSize {
			return time.Time{}, fmt.Errorf("%w: %d of at least %d bytes are there", ErrIncomplete, size, u.dataStart+u.dataSize)
		}
		start = u.end()
	}
	if found.image == nil {
		return time.Time{}, nil
	}
	h, err := found.keywords()
	if err != nil {
		return time.Time{}, nil
	}
	return readMoment(h).mid, nil
}

// unitAt reads the header at an offset of a file, in pieces that grow until it
// is whole.
func unitAt(f *os.File, start, size int) (*unit, error) {
	for length := 4 * blockSize; ; length *= 4 {
		data := make([]byte, min(length, size-start))
		n, err := f.ReadAt(data, int64(start))
		if err != nil && !errors.Is(err, io.EOF) {
			return nil, err
		}
		u, err := readUnit(data[:n], start)
		if !errors.Is(err, ErrIncomplete) || length >= size-start {
			return u, err
		}
	}
}
