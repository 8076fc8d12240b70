package fits

import (
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"polard/mountmodel/sky"
)

// Card is one keyword record for [Write]. Value is a string, bool, int or
// float64.
type Card struct {
	Keyword string
	Value   any
	Comment string
}

// Unsigned 16-bit pixels are stored as signed ones with this BZERO (FITS
// Standard 4.0, section 5.2.5, table 11).
const (
	unsigned16Zero = 32768
	unsigned16Max  = 65535
)

// Write writes the frame as a FITS file of 16-bit unsigned pixels (BITPIX 16,
// BZERO 32768): values are rounded to whole numbers and clipped to 0..65535;
// NaN is written as BLANK, and then 0 as 1, since both have one stored value.
// The luminance is written, so no mosaic pattern; a caller whose Pix holds raw
// mosaic values adds BAYERPAT as one of the extra cards.
//
// Zero fields of the frame leave out their keyword. DATE-OBS is the start of
// the exposure, or Mid - Exposure/2 when only Mid is known.
func Write(w io.Writer, f *Frame, extra ...Card) error {
	if f.Width <= 0 || f.Height <= 0 || f.Width > math.MaxInt/f.Height || len(f.Pix) != f.Width*f.Height {
		return fmt.Errorf("write FITS: %d pixels do not fill %d columns by %d rows", len(f.Pix), f.Width, f.Height)
	}
	blanks := false
	for _, v := range f.Pix {
		if v != v {
			blanks = true
			break
		}
	}
	cards := append(pixelCards(f, blanks), frameCards(f)...)
	if err := writeCards(w, append(cards, extra...)); err != nil {
		return err
	}

	size := 2 * len(f.Pix)
	data := make([]byte, size+padding(size))
	lowest := float32(0)
	if blanks {
		lowest = 1
	}
	for i, v := range f.Pix {
		stored := -unsigned16Zero // NaN: BLANK
		if v == v {
			stored = int(math.RoundToEven(float64(min(max(v, lowest), unsigned16Max)))) - unsigned16Zero
		}
		binary.BigEndian.PutUint16(data[2*i:], uint16(int16(stored)))
	}
	if _, err := w.Write(data); err != nil {
		return fmt.Errorf("write FITS data: %w", err)
	}
	return nil
}

// WriteHeader writes a FITS file without pixels that holds what is known of the
// frame, and extra cards: a header to stand beside the frame's own file. The
// frame's size and its hint of a place are left out. There are two axes, as many as
// of an image's world coordinates, of no length (FITS Standard 4.0, section 4.4.1.1:
// no data follow).
func WriteHeader(w io.Writer, f *Frame, extra ...Card) error {
	known := *f
	known.Position = nil
	cards := append([]Card{
		{"SIMPLE", true, "conforms to FITS standard"},
		{"BITPIX", 8, "bits per pixel"},
		{"NAXIS", 2, "number of axes"},
		{"NAXIS1", 0, "no pixels: this is a header only"},
		{"NAXIS2", 0, ""},
	}, frameCards(&known)...)
	return writeCards(w, append(cards, extra...))
}

func writeCards(w io.Writer, cards []Card) error {
	var header []byte
	for _, c := range cards {
		card, err := formatCard(c)
		if err != nil {
			return fmt.Errorf("write FITS: %w", err)
		}
		header = append(header, card...)
	}
	header = fmt.Appendf(header, "%-*s", cardSize, "END")
	header = append(header, strings.Repeat(" ", padding(len(header)))...)
	if _, err := w.Write(header); err != nil {
		return fmt.Errorf("write FITS header: %w", err)
	}
	return nil
}

// pixelCards say how the pixels are stored.
func pixelCards(f *Frame, blanks bool) []Card {
	cards := []Card{
		{"SIMPLE", true, "conforms to FITS standard"},
		{"BITPIX", 16, "bits per pixel"},
		{"NAXIS", 2, "number of axes"},
		{"NAXIS1", f.Width, "columns"},
		{"NAXIS2", f.Height, "rows"},
		{"BSCALE", 1, "physical = BZERO + BSCALE x stored"},
		{"BZERO", unsigned16Zero, "unsigned 16-bit pixels"},
	}
	if blanks {
		cards = append(cards, Card{"BLANK", -unsigned16Zero, "stored value of an undefined pixel"})
	}
	return cards
}

