package deep

import (
	"math"

	"polard/catalogs"
	"polard/mountmodel/sky"
)

// galacticPole is the north pole of galactic coordinates in ICRS (ESA SP-1200, vol. 1, sect. 1.5.3, eq. 1.5.11; from memory).
var galacticPole = sky.ICRSFromRADec(192.85948*sky.Degree, 27.12825*sky.Degree)

// How the number of stars grows beyond countedTo, to which the bundled catalogue is complete: the logarithm of the factor
// for each V, at a galactic pole and in the plane. Between them it goes with the sine of the latitude, of which
// every value has the same share of the sky. At the poles some 8.6, 33, 112, 320, 830 and 1900 stars in a square degree are
// brighter than V = 11, 13, ... 21 (common practice, from memory); the plane's are such that the whole sky comes to
// Gaia's numbers: 6 million brighter than G = 12.8, 31 to 14.8, 130 to 16.8, 500 to 18.8, 1.6 thousand million to 20.8
// (from memory). Good to some 30 percent, and worse behind dark clouds.
var growth = []struct{ v, pole, plane float64 }{
	{11, 0, 0}, {13, 0.58, 0.90}, {15, 1.11, 1.69}, {17, 1.57, 2.39}, {19, 1.99, 3.02}, {21, 2.34, 3.56},
}

const (
	countedTo     = 11
	countedRadius = 4 * sky.Degree // holds some four hundred stars at a pole
)

// deepestCounted is the V to which starsPerSquareDegree answers.
const deepestCounted = 21

// starsPerSquareDegree is how many stars brighter than V (at most deepestCounted) a square degree holds about a place: those
// of the bundled catalogue to V = 11, and what is to be expected beyond.
func starsPerSquareDegree(cat *catalogs.Catalogue, v float64, at sky.ICRS) float64 {
	n := 0
	cat.Cone(at, countedRadius, math.Min(v, countedTo), func(catalogs.Star) { n++ })
	area := 2 * math.Pi * (1 - countedRadius.Cos()) * sq(180/math.Pi)
	inPlane := 1 - math.Abs(at.X*galacticPole.X+at.Y*galacticPole.Y+at.Z*galacticPole.Z)
	grown := 0.0
	for i := 1; i < len(growth); i++ {
		a, b := growth[i-1], growth[i]
		if v > a.v {
			part := math.Min((v-a.v)/(b.v-a.v), 1)
			grown += part * ((b.pole-a.pole)*(1-inPlane) + (b.plane-a.plane)*inPlane)
		}
	}
	return float64(n) / area * math.Pow(10, grown)
}

func sq(x float64) float64 { return x * x }
