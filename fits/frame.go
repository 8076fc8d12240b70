package fits

import (
	"errors"
	"time"

	"polard/mountmodel/sky"
)

// Kinds of refusal. They follow what the caller does next.
var (
	// ErrIncomplete: the file is shorter than its header says, so far. Wait
	// for the rest and read again.
	ErrIncomplete = errors.New("incomplete FITS file")
	// ErrMalformed: the bytes are not FITS, or contradict themselves. Skip the
	// file and say why.
	ErrMalformed = errors.New("malformed FITS file")
	// ErrUnsupported: legal FITS of a kind that is not read here. Skip the
	// file and say what to write instead.
	ErrUnsupported = errors.New("unsupported FITS file")
	// ErrFault: reading failed by a fault of this program. Skip the file and
	// report it.
	ErrFault = errors.New("reading it failed inside polard: this is our fault, please report it with the file")
)

// Frame is one exposure: luminance pixels and what its header tells about
// time, optics and pointing. What the header does not tell is the zero value.
type Frame struct {
	// Name is the file's name, for messages.
	Name string
	// Width and Height are columns (NAXIS1) and rows (NAXIS2) in pixels.
	Width, Height int
	// Pix is luminance in physical units of the file (BZERO + BSCALE x stored
	// value; FITS Standard 4.0, section 4.4.2.5), row-major; row 0 is the first
	// row in the file. Three colours are averaged, and so is a mosaic over each
	// pixel's neighbourhood, which shrinks the scatter of white noise to 6/16 and leaves
	// that of a mean of many. Undefined pixels (BLANK, NaN, infinite) are NaN.
	Pix []float32

	// Start and Mid are the beginning and the middle of the exposure in UTC.
	Start, Mid time.Time
	// Exposure is the time from opening to closing of the shutter.
	Exposure time.Duration

	// PixelUm is the size of a pixel of this frame along a row in
	// micrometres, after binning.
	PixelUm float64
	// BinX and BinY are the detector pixels in a pixel of the frame along
	// columns and rows.
	BinX, BinY int
	// FocalMm is the focal length in millimetres as somebody typed it once:
	// often off by several per cent.
	FocalMm float64
	// ScaleHint is the angle a pixel spans near the centre: a hint, never a
	// belief.
	ScaleHint sky.Angle
	// Position is about where the frame points: a hint, never a belief.
	Position *sky.ICRS
	// Saturation is the physical value from which a pixel is no longer
	// proportional to light: stated in the header, or the end of the range of
	// the stored numbers or of a converter of fewer bits.
	Saturation float32
	// Counts tells that the file has one colour in whole numbers of 16 bits, unscaled, as converters
	// give them; what has been worked on is mostly of another form.
	Counts bool
	// Site is the place the header names.
	Site *sky.Site
	// Stated is what the header states of local time, sidereal time and altitude; nil when nothing.
	Stated *sky.Stated
	// Weather is what the header tells of the air; nil when it tells nothing.
	Weather *Weather
	// Instrument and Object are INSTRUME and OBJECT.
	Instrument, Object string
	// ImageType is IMAGETYP as written ("Light Frame", "Dark Frame" ...).
	ImageType string
	// Warnings say, in words for the user, what in the header was
	// contradictory, unreadable or missing and what was done about it.
	Warnings []string
}
