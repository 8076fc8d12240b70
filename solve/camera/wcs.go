package camera

import (
	"errors"
	"fmt"
	"math"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// WCS is a solution as world coordinates of FITS: a tangent plane (TAN: Calabretta
// and Greisen 2002, A&A 395, 1077, section 5.1.3) with polynomials for what
// the lens and the air do to it (SIP: Shupe et al. 2005, ASP Conf. Ser. 347, 491).
//
// With (u, v) the offset of a pixel from the reference pixel, the plane's coordinates
// in degrees, x towards east and y towards north, are CD (u + A(u, v), v + B(u, v)).
// With (U, V) = CD^-1 (x, y) of a place in the sky, its pixel has the offset
// (U + AP(U, V), V + BP(U, V)).
type WCS struct {
	Reference sky.Pixel // counted from 0; it is the optical axis, and may lie outside the image
	At        sky.ICRS  // what it shows
	CD        [2][2]float64
	A, B      Polynomial // pixel to sky
	AP, BP    Polynomial // sky to pixel
	// Residual is the largest distance, pixels, that the polynomials leave
	// between the fitted camera and the keywords inside the image, either way.
	Residual float64
}

// Polynomial is a sum of c[p][q] u^p v^q over p + q up to its order; there are
// no terms below the second order.
type Polynomial [][]float64

// Order is the largest power.
func (p Polynomial) Order() int { return len(p) - 1 }

func (p Polynomial) at(u, v float64) float64 {
	sum, up := 0.0, 1.0
	for i := range p {
		vp := up
		for j := range p[i] {
			sum += p[i][j] * vp
			vp *= v
		}
		up *= u
	}
	return sum
}

// Limits of the polynomials.
const (
	// fineWCS is the residual, pixels, at which no higher order is tried: a tenth of
	// what the best centroids reach.
	fineWCS = 0.001
	// coarsestWCS is the residual, pixels, beyond which the keywords would be worse than
	// the stars of a good frame.
	coarsestWCS = 0.05
	// highestSIP is the highest order that the convention has keywords for.
	highestSIP = 9
	// wcsGrid points along each side of the image show what the camera does; Chebyshev's
	// nodes keep a polynomial from swinging at the borders.
	wcsGrid = 32
)

// ErrNoWCS means that tangent plane and polynomials cannot describe the camera.
var ErrNoWCS = errors.New("no tangent plane with polynomials describes this field")

// WCS writes a camera, and how the sky is stretched over its field, as keywords.
func (s *Camera) WCS(shear [2]float64) (*WCS, error) {
	w := &WCS{Reference: s.Axis, At: sky.ICRS(s.Attitude.R.Column(2))}
	ra, _ := sky.RADecFromICRS(w.At)
	east := sky.Vec{X: -ra.Sin(), Y: ra.Cos()}
	north := r3.Cross(sky.Vec(w.At), east)
	col, row := s.Attitude.R.Column(0), s.Attitude.R.Column(1)
	// Pixels from the sky, to first order: shear over scale; CD is its inverse.
	k := 1 / ((1+shear[0])*(1-shear[0]) - shear[1]*shear[1]) * s.Scale.Degrees()
	inverse := [2][2]float64{{k * (1 - shear[0]), -k * shear[1]}, {-k * shear[1], k * (1 + shear[0])}}
	for i, to := range [2]sky.Vec{east, north} {
		for j := range 2 {
			w.CD[i][j] = r3.Dot(to, col)*inverse[0][j] + r3.Dot(to, row)*inverse[1][j]
		}
	}
	// (u, v) and (U, V) differ by the lens alone.
	var pixels, places [][2]float64
	for j := range wcsGrid {
		for i := range wcsGrid {
			node := func(i, n int) float64 {
				return float64(n)/2*(1-math.Cos(math.Pi*float64(i)/(wcsGrid-1))) - 0.5
			}
			u, v := node(i, s.Width)-s.Axis.X, node(j, s.Height)-s.Axis.Y
			x, y := inverse[0][0]*u+inverse[0][1]*v, inverse[1][0]*u+inverse[1][1]*v
			rd := math.Hypot(x, y) * math.Pi / 180
			f := 1.0
			if rd > 0 {
				r := s.undistort(rd)
				if back := r * (1 + r*r*(s.K1+s.K2*r*r)); math.Abs(back-rd) > fineWCS*s.Scale.Radians() {
					return nil, fmt.Errorf("%w: the fitted lens folds back inside the image", ErrNoWCS)
				}
				f = r / rd
			}
			pixels = append(pixels, [2]float64{u, v})
			places = append(places, [2]float64{u * f, v * f})
		}
	}
	var forth, back float64
	w.A, w.B, forth = fitSIP(pixels, places)
	w.AP, w.BP, back = fitSIP(places, pixels)
	if w.Residual = max(forth, back); !(w.Residual <= coarsestWCS) {
		width, height := s.FieldDeg()
		return nil, fmt.Errorf("%w: in %.0f x %.0f degrees with this lens, polynomials of order %d leave %.2f pixels (at most %g)",
			ErrNoWCS, width, height, highestSIP, w.Residual, coarsestWCS)
	}
	return w, nil
}

// fitSIP finds polynomials of two coordinates, of the lowest order that is good
// enough, which added to the points of one list give those of the other, and the
// largest distance they leave.
func fitSIP(from, to [][2]float64) (a, b Polynomial, residual float64) {
	size := 0.0
	for _, p := range from {
		size = max(size, math.Abs(p[0]), math.Abs(p[1]))
	}
	residual = math.Inf(1)
	// Distortion is even about the axis, and its polynomials are odd: 2 stands for none.
	for order := 2; order <= highestSIP; order = order + 1 | 1 {
		ta, tb, r := fitOrder(from, to, order, size)
		if r < residual {
			a, b, residual = ta, tb, r
		}
		if residual <= fineWCS {
			break
		}
	}
	return a, b, residual
}

func fitOrder(from, to [][2]float64, order int, size float64) (a, b Polynomial, residual float64) {
	var powers [][2]int
	for p := range order + 1 {
		for q := range order + 1 - p {
			if p+q >= 2 {
				powers = append(powers, [2]int{p, q})
			}
		}
	}
	design, right := mat.NewDense(len(from), len(powers), nil), mat.NewDense(len(from), 2, nil)
	for i := range from {
		u, v := from[i][0]/size, from[i][1]/size
		for k, p := range powers {
			design.Set(i, k, math.Pow(u, float64(p[0]))*math.Pow(v, float64(p[1])))
		}
		right.Set(i, 0, to[i][0]-from[i][0])
		right.Set(i, 1, to[i][1]-from[i][1])
	}
	var c mat.Dense
	if err := c.Solve(design, right); err != nil {
		return nil, nil, math.Inf(1)
	}
	make2 := func(column int) Polynomial {
		out := make(Polynomial, order+1)
		for p := range out {
			out[p] = make([]float64, order+1-p)
		}
		for k, p := range powers {
			out[p[0]][p[1]] = c.At(k, column) / math.Pow(size, float64(p[0]+p[1]))
		}
		return out
	}
	a, b = make2(0), make2(1)
	for i := range from {
		u, v := from[i][0], from[i][1]
		residual = max(residual, math.Hypot(u+a.at(u, v)-to[i][0], v+b.at(u, v)-to[i][1]))
	}
	return a, b, residual
}
