package main

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"polard/cmd/polard/internal/pipeline"
	"polard/fits"
	"polard/mountmodel/sky"
	"polard/solve"
	"polard/solve/camera"
)

// headerSuffix is added to a frame's whole name, so that a.fit and a.fits keep
// apart.
const headerSuffix = ".hdr"

// headerMark is the value of CREATOR with which our headers begin; a file
// without it is somebody else's and stays.
const headerMark = "polard solve --wcs"

// headerFolder is where `polard solve --wcs` writes.
type headerFolder struct{ path string }

// openHeaderFolder checks before the work what could go wrong after it: the folder,
// two frames with one name, and files there that are not ours.
func openHeaderFolder(path string, frames []string) (*headerFolder, error) {
	if path == "" {
		return nil, wrongCall("--wcs stands without its value: give the folder for the headers")
	}
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if err := os.Mkdir(path, 0o777); err != nil {
			return nil, wrongCall("--wcs %s: the folder is not there and cannot be made: %v", path, plainReason(err))
		}
	case err != nil:
		return nil, wrongCall("--wcs %s: the folder cannot be used: %v", path, plainReason(err))
	case !info.IsDir():
		return nil, wrongCall("--wcs %s is a file: give a folder", path)
	}
	h := &headerFolder{path}
	// Whether the folder takes files shows only when one is written.
	probe, err := os.CreateTemp(path, ".polard-*")
	if err != nil {
		return nil, wrongCall("--wcs %s: the folder takes no files: %v", path, plainReason(err))
	}
	if err := errors.Join(probe.Close(), os.Remove(probe.Name())); err != nil {
		return nil, wrongCall("--wcs %s: the folder takes no files: %v", path, plainReason(err))
	}
	from := map[string]string{}
	for _, frame := range frames {
		target := h.target(frame)
		if other, taken := from[target]; taken && other != frame {
			return nil, wrongCall("%s and %s would share the header %s: solve them with two folders", other, frame, target)
		}
		from[target] = frame
		if err := free(target); err != nil {
			return nil, callError{err}
		}
	}
	return h, nil
}

func (h *headerFolder) target(frame string) string {
	return filepath.Join(h.path, filepath.Base(frame)+headerSuffix)
}

// free tells whether a header may be written at a path, by the reason why not.
func free(path string) error {
	info, err := os.Lstat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("%s cannot be looked at: %v", path, plainReason(err))
	}
	if !info.Mode().IsRegular() {
		return fmt.Errorf("%s is there and is no plain file: move it away or give another folder", path)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return fmt.Errorf("%s is there and cannot be read: %v", path, plainReason(err))
	}
	if !bytes.Contains(data[:min(len(data), headerMarkWithin)], []byte("CREATOR = '"+headerMark+"'")) {
		return fmt.Errorf("%s is there and was not written by polard: move it away or give another folder", path)
	}
	return nil
}

// headerMarkWithin bounds where the mark stands: the first block of a FITS file.
const headerMarkWithin = 2880

// plainReason is why a file operation failed, without the operation's name and
// path, which stand beside it.
func plainReason(err error) error {
	var path *fs.PathError
	if errors.As(err, &path) {
		return path.Err
	}
	return err
}

// write writes the header of a solved frame and gives its path. An older one of
// ours is replaced as a whole.
func (h *headerFolder) write(o pipeline.Outcome) (string, error) {
	wcs, err := o.Solution.WCS()
	if err != nil {
		return "", err
	}
	target := h.target(o.Path)
	if err := free(target); err != nil {
		return "", err
	}
	var b bytes.Buffer
	if err := fits.WriteHeader(&b, o.Frame, headerCards(o.Solution, wcs)...); err != nil {
		return "", err
	}
	part, err := os.CreateTemp(h.path, ".polard-*")
	if err != nil {
		return "", err
	}
	_, err = part.Write(b.Bytes())
	err = errors.Join(err, part.Chmod(0o644), part.Close())
	if err == nil {
		err = os.Rename(part.Name(), target)
	}
	if err != nil {
		_ = os.Remove(part.Name())
		return "", err
	}
	return target, nil
}

// headerCards are the keywords of FITS Standard 4.0, section 8, and of the SIP
// convention. Pixels count from 1 there.
func headerCards(s *solve.Solution, w *camera.WCS) []fits.Card {
	ra, dec := sky.RADecFromICRS(w.At)
	cards := []fits.Card{
		{Keyword: "CREATOR", Value: headerMark, Comment: "world coordinates of a frame"},
		{Keyword: "FRAMECOL", Value: s.Width, Comment: "columns of the frame"},
		{Keyword: "FRAMEROW", Value: s.Height, Comment: "rows of the frame"},
		{Keyword: "WCSAXES", Value: 2},
		{Keyword: "CTYPE1", Value: "RA---TAN-SIP", Comment: "tangent plane and SIP polynomials"},
		{Keyword: "CTYPE2", Value: "DEC--TAN-SIP"},
		{Keyword: "CUNIT1", Value: "deg"},
		{Keyword: "CUNIT2", Value: "deg"},
		{Keyword: "RADESYS", Value: "ICRS", Comment: "places at the epoch of the exposure"},
		{Keyword: "EQUINOX", Value: 2000.0},
		{Keyword: "CRPIX1", Value: w.Reference.X + 1, Comment: "optical axis, first column is 1"},
		{Keyword: "CRPIX2", Value: w.Reference.Y + 1, Comment: "first row is 1"},
		{Keyword: "CRVAL1", Value: ra.Degrees(), Comment: "[deg] right ascension there"},
		{Keyword: "CRVAL2", Value: dec.Degrees(), Comment: "[deg] declination there"},
		{Keyword: "LONPOLE", Value: 180.0},
		{Keyword: "CD1_1", Value: w.CD[0][0], Comment: "[deg] per pixel"},
		{Keyword: "CD1_2", Value: w.CD[0][1]},
		{Keyword: "CD2_1", Value: w.CD[1][0]},
		{Keyword: "CD2_2", Value: w.CD[1][1]},
	}
	for _, p := range []struct {
		name, comment string
		camera.Polynomial
	}{
		{"A", "pixel to sky", w.A}, {"B", "pixel to sky", w.B}, {"AP", "sky to pixel", w.AP}, {"BP", "sky to pixel", w.BP},
	} {
		cards = append(cards, fits.Card{Keyword: p.name + "_ORDER", Value: p.Order(), Comment: p.comment})
		for i, row := range p.Polynomial {
			for j, c := range row {
				if i+j >= 2 {
					cards = append(cards, fits.Card{Keyword: fmt.Sprintf("%s_%d_%d", p.name, i, j), Value: c})
				}
			}
		}
	}
	return append(cards,
		fits.Card{Keyword: "SIPRESID", Value: w.Residual, Comment: "[pixel] keywords against the fit, largest"},
		fits.Card{Keyword: "MATCHED", Value: len(s.Pairs), Comment: "stars behind the fit"},
		fits.Card{Keyword: "MATCHRMS", Value: s.RMS.Arcseconds(), Comment: "[arcsec] their radial residual"},
		fits.Card{Keyword: "PROGRAM", Value: strings.TrimSpace(programName()), Comment: "Tycho-2 catalogue"})
}
