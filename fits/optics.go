package fits

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"polard/mountmodel/sky"
)

// optics is what the header tells about scale and pointing: hints.
type optics struct {
	pixelUm    float64
	binX, binY int
	focalMm    float64
	scale      sky.Angle
	position   *sky.ICRS
	warnings   []string
}

// Believable values. What lies outside was written in another unit or not
// filled in, and is passed over with a warning (zero silently: common practice
// for "unknown").
const (
	minPixelUm, maxPixelUm         = 0.5, 100.0
	minFocalMm, maxFocalMm         = 1.0, 50000.0
	minScaleArcsec, maxScaleArcsec = 0.01, 3600.0
	maxBinning                     = 64
	// scaleAgreement: the share by which pixel size over focal length and a
	// scale stated outright may differ before it is reported. Focal lengths off by
	// 5 % are everyday.
	scaleAgreement = 0.1
)

// readOptics reads pixel size, binning, focal length, scale and pointing.
//
// The scale is, in this order: that of a celestial world coordinate system;
// one stated outright; pixel size over focal length. XPIXSZ is the size after
// binning (common practice: the comment that the trade's oldest convention
// writes beside it says so; programs that write the bare size are off by the
// binning, which is reported when there is any). PIXSIZE1 and PIXSIZE are sizes on
// the sensor and are multiplied by the binning.
func readOptics(h *header, width, height int) optics {
	var o optics
	warn := func(format string, args ...any) { o.warnings = append(o.warnings, fmt.Sprintf(format, args...)) }
	within := func(low, high float64, keywords ...string) (float64, string) {
		for _, k := range keywords {
			v, _, ok := h.number(k)
			switch {
			case !ok || v == 0:
			case v >= low && v <= high:
				return v, k
			default:
				warn("%s = %g is outside %g to %g and was passed over", k, v, low, high)
			}
		}
		return 0, ""
	}
	binning := func(keywords ...string) int {
		v, _ := within(1, maxBinning, keywords...)
		return int(v)
	}
	o.binX = binning("XBINNING", "BINX1", "BINX", "CCDXBIN", "XBIN")
	o.binY = binning("YBINNING", "BINX2", "BINY", "CCDYBIN", "YBIN")
	if text, _, ok := h.text("CCDSUM", "BINNING"); ok && o.binX == 0 {
		if x, y, ok := binningOf(text); ok {
			o.binX, o.binY = x, y
		}
	}

	if v, _ := within(minPixelUm, maxPixelUm, "XPIXSZ"); v > 0 {
		o.pixelUm = v
		if o.binX > 1 {
			warn("binning %d: XPIXSZ = %g um is taken as the size after binning", o.binX, v)
		}
	} else if v, _ := within(minPixelUm, maxPixelUm, "PIXSIZE1", "PIXSIZE", "PIXELSZ"); v > 0 {
		o.pixelUm = v * float64(max(1, o.binX))
	}
	o.focalMm, _ = within(minFocalMm, maxFocalMm, "FOCALLEN", "FOCAL", "FOCLEN")

	var computed sky.Angle
	if o.pixelUm > 0 && o.focalMm > 0 {
		computed = sky.Atan2(o.pixelUm/1000, o.focalMm)
	}
	o.scale = computed
	if v, key := within(minScaleArcsec, maxScaleArcsec, "PIXSCALE", "PIXSCAL1", "SCALE", "SECPIX", "SECPIX1", "IM_SCALE"); v > 0 {
		o.scale = sky.Angle(v) * sky.Arcsecond
		if computed > 0 && math.Abs(float64(computed/o.scale)-1) > scaleAgreement {
			warn("%s is %.2f arcsec per pixel, pixel size and focal length make %.2f; %s was taken", key, v, computed.Arcseconds(), key)
		}
	}
	if w, ok := readWCS(h); ok {
		if s := w.scale().Arcseconds(); s >= minScaleArcsec && s <= maxScaleArcsec {
			o.scale = w.scale()
		}
		p := readEquinox(h).toICRS(w.at(float64(width+1)/2, float64(height+1)/2)) // FITS counts pixels from 1
		o.position = &p
		return o
	}
	o.position = readPointing(h, warn)
	return o
}

// binningOf reads both in one text: "2 2", "2x2".
func binningOf(text string) (x, y int, ok bool) {
	parts := strings.FieldsFunc(text, func(r rune) bool { return r == ' ' || r == 'x' || r == 'X' || r == ',' })
	if len(parts) != 2 {
		return 0, 0, false
	}
	x, errX := strconv.Atoi(parts[0])
	y, errY := strconv.Atoi(parts[1])
	return x, y, errX == nil && errY == nil && x >= 1 && x <= maxBinning && y >= 1 && y <= maxBinning
}

// wcs is the linear part of a celestial world coordinate system in tangent
// projection (section 8; Calabretta & Greisen 2002, A&A 395, 1077).
type wcs struct {
	value [2]float64    // CRVAL, degrees
	pixel [2]float64    // CRPIX, from 1
	cd    [2][2]float64 // degrees a pixel
}