// frameCards say what is known of the exposure.
func frameCards(f *Frame) []Card {
	var cards []Card
	start := f.Start
	if start.IsZero() && !f.Mid.IsZero() {
		start = f.Mid.Add(-f.Exposure / 2)
	}
	if !start.IsZero() {
		cards = append(cards, Card{"DATE-OBS", formatTime(start), "start of exposure, UTC"})
	}
	if !f.Mid.IsZero() {
		cards = append(cards, Card{"DATE-AVG", formatTime(f.Mid), "middle of exposure, UTC"})
	}
	if !start.IsZero() || !f.Mid.IsZero() {
		cards = append(cards, Card{"TIMESYS", "UTC", "time scale of the dates"})
	}
	if f.Exposure > 0 {
		cards = append(cards, Card{"EXPTIME", f.Exposure.Seconds(), "exposure [s]"})
	}
	if f.PixelUm > 0 {
		cards = append(cards,
			Card{"XPIXSZ", f.PixelUm, "pixel width after binning [um]"},
			Card{"YPIXSZ", f.PixelUm, "pixel height after binning [um]"})
	}
	if f.BinX > 0 && f.BinY > 0 {
		cards = append(cards, Card{"XBINNING", f.BinX, "binning along a row"}, Card{"YBINNING", f.BinY, "binning along a column"})
	}
	if f.FocalMm > 0 {
		cards = append(cards, Card{"FOCALLEN", f.FocalMm, "focal length [mm]"})
	}
	if f.Position != nil {
		ra, dec := sky.RADecFromICRS(*f.Position)
		cards = append(cards, Card{"RA", ra.Degrees(), "pointing, ICRS [deg]"}, Card{"DEC", dec.Degrees(), "pointing, ICRS [deg]"})
	}
	if f.Site != nil {
		cards = append(cards,
			Card{"SITELAT", f.Site.Latitude.Degrees(), "geodetic latitude [deg]"},
			Card{"SITELONG", f.Site.Longitude.Degrees(), "longitude, east positive [deg]"},
			Card{"SITEELEV", f.Site.ElevationM, "height above sea level [m]"})
	}
	if f.Saturation > 0 {
		cards = append(cards, Card{"SATURATE", float64(f.Saturation), "saturation level"})
	}
	for _, text := range []Card{
		{"INSTRUME", f.Instrument, "camera"},
		{"OBJECT", f.Object, "target"},
		{"IMAGETYP", f.ImageType, "type of frame"},
	} {
		if text.Value != "" {
			cards = append(cards, text)
		}
	}
	return cards
}

// formatTime writes the ISO 8601 form of FITS Standard 4.0, section 9.1.1, to
// the millisecond, or to the nanosecond where the time has one.
func formatTime(t time.Time) string {
	if t.Nanosecond()%int(time.Millisecond) == 0 {
		return t.UTC().Format("2006-01-02T15:04:05.000")
	}
	return t.UTC().Format("2006-01-02T15:04:05.000000000")
}

// formatCard writes a keyword record in fixed format (FITS Standard 4.0,
// section 4.2). A comment that does not fit is cut, one that is not ASCII left
// out; a value that does not fit
// is an error.
func formatCard(c Card) ([]byte, error) {
	if !legalKeyword(c.Keyword) {
		return nil, fmt.Errorf("keyword %q: use 1 to 8 of A-Z, 0-9, - and _", c.Keyword)
	}
	var value string
	switch v := c.Value.(type) {
	case string:
		if !printable(v) {
			return nil, fmt.Errorf("keyword %s: %q has characters other than printable ASCII", c.Keyword, v)
		}
		value = fmt.Sprintf("%-20s", fmt.Sprintf("'%-8s'", strings.ReplaceAll(v, "'", "''")))
	case bool:
		value = fmt.Sprintf("%20s", map[bool]string{true: "T", false: "F"}[v])
	case int:
		value = fmt.Sprintf("%20d", v)
	case float64:
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil, fmt.Errorf("keyword %s: %g cannot be written", c.Keyword, v)
		}
		value = fmt.Sprintf("%20s", formatFloat(v))
	default:
		return nil, fmt.Errorf("keyword %s: a %T cannot be written (string, bool, int or float64)", c.Keyword, c.Value)
	}
	card := fmt.Sprintf("%-8s= %s", c.Keyword, value)
	if len(card) > cardSize {
		return nil, fmt.Errorf("keyword %s: the value is longer than a card", c.Keyword)
	}
	if c.Comment != "" && printable(c.Comment) {
		card += " / " + c.Comment
	}
	return fmt.Appendf(nil, "%-*.*s", cardSize, cardSize, card), nil
}
