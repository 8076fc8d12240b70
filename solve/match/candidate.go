package match

import (
	"math/cmplx"

	"polard/solve/index"
)

// candidate is a similarity between the image and the sky near one star: pixel
// = at + alpha w, with w = east-like + i north-like gnomonic coordinates about
// the star, in the basis e1, e2; w is conjugated for an image that is not mirrored.
type candidate struct {
	star       index.Vec32
	e1, e2     index.Vec32
	at         complex128
	alpha      complex128 // pixels per radian
	mirrored   bool
	distortion float64       // of the lens assumed, see flatten
	stars      [4]complex128 // the detections it came from, as in the image
}

func (c *candidate) pixel(s index.Vec32) complex128 {
	d := s.Sub(c.star)
	w := complex(float64(d.Dot(c.e1)), float64(d.Dot(c.e2)))
	if !c.mirrored {
		w = cmplx.Conj(w)
	}
	return c.at + c.alpha*w
}

// fitPattern finds the similarity that carries a catalogue pattern, pivot first and at least
// two sides, onto one of the image; turned tells that the image's second side lies to
// the right of its first. residual is the square of the largest distance left, in pixels.
func fitPattern(s []index.Vec32, z []complex128, turned bool) (c candidate, residual float64) {
	c.star = s[0]
	c.e1, c.e2 = index.Tangent(s[0], s[1].Sub(s[0]))
	var w, u [4]complex128
	for i := 1; i < len(s); i++ {
		d := s[i].Sub(s[0])
		w[i] = complex(float64(d.Dot(c.e1)), float64(d.Dot(c.e2)))
		u[i] = z[i] - z[0]
	}
	// The sense in which the sides go round tells a mirrored image: with
	// rows counted along Y and looking outwards, (column, row, out) is a
	// right-handed triad only in a mirrored image.
	c.mirrored = (imag(w[2]) < 0) == turned
	if !c.mirrored {
		for i := range w {
			w[i] = cmplx.Conj(w[i])
		}
	}
	// Least squares over the stars with a free shift.
	part := complex(1/float64(len(s)), 0)
	wm, um := (w[1]+w[2]+w[3])*part, (u[1]+u[2]+u[3])*part
	var num complex128
	var den float64
	for i := range s {
		num += cmplx.Conj(w[i]-wm) * (u[i] - um)
		den += norm2(w[i] - wm)
	}
	c.alpha = num * complex(1/den, 0)
	shift := um - c.alpha*wm
	c.at = z[0] + shift
	for i := range s {
		residual = max(residual, norm2(shift+c.alpha*w[i]-u[i]))
	}
	return c, residual
}

// norm2 is the square of the absolute value.
func norm2(z complex128) float64 { return sq(real(z)) + sq(imag(z)) }

func sq(x float64) float64 { return x * x }
