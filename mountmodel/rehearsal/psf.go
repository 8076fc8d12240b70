package rehearsal

import "math"

// The image of a star is a Moffat profile (Moffat 1969, A&A 3, 455),
//
//	f(r) = (b-1)/(pi a^2) (1 + r^2/a^2)^-b,
//
// integrated over square pixels. The exponent b = 3 is within the 2.5 to 4.8
// that real seeing shows (Trujillo et al. 2001, MNRAS 328, 977) and needs no
// powers, which would cost more than all the rest.
const moffatExponent = 3

// moffatWidth is a for a full width at half maximum.
func moffatWidth(fwhm float64) float64 {
	return fwhm / 2 / math.Sqrt(math.Pow(2, 1.0/moffatExponent)-1)
}

// Gauss-Legendre nodes and weights for three points on a pixel of width 1.
// The first error term is f^(6)/2016000: for the narrowest star of minFWHM it
// is 0.13 % of the peak, for a width of 2.5 pixels 2e-5.
var (
	gaussNodes   = [3]float64{-0.3872983346207417, 0, 0.3872983346207417}
	gaussWeights = [3]float64{5.0 / 18, 8.0 / 18, 5.0 / 18}
)

// flatFrom is the square of r/a beyond which the pixel's integral is the
// value in its middle plus a 24th of the Laplacian. The next term is
// less than 1e-4 of the value there, for the narrowest star.
const flatFrom = 9

// image is a detector's light, in electrons.
type image struct {
	width, height int
	pix           []float32
}

// addStar adds a star of flux electrons whose middle is at column x, row y.
// Pixels with less than cut electrons are left out. a is the Moffat width.
func (m *image) addStar(x, y, flux, a, cut float64) {
	inv := 1 / (a * a)
	peak := (moffatExponent - 1) / math.Pi * inv * flux
	if peak <= cut {
		return
	}
	// peak (1+u)^-3 = cut
	edge := math.Cbrt(peak/cut) - 1
	r := a * math.Sqrt(edge)
	if !(x+r >= 0 && y+r >= 0 && x-r <= float64(m.width-1) && y-r <= float64(m.height-1)) {
		return
	}
	x0, x1 := max(0, int(math.Ceil(x-r))), min(m.width-1, int(math.Floor(x+r)))
	y0, y1 := max(0, int(math.Ceil(y-r))), min(m.height-1, int(math.Floor(y+r)))
	for row := y0; row <= y1; row++ {
		dy := float64(row) - y
		half := math.Sqrt(max(0, r*r-dy*dy))
		line := m.pix[row*m.width : (row+1)*m.width]
		for col := max(x0, int(math.Ceil(x-half))); col <= min(x1, int(math.Floor(x+half))); col++ {
			line[col] += float32(peak * pixelMoffat(float64(col)-x, dy, inv))
		}
	}
}

// pixelMoffat is (1 + r^2/a^2)^-3 integrated over the pixel whose middle is at
// (dx, dy) from the star; inv is 1/a^2.
func pixelMoffat(dx, dy, inv float64) float64 {
	if u := (dx*dx + dy*dy) * inv; u > flatFrom {
		q := 1 / (1 + u)
		q2 := q * q
		return q2 * (q + inv/24*q2*(48*u*q-12))
	}
	var sx [3]float64
	for i, n := range gaussNodes {
		d := dx + n
		sx[i] = d * d * inv
	}
	sum := 0.0
	for j, n := range gaussNodes {
		d := dy + n
		u := 1 + d*d*inv
		q0, q1, q2 := u+sx[0], u+sx[1], u+sx[2]
		sum += gaussWeights[j] * (gaussWeights[0]/(q0*q0*q0) + gaussWeights[1]/(q1*q1*q1) + gaussWeights[2]/(q2*q2*q2))
	}
	return sum
}
