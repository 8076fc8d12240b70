package main

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"polard/cmd/polard/internal/pipeline"
	"polard/fits"
	"polard/mountmodel/sky"

	"github.com/spf13/cobra"
)

// hintFlags are the options that say what is believed about the frames.
type hintFlags struct {
	scale, field float64
	near         string
}

func (h *hintFlags) add(c *cobra.Command) {
	c.Flags().Float64Var(&h.scale, "scale", 0, "arcseconds per pixel, about (`ARCSEC_PX`); without it the header or nothing is believed")
	c.Flags().Float64Var(&h.field, "field", 0, "length of the frame's longer side in degrees, about (`DEG`)")
	c.Flags().StringVar(&h.near, "near", "", "where the frames point, about: right ascension and declination in degrees, or as 5:35:17,-5:23:28 (`RA,DEC`)")
}

// Limits of a scale or field that could be meant.
const (
	largestScaleArcsec = 1000
	largestFieldDeg    = 120
)

func (h *hintFlags) apply(c *cobra.Command, p *pipeline.Pipeline) error {
	if c.Flags().Changed("scale") && c.Flags().Changed("field") {
		return wrongCall("--scale and --field say the same thing: give one of them")
	}
	if c.Flags().Changed("scale") {
		if !(h.scale > 0 && h.scale <= largestScaleArcsec) {
			return wrongCall("--scale %g: give arcseconds per pixel, above 0 and up to %d", h.scale, largestScaleArcsec)
		}
		p.Scale = sky.Angle(h.scale) * sky.Arcsecond
	}
	if c.Flags().Changed("field") {
		if !(h.field > 0 && h.field <= largestFieldDeg) {
			return wrongCall("--field %g: give the longer side in degrees, above 0 and up to %d", h.field, largestFieldDeg)
		}
		p.Field = sky.Angle(h.field) * sky.Degree
	}
	if c.Flags().Changed("near") {
		at, err := parsePlace(h.near)
		if err != nil {
			return err
		}
		p.Near = &at
	}
	return nil
}

// parsePlace reads right ascension and declination, both in degrees or sexagesimal; right ascension is in hours then.
func parsePlace(s string) (sky.ICRS, error) {
	raText, decText, two := strings.Cut(s, ",")
	ra, hours, okRA := parseAngle(raText)
	dec, _, okDec := parseAngle(decText)
	if hours {
		ra *= 15
	}
	if two && okRA && okDec && ra >= 0 && ra <= 360 && math.Abs(dec) <= 90 {
		return sky.ICRSFromRADec(sky.Angle(ra)*sky.Degree, sky.Angle(dec)*sky.Degree), nil
	}
	return sky.ICRS{}, wrongCall("--near %q: give right ascension (0 to 360) and declination (-90 to 90) in degrees, such as 83.8,-5.4, or in hours and degrees, such as 5:35:17,-5:23:28", s)
}

// parseAngle reads a number alone, or a sexagesimal one.
func parseAngle(s string) (v float64, sexagesimal, ok bool) {
	s = strings.TrimSpace(s)
	if v, err := strconv.ParseFloat(s, 64); err == nil {
		return v, false, true
	}
	v, parts, ok := fits.ParseSexagesimal(s)
	return v, true, ok && parts > 1
}

func newSolve() *cobra.Command {
	var hints hintFlags
	var asJSON bool
	var wcsFolder string
	c := &cobra.Command{
		Use:   "solve FRAME.fits ...",
		Short: "tell where frames point",
		Long: `solve matches the stars of each frame against the bundled catalogue and prints
where the middle of the frame points, at which scale and angle. The whole sky is
searched; options and header only make it faster.

With --wcs, the world coordinates of each solved frame are written as a FITS header
without pixels, DIR/FRAME.fits` + headerSuffix + `: a tangent plane with SIP polynomials (RA---TAN-SIP,
DEC--TAN-SIP), ICRS places at the epoch of the exposure. DIR is made if its parent is there;
of what it holds, only headers that polard wrote are replaced.

Exit status: 0 all frames solved, 1 some did not, 2 the call was wrong.`,
		Example: "  polard solve night/frame_001.fits\n  polard solve --json --scale 3.7 night/*.fits\n  polard solve --wcs headers night/*.fits",
		Args:    someFrames,
		RunE: func(c *cobra.Command, args []string) error {
			p, err := pipeline.New()
			if err != nil {
				return err
			}
			if err := hints.apply(c, p); err != nil {
				return err
			}
			var headers *headerFolder
			if c.Flags().Changed("wcs") {
				if headers, err = openHeaderFolder(wcsFolder, args); err != nil {
					return err
				}
			}
			failed := false
			for _, path := range args {
				o := p.ReadFile(c.Context(), path)
				if err := c.Context().Err(); err != nil {
					return err
				}
				header := ""
				if o.Solution != nil && headers != nil {
					if header, err = headers.write(o); err != nil {
						fmt.Fprintf(terminal{c.ErrOrStderr()}, "polard: %s is solved, but has no header: %v\n", shownName(path), err)
						failed = true
					}
				}
				failed = failed || o.Solution == nil
				if err := printSolved(c.OutOrStdout(), o, header, asJSON); err != nil {
					return err
				}
			}
			if failed {
				return errNotFound
			}
			return nil
		},
	}
	hints.add(c)
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object a line")
	c.Flags().StringVar(&wcsFolder, "wcs", "", "folder for a FITS header with world coordinates for each solved frame (`DIR`)")
	return c
}

