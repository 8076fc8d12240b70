package observed

import (
	"math"

	"polard/mountmodel/sky"
)

// poly is a polynomial by Horner's rule, lowest power first.
func poly(t float64, c ...float64) float64 {
	s := 0.0
	for i := len(c) - 1; i >= 0; i-- {
		s = s*t + c[i]
	}
	return s
}

// nutationTerm is one row of the series: multiples of the Delaunay arguments
// l, l', F, D, Omega; longitude: (sin + t sinT) sin(arg) + cos cos(arg);
// obliquity: (obCos + t obCosT) cos(arg) + obSin sin(arg).
type nutationTerm struct {
	multiple             [5]float64
	sin, sinT, cos       float64
	obCos, obCosT, obSin float64
}

// Units of the series, and the fixed offsets that stand for the planetary
// terms left out (ERFA nut00b, note 7).
const (
	nutationUnit         = 1e-7 * sky.Arcsecond
	nutationPlanetaryPsi = -0.135e-3 * sky.Arcsecond
	nutationPlanetaryEps = 0.388e-3 * sky.Arcsecond
)

// delaunay gives the fundamental arguments l, l', F, D, Omega at t Julian
// centuries (TT) from J2000.0, in radians: Simon et al. 1994, A&A 282, 663, in
// the linear form that IAU 2000B prescribes.
func delaunay(t float64) [5]float64 {
	const turn = 1296000 // arcseconds
	reduce := func(c0, c1 float64) float64 {
		return math.Mod(c0+c1*t, turn) * float64(sky.Arcsecond)
	}
	return [5]float64{
		reduce(485868.249036, 1717915923.2178),
		reduce(1287104.79305, 129596581.0481),
		reduce(335779.526232, 1739527262.8478),
		reduce(1072260.70369, 1602961601.2090),
		reduce(450160.398036, -6962890.5431),
	}
}

// nutation gives the nutation in longitude and in obliquity, IAU 2000B, at t
// Julian centuries (TT) from J2000.0. Error against IAU 2000A below 1 mas,
// 1995 to 2050 (McCarthy and Luzum 2003; ERFA nut00b).
func nutation(t float64) (psi, eps sky.Angle) {
	f := delaunay(t)
	var dp, de float64
	for i := len(nutationSeries) - 1; i >= 0; i-- { // smallest terms first
		n := &nutationSeries[i]
		s, c := math.Sincos(n.multiple[0]*f[0] + n.multiple[1]*f[1] +
			n.multiple[2]*f[2] + n.multiple[3]*f[3] + n.multiple[4]*f[4])
		dp += (n.sin+n.sinT*t)*s + n.cos*c
		de += (n.obCos+n.obCosT*t)*c + n.obSin*s
	}
	return sky.Angle(dp)*nutationUnit + nutationPlanetaryPsi,
		sky.Angle(de)*nutationUnit + nutationPlanetaryEps
}

// meanObliquity is the obliquity of the ecliptic, IAU 2006 (Hilton et al.
// 2006, Cel. Mech. Dyn. Astron. 94, 351; ERFA obl06).
func meanObliquity(t float64) sky.Angle {
	return sky.Angle(poly(t, 84381.406, -46.836769, -0.0001831, 0.00200340, -5.76e-7, -4.34e-8)) * sky.Arcsecond
}

// celestialToTrue is the matrix from the ICRS (as GCRS axes) to the true
// equator and equinox of date: frame bias, precession IAU 2006 and nutation
// by the Fukushima-Williams angles (Capitaine and Wallace 2006, A&A 450, 855;
// ERFA pfw06, fw2m).
func celestialToTrue(t float64, psi, eps sky.Angle) sky.Matrix {
	gamma := sky.Angle(poly(t, -0.052928, 10.556378, 0.4932044, -0.00031238, -2.788e-6, 2.60e-8)) * sky.Arcsecond
	phi := sky.Angle(poly(t, 84381.412819, -46.811016, 0.0511268, 0.00053289, -4.40e-7, -1.76e-8)) * sky.Arcsecond
	psiBar := sky.Angle(poly(t, -0.041775, 5038.481484, 1.5584175, -0.00018522, -2.6452e-5, -1.48e-8)) * sky.Arcsecond
	return frameTurnX(-(meanObliquity(t) + eps)).
		Mul(frameTurnZ(-(psiBar + psi))).
		Mul(frameTurnX(phi)).
		Mul(frameTurnZ(gamma))
}

// frameTurnX and frameTurnZ turn the axes by a, right hand, about X or Z: the
// R1 and R3 of the literature.
func frameTurnX(a sky.Angle) sky.Matrix {
	s, c := a.Sin(), a.Cos()
	return sky.Matrix{{1, 0, 0}, {0, c, s}, {0, -s, c}}
}

func frameTurnZ(a sky.Angle) sky.Matrix {
	s, c := a.Sin(), a.Cos()
	return sky.Matrix{{c, s, 0}, {-s, c, 0}, {0, 0, 1}}
}

// earthRotationAngle is the ERA at a UT1 date: Capitaine, Guinot and McCarthy
// 2000, A&A 355, 398 (ERFA era00).
func earthRotationAngle(ut1 julianDate) sky.Angle {
	turns := ut1.Fraction + 0.7790572732640 + 0.00273781191135448*ut1.sinceJ2000()
	return (sky.Angle(turns-math.Floor(turns)) * sky.Turn).Positive()
}

// greenwichMean and greenwichApparent are the sidereal times at Greenwich, IAU
// 2006 (Capitaine, Wallace and Chapront 2003, A&A 412, 567 and 2005, A&A 432,
// 355; ERFA gmst06). The equation of the equinoxes has the complementary terms
// above 2 microarcseconds (Capitaine, Wallace and McCarthy 2003, A&A 406, 1135;
// ERFA eect00).
func greenwichMean(ut1 julianDate, t float64) sky.Angle {
	return (earthRotationAngle(ut1) +
		sky.Angle(poly(t, 0.014506, 4612.156534, 1.3915817, -4.4e-7, -2.9956e-5, -3.68e-8))*sky.Arcsecond).Positive()
}

func greenwichApparent(ut1 julianDate, t float64, psi sky.Angle) sky.Angle {
	f := delaunay(t)
	lat, elong, node := f[2], f[3], f[4]
	complementary := 2640.96e-6*math.Sin(node) +
		63.52e-6*math.Sin(2*node) +
		11.75e-6*math.Sin(2*lat-2*elong+3*node) +
		11.21e-6*math.Sin(2*lat-2*elong+node) -
		4.55e-6*math.Sin(2*lat-2*elong+2*node) +
		2.02e-6*math.Sin(2*lat+3*node)
	return (greenwichMean(ut1, t) +
		sky.Angle(float64(psi)*meanObliquity(t).Cos()) +
		sky.Angle(complementary)*sky.Arcsecond).Positive()
}
