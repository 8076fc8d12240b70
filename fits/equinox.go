package fits

import (
	"strconv"
	"strings"

	"polard/mountmodel/sky"
)

// equinox is the year of the mean equator and equinox that a header's places are given in (section 8.3, after Calabretta &
// Greisen 2002, A&A 395, 1077, section 3.1). A place is a hint of where the frame points: years of FK4 count as those of FK5,
// and ICRS as FK5 of 2000, which is right to an arcsecond (TestEquinox).
type equinox float64

// icrs is what a header that says nothing is taken to mean.
const icrs equinox = 2000

const (
	// fk4Equinox is that of FK4 where the header names none (section 8.3).
	fk4Equinox equinox = 1950
	// firstEquinox and lastEquinox bound what passes for one: old headers have other dates in EPOCH.
	firstEquinox, lastEquinox = 1800, 2100
)

// readEquinox reads RADESYS (or RADECSYS) and EQUINOX (or EPOCH).
func readEquinox(h *header) equinox {
	system, _, _ := h.text("RADESYS", "RADECSYS")
	system = strings.ToUpper(system)
	old := system == "FK4" || system == "FK4-NO-E"
	if system != "" && system != "FK5" && !old { // ICRS; GAPPT, which nobody gives a hint in
		return icrs
	}
	for _, key := range []string{"EQUINOX", "EPOCH"} {
		v, _, ok := h.number(key)
		if !ok {
			text, _, _ := h.text(key)
			x, err := strconv.ParseFloat(strings.TrimLeft(strings.ToUpper(text), "JB"), 64)
			v, ok = x, err == nil
		}
		if ok && v >= firstEquinox && v <= lastEquinox {
			return equinox(v)
		}
	}
	if old {
		return fk4Equinox
	}
	return icrs
}

// toICRS turns a direction of this equinox into one of ICRS: precession back from J2000 (Lieske et al. 1977, A&A 58, 1, IAU
// 1976) by the angles zeta, z and theta (Explanatory Supplement to the Astronomical Almanac, 1992, eq. 3.21-8).
func (e equinox) toICRS(v sky.ICRS) sky.ICRS {
	t := float64(e-icrs) / 100
	zeta := sky.Angle(2306.2181*t+0.30188*t*t+0.017998*t*t*t) * sky.Arcsecond
	z := sky.Angle(2306.2181*t+1.09468*t*t+0.018203*t*t*t) * sky.Arcsecond
	theta := sky.Angle(2004.3109*t-0.42665*t*t-0.041833*t*t*t) * sky.Arcsecond
	up, across := sky.Vec{Z: 1}, sky.Vec{Y: 1}
	m := sky.Rotation(up, z).Mul(sky.Rotation(across, -theta)).Mul(sky.Rotation(up, zeta))
	return sky.Unit(sky.ICRS(m.Transpose().Apply(sky.Vec(v))))
}