// readWCS reads CTYPE, CRVAL, CRPIX and CDi_j, or CDELTi with PCi_j or CROTA2.
// Distortion terms are left out: this is a hint. Other projections than TAN
// differ from it by less than a field near the reference point.
func readWCS(h *header) (wcs, bool) {
	x, _, _ := h.text("CTYPE1")
	y, _, _ := h.text("CTYPE2")
	if !strings.HasPrefix(x, "RA--") || !strings.HasPrefix(y, "DEC-") {
		return wcs{}, false
	}
	var w wcs
	for i := range 2 {
		n := strconv.Itoa(i + 1)
		var okValue, okPixel bool
		w.value[i], _, okValue = h.number("CRVAL" + n)
		w.pixel[i], _, okPixel = h.number("CRPIX" + n)
		if !okValue || !okPixel || math.Abs(w.value[i]) > 360 || math.Abs(w.pixel[i]) > maxPixels {
			return wcs{}, false
		}
		delta, _, hasDelta := h.number("CDELT" + n)
		if !hasDelta {
			delta = 1
		}
		for j := range 2 {
			m := strconv.Itoa(j + 1)
			if v, _, ok := h.number("CD" + n + "_" + m); ok {
				w.cd[i][j] = v
			} else if v, _, ok := h.number("PC" + n + "_" + m); ok {
				w.cd[i][j] = v * delta
			} else if i == j && hasDelta {
				w.cd[i][j] = delta
			}
		}
	}
	if rota, _, ok := h.number("CROTA2"); ok && w.cd[0][1] == 0 && w.cd[1][0] == 0 {
		r := sky.Angle(rota) * sky.Degree
		dx, dy := w.cd[0][0], w.cd[1][1]
		w.cd = [2][2]float64{{dx * r.Cos(), -dy * r.Sin()}, {dx * r.Sin(), dy * r.Cos()}}
	}
	return w, w.scale() > 0
}

// scale is the angle of a pixel: the square root of its area.
func (w wcs) scale() sky.Angle {
	return sky.Angle(math.Sqrt(math.Abs(w.cd[0][0]*w.cd[1][1]-w.cd[0][1]*w.cd[1][0]))) * sky.Degree
}

// at is the direction of a pixel in the header's frame, counted from 1: tangent projection
// backwards (Calabretta & Greisen 2002, eqs. 14, 15 and 54, 55) as vectors.
func (w wcs) at(x, y float64) sky.ICRS {
	dx, dy := x-w.pixel[0], y-w.pixel[1]
	east := (sky.Angle(w.cd[0][0]*dx+w.cd[0][1]*dy) * sky.Degree).Radians()
	north := (sky.Angle(w.cd[1][0]*dx+w.cd[1][1]*dy) * sky.Degree).Radians()
	ra, dec := sky.Angle(w.value[0])*sky.Degree, sky.Angle(w.value[1])*sky.Degree
	c := sky.ICRSFromRADec(ra, dec)
	return sky.Unit(sky.ICRS{
		X: c.X - east*ra.Sin() - north*dec.Sin()*ra.Cos(),
		Y: c.Y + east*ra.Cos() - north*dec.Sin()*ra.Sin(),
		Z: c.Z + north*dec.Cos(),
	})
}

// readPointing reads where the mount said it pointed. Numbers are degrees;
// right ascension in sexagesimal form is hours.
func readPointing(h *header, warn func(string, ...any)) *sky.ICRS {
	for _, pair := range [][2]string{{"OBJCTRA", "OBJCTDEC"}, {"RA", "DEC"}, {"TELRA", "TELDEC"}, {"RA_OBJ", "DEC_OBJ"}} {
		ra, hours, okRA := angle(h, pair[0])
		dec, _, okDec := angle(h, pair[1])
		if !okRA || !okDec {
			continue
		}
		if hours {
			ra *= 15
		}
		if !(ra >= -360 && ra <= 360) || !(math.Abs(dec) <= 90) {
			warn("%s, %s = %g, %g degrees is no place in the sky and was passed over", pair[0], pair[1], ra, dec)
			continue
		}
		p := readEquinox(h).toICRS(sky.ICRSFromRADec(sky.Angle(ra)*sky.Degree, sky.Angle(dec)*sky.Degree))
		return &p
	}
	return nil
}

// angle reads a keyword that holds degrees as a number, or a sexagesimal
// string, whose unit is the caller's to know.
func angle(h *header, keyword string) (v float64, sexagesimal, ok bool) {
	if v, _, ok := h.number(keyword); ok {
		return v, false, true
	}
	text, _, ok := h.text(keyword)
	if !ok {
		return 0, false, false
	}
	v, parts, ok := ParseSexagesimal(text)
	return v, parts > 1, ok
}

// ParseSexagesimal reads "+46 44 11.5", "46:44:11.5", "46d44m11.5s", "5 30 W":
// one to three numbers, whole but for the last and less than 60 but for the first, and how many there are. The
// unit is that of the first. South and west are negative.
func ParseSexagesimal(text string) (v float64, parts int, ok bool) {
	text = strings.ToUpper(strings.TrimSpace(text))
	sign := 1.0
	for _, side := range []string{"N", "E", "S", "W"} {
		rest, found := strings.CutSuffix(text, side)
		// Behind a number with D, H or M before it an S means seconds, else south.
		if side == "S" && strings.ContainsAny(rest, "DHM") && strings.TrimRight(rest, " 0123456789.") != strings.TrimSpace(rest) {
			found = false
		}
		if !found {
			rest, found = strings.CutPrefix(text, side)
		}
		if found {
			if text = strings.TrimSpace(rest); side == "S" || side == "W" {
				sign = -1
			}
			break
		}
	}
	if rest, found := strings.CutPrefix(text, "-"); found {
		text, sign = rest, -sign
	} else {
		text = strings.TrimPrefix(text, "+")
	}
	fields := strings.FieldsFunc(text, func(r rune) bool { return strings.ContainsRune(" :DHMS'\"", r) || r == '\u00b0' })
	if len(fields) < 1 || len(fields) > 3 {
		return 0, 0, false
	}
	unit := 1.0
	for i, f := range fields {
		n, err := strconv.ParseFloat(f, 64)
		if err != nil || strings.Trim(f, "0123456789.") != "" || i > 0 && n >= 60 || i < len(fields)-1 && strings.Contains(f, ".") {
			return 0, 0, false
		}
		v += n * unit
		unit /= 60
	}
	return sign * v, len(fields), true
}