// The wire form of a solved or unsolved frame; units in the keys.
type (
	solvedJSON struct {
		File        string     `json:"file"`
		Solved      bool       `json:"solved"`
		RADeg       float64    `json:"ra_deg"`
		DecDeg      float64    `json:"dec_deg"`
		ScaleArcsec float64    `json:"scale_arcsec_px"`
		RotationDeg float64    `json:"rotation_deg"`
		Mirrored    bool       `json:"mirrored"`
		Detected    int        `json:"detected"`
		Matched     int        `json:"matched"`
		RMSArcsec   float64    `json:"rms_arcsec"`
		FWHMPx      float64    `json:"fwhm_px"` // of the frame's stars: how well it is focused
		Sigma       sigmaJSON  `json:"sigma"`
		Log10Odds   float64    `json:"log10_odds"`
		FieldDeg    [2]float64 `json:"field_deg"`
		WCS         string     `json:"wcs,omitempty"` // path of the header, with --wcs
		MS          msJSON     `json:"ms"`
	}
	// sigmaJSON is what the frame claims of itself: one-sigma errors of where its middle looks,
	// along columns' and rows' growth, of the rotation about it and of the scale.
	sigmaJSON struct {
		AlongXArcsec float64 `json:"along_x_arcsec"`
		AlongYArcsec float64 `json:"along_y_arcsec"`
		RotationDeg  float64 `json:"rotation_deg"`
		ScaleArcsec  float64 `json:"scale_arcsec_px"`
	}
	unsolvedJSON struct {
		File     string    `json:"file"`
		Solved   bool      `json:"solved"`
		Error    errorJSON `json:"error"`
		Detected int       `json:"detected"`
		MS       msJSON    `json:"ms"`
	}
	errorJSON struct {
		Code    string `json:"code"`
		Message string `json:"message"`
	}
	msJSON struct {
		Read   float64 `json:"read"`
		Detect float64 `json:"detect"`
		Match  float64 `json:"match"`
		Total  float64 `json:"total"`
	}
)

func msOf(o pipeline.Outcome) msJSON {
	ms := func(d time.Duration) float64 { return float64(d.Round(10*time.Microsecond)) / 1e6 }
	return msJSON{ms(o.ReadFor), ms(o.Times.Detect), ms(o.Times.Match), ms(o.ReadFor + o.Times.Detect + o.Times.Match)}
}

func solvedOf(o pipeline.Outcome, header string) solvedJSON {
	s := o.Solution
	ra, dec := sky.RADecFromICRS(s.ICRS(s.Centre()))
	w, h := s.FieldDeg()
	alongX, alongY, rotation := s.SigmaOfDetector()
	return solvedJSON{
		File: o.Path, Solved: true,
		RADeg: ra.Degrees(), DecDeg: dec.Degrees(),
		ScaleArcsec: s.Scale.Arcseconds(), RotationDeg: s.RotationOfRows().Degrees(), Mirrored: s.Mirrored,
		Detected: o.Detected, Matched: len(s.Pairs),
		RMSArcsec: s.RMS.Arcseconds(), FWHMPx: s.Detected.FWHM,
		Sigma:     sigmaJSON{alongX.Arcseconds(), alongY.Arcseconds(), rotation.Degrees(), s.ScaleSigma.Arcseconds()},
		Log10Odds: s.Log10Odds,
		FieldDeg:  [2]float64{w, h}, WCS: header, MS: msOf(o),
	}
}

func unsolvedOf(o pipeline.Outcome) unsolvedJSON {
	return unsolvedJSON{File: o.Path, Error: errorJSON{o.Problem.Code, o.Problem.Message}, Detected: o.Detected, MS: msOf(o)}
}

func printSolved(w io.Writer, o pipeline.Outcome, header string, asJSON bool) error {
	if asJSON {
		if o.Solution == nil {
			return writeJSON(w, unsolvedOf(o))
		}
		return writeJSON(w, solvedOf(o, header))
	}
	if o.Solution == nil {
		_, err := fmt.Fprintf(terminal{w}, "%s: not solved: %s\n", shownName(o.Path), o.Problem.Message)
		return err
	}
	s := solvedOf(o, header)
	mirrored := ""
	if s.Mirrored {
		mirrored = ", mirrored"
	}
	written := ""
	if s.WCS != "" {
		written = "; header " + shownName(s.WCS)
	}
	_, err := fmt.Fprintf(terminal{w}, "%s: right ascension %.4f (%s), declination %+.4f degrees (%s); field %.2f x %.2f degrees, %.3f\" per pixel, rows grow towards position angle %.1f%s; %d of %d stars matched to %.2f\"%s\n",
		shownName(o.Path), s.RADeg, hoursOf(s.RADeg), s.DecDeg, degreesOf(s.DecDeg), s.FieldDeg[0], s.FieldDeg[1], s.ScaleArcsec, s.RotationDeg, mirrored, s.Matched, s.Detected, s.RMSArcsec, written)
	return err
}

// hoursOf is a right ascension in hours, minutes and seconds, to the tenth.
func hoursOf(deg float64) string {
	tenths := int64(math.Round(deg/15*36000)) % 864000
	return fmt.Sprintf("%02dh %02dm %02d.%ds", tenths/36000, tenths/600%60, tenths/10%60, tenths%10)
}

// degreesOf is a declination in degrees, minutes and seconds of arc.
func degreesOf(deg float64) string {
	sign, seconds := "+", int64(math.Round(math.Abs(deg)*3600))
	if deg < 0 {
		sign = "-"
	}
	return fmt.Sprintf("%s%02d\u00b0 %02d' %02d\"", sign, seconds/3600, seconds/60%60, seconds%60)
}
