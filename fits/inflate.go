package fits

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
)

const (
	// maxInflated bounds what a gzip file may unfold to: a frame of 128 million
	// 16-bit pixels. A few kilobytes can be made to unfold without end.
	maxInflated = 256 << 20
	// mostUnfolding is how many bytes a byte can unfold to: 258 of each match, whose two
	// codes take a bit each (RFC 1951, sections 3.2.5 and 3.2.7).
	mostUnfolding = 258 * 8 / 2
)

// inflate undoes gzip, recognised by its first bytes (RFC 1952, section 2.3.1). It
// stops early when what comes out does not begin as a FITS file, or claims more than
// limit, and gives the file up to the end of its first image: no more than the headers
// say is reserved for it. What follows is counted, and its checksum is looked at.
func inflate(data []byte, limit int) ([]byte, error) {
	if len(data) < 2 || data[0] != 0x1f || data[1] != 0x8b {
		return data, nil
	}
	failed := func(err error) error {
		if errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.EOF) {
			return fmt.Errorf("%w: the gzip stream breaks off", ErrIncomplete)
		}
		return fmt.Errorf("%w: %w", ErrMalformed, err)
	}
	r, err := gzip.NewReader(bytes.NewReader(data))
	if err != nil {
		return nil, failed(err)
	}
	u := unfolding{r: r, limit: limit, most: mostUnfolding * len(data)}
	if err := u.image(); err != nil {
		if known := errors.Is(err, ErrUnsupported) || errors.Is(err, ErrMalformed) || errors.Is(err, ErrIncomplete); known {
			return nil, err
		}
		return nil, failed(err)
	}
	rest, err := io.Copy(io.Discard, io.LimitReader(r, int64(limit-len(u.out)+1)))
	if err != nil {
		return nil, failed(err)
	}
	if int(rest) > limit-len(u.out) {
		return nil, tooMuch(limit)
	}
	return u.out, nil
}

func tooMuch(limit int) error {
	return fmt.Errorf("%w: unfolds to more than %d MB", ErrUnsupported, limit>>20)
}

// unfolding is a packed file as far as it was unfolded.
type unfolding struct {
	r           io.Reader
	limit, most int // bytes: to be unfolded to, and that there can be
	out         []byte
	ended       bool
}

// upTo unfolds up to a length, or the end. Where that length is known from a header, it is
// reserved at once.
func (u *unfolding) upTo(length int) error {
	if length > u.limit {
		return tooMuch(u.limit)
	}
	if length <= len(u.out) || u.ended {
		return nil
	}
	if cap(u.out) < min(length, u.most) {
		// By a quarter at least: thousands of headers, each a little further on, must not each move all before it.
		room := min(max(length, cap(u.out)+cap(u.out)/4), u.most, u.limit)
		u.out = append(make([]byte, 0, room), u.out...)
	}
	have := len(u.out)
	n, err := io.ReadFull(u.r, u.out[have:min(length, cap(u.out))])
	u.out = u.out[:have+n]
	if errors.Is(err, io.EOF) || err == nil && n < length-have {
		u.ended, err = true, nil
	}
	if errors.Is(err, io.ErrUnexpectedEOF) {
		// The stream has ended, or was cut: the next call tells which.
		u.ended = true
		if _, err = u.r.Read(make([]byte, 1)); errors.Is(err, io.EOF) {
			err = nil
		}
	}
	return err
}

// image unfolds up to the end of the first image that can be read.
func (u *unfolding) image() error {
	for start, units := 0, 0; start == 0 || start < len(u.out) && mayBeExtension(u.out[start:]); units++ {
		if units == maxUnits {
			return nil // told when it is read
		}
		var unit *unit
		for ahead := 8 * blockSize; ; ahead *= 4 {
			if err := u.upTo(min(start+ahead, u.limit)); err != nil {
				return err
			}
			var err error
			if unit, err = readUnit(u.out[min(start, len(u.out)):], start); err == nil {
				break
			}
			if !errors.Is(err, ErrIncomplete) || u.ended || start+ahead >= u.limit {
				if start == 0 && !errors.Is(err, ErrIncomplete) {
					return err
				}
				return nil // reported when it is read
			}
		}
		if err := u.upTo(unit.dataStart + unit.dataSize); err != nil {
			return err
		}
		if u.ended {
			return nil
		}
		if unit.kind == imageUnit || unit.kind == tilesUnit {
			if new(imageFound).take(unit) == nil {
				return nil
			}
		}
		if start = unit.end(); start >= u.limit {
			return nil
		}
		if err := u.upTo(min(start+8*blockSize, u.limit)); err != nil {
			return err
		}
	}
	return nil
}
