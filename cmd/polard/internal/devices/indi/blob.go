package indi

import (
	"bytes"
	"compress/zlib"
	"encoding/base64"
	"fmt"
	"io"
	"strings"

	"polard/cmd/polard/internal/devices"
	"polard/mountmodel/sky"
)

// maxPictureBytes bounds what a compressed picture may unfold to, as for files.
const maxPictureBytes = 256 << 20

// unpack gives the bytes of a picture: base64, and zlib where the format ends in ".z" (protocol,
// section "BLOB"). Size is that of the unpacked bytes; a picture that is shorter was cut off.
func unpack(e element) ([]byte, error) {
	if e.size > maxPictureBytes {
		return nil, sky.Refuse(devices.ErrDevice, "picture_large", "a picture of %d MB; at most %d MB are read", e.size>>20, maxPictureBytes>>20)
	}
	// Servers break the lines; the decoder passes over line ends, but not over blanks.
	data, err := base64.StdEncoding.DecodeString(strings.ReplaceAll(e.value, " ", ""))
	if err != nil {
		return nil, fmt.Errorf("%w: its base64 breaks off", devices.ErrCut)
	}
	format, packed := strings.CutSuffix(strings.ToLower(e.format), ".z")
	if packed {
		z, err := zlib.NewReader(bytes.NewReader(data))
		if err != nil {
			return nil, fmt.Errorf("%w: its compression cannot be read", devices.ErrCut)
		}
		defer z.Close()
		data, err = io.ReadAll(io.LimitReader(z, maxPictureBytes+1))
		if err != nil {
			return nil, fmt.Errorf("%w: its compression breaks off", devices.ErrCut)
		}
		if len(data) > maxPictureBytes {
			return nil, sky.Refuse(devices.ErrDevice, "picture_large", "a picture of more than %d MB", maxPictureBytes>>20)
		}
	}
	// Of formats that are packed inside FITS, the size is that of the plain file.
	inside := strings.HasSuffix(format, ".fz") || strings.HasSuffix(format, ".gz")
	if !inside && int64(len(data)) < e.size {
		return nil, fmt.Errorf("%w: %d of %d bytes", devices.ErrCut, len(data), e.size)
	}
	switch format {
	case ".fits", ".fit", ".fts", ".fits.fz", ".fits.gz":
		return data, nil
	}
	return nil, sky.Refuse(devices.ErrDevice, "picture_format", "the picture is “%s”: set the camera's format of transfer to FITS", e.format)
}
