package fits

import (
	"strconv"
	"strings"

	"polard/mountmodel/sky"
)

// The equator and equinox that a header's places are given in (FITS Standard 4.0, section 8.3, after Calabretta &
// Greisen 2002, A&A 395, 1077, section 3.1). A place is a hint of where the frame points: what stays below an
// arcsecond is left out, the bulge of FK5 against ICRS (0.02 arcsec), the E-terms of aberration and the turn of FK4
// against FK5 since 1950 (0.4 and 0.6 arcsec).

// frame is a reference system with its equinox.
type frame struct {
	fk4     bool
	equinox float64 // Besselian year of FK4, Julian of others; 2000 of ICRS
}

// icrs is what a header that says nothing is taken to mean.
var icrs = frame{equinox: 2000}

const (
	// fk5Since is from which equinox on FK5 is meant where the header names none (section 8.3).
	fk5Since = 1984
	// firstEquinox and lastEquinox bound what passes for one: old headers have other dates in EPOCH.
	firstEquinox = 1800
	lastEquinox  = 2100
)

// readFrame reads RADESYS (or RADECSYS) and EQUINOX (or EPOCH).
func readFrame(h *header) frame {
	system := ""
	for _, key := range []string{"RADESYS", "RADECSYS"} {
		if text, _, ok := h.text(key); ok {
			system = strings.ToUpper(strings.TrimSpace(text))
			break
		}
	}
	year, known := readEquinox(h)
	switch {
	case system == "FK4" || system == "FK4-NO-E":
		if !known {
			year = 1950
		}
		return frame{true, year}
	case system == "FK5":
		if !known {
			year = 2000
		}
		return frame{false, year}
	case system != "" || !known: // ICRS; GAPPT, which nobody gives a hint in
		return icrs
	}
	return frame{year < fk5Since, year}
}

func readEquinox(h *header) (year float64, known bool) {
	for _, key := range []string{"EQUINOX", "EPOCH"} {
		v, _, ok := h.number(key)
		if !ok {
			text, _, _ := h.text(key)
			x, err := strconv.ParseFloat(strings.TrimLeft(strings.ToUpper(strings.TrimSpace(text)), "JB"), 64)
			v, ok = x, err == nil
		}
		if ok && v >= firstEquinox && v <= lastEquinox {
			return v, true
		}
	}
	return 0, false
}

// toICRS turns a direction of the frame into one of ICRS.
func (f frame) toICRS(v sky.ICRS) sky.ICRS {
	switch {
	case f.fk4:
		return rotate(fk5FromFK4, rotate(newcomb(f.equinox), v))
	case f.equinox != 2000:
		return rotate(lieske(f.equinox), v)
	}
	return v
}

func rotate(m sky.Matrix, v sky.ICRS) sky.ICRS { return sky.Unit(sky.ICRS(m.Apply(sky.Vec(v)))) }

// fk5FromFK4 takes directions of B1950 to J2000, at the epoch 1950 (Murray 1989, A&A 218, 325, eq. 28).
var fk5FromFK4 = sky.Matrix{
	{0.9999256794956877, -0.0111814832204662, -0.0048590038153592},
	{0.0111814832391717, 0.9999374848933135, -0.0000271625947142},
	{0.0048590037723143, -0.0000271702937440, 0.9999881946023742},
}

// precession is the rotation from a mean equator and equinox to another by the angles zeta, z and theta
// (Explanatory Supplement to the Astronomical Almanac, 1992, eq. 3.21-8).
func precession(zeta, z, theta sky.Angle) sky.Matrix {
	about := func(axis sky.Vec, by sky.Angle) sky.Matrix { return sky.Rotation(axis, by) }
	up, across := sky.Vec{Z: 1}, sky.Vec{Y: 1}
	return about(up, z).Mul(about(across, -theta)).Mul(about(up, zeta))
}

// lieske takes directions of a Julian equinox to J2000 (Lieske et al. 1977, A&A 58, 1, IAU 1976, from J2000 and
// transposed).
func lieske(year float64) sky.Matrix {
	t := (year - 2000) / 100
	return precession(
		sky.Angle(2306.2181*t+0.30188*t*t+0.017998*t*t*t)*sky.Arcsecond,
		sky.Angle(2306.2181*t+1.09468*t*t+0.018203*t*t*t)*sky.Arcsecond,
		sky.Angle(2004.3109*t-0.42665*t*t-0.041833*t*t*t)*sky.Arcsecond,
	).Transpose()
}

// newcomb takes directions of a Besselian equinox to B1950 (Newcomb's angles as in the Explanatory Supplement of
// 1961, section 2B, from 1950 and transposed).
func newcomb(year float64) sky.Matrix {
	t := (year - 1950) / 100
	return precession(
		sky.Angle(2304.948*t+0.302*t*t+0.018*t*t*t)*sky.Arcsecond,
		sky.Angle(2304.948*t+1.093*t*t+0.019*t*t*t)*sky.Arcsecond,
		sky.Angle(2004.255*t-0.426*t*t-0.042*t*t*t)*sky.Arcsecond,
	).Transpose()
}
