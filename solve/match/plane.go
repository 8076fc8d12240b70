package match

import (
	"math/cmplx"

	"polard/mountmodel/sky"
	"polard/solve/camera"
	"polard/solve/match/proof"

	"gonum.org/v1/gonum/spatial/r3"
)

// planeFit is the image of the tangent plane at a boresight: pixel = b0 + b1 w +
// b2 w |w|^2, w = x + i y in radians (conjugated unless mirrored).
type planeFit struct {
	boresight, e1, e2 sky.Vec
	b                 [3]complex128
	mirrored          bool
}

func (f *planeFit) plane(d sky.Vec) (complex128, bool) {
	z := r3.Dot(d, f.boresight)
	if z <= camera.LeastCosine {
		return 0, false
	}
	w := complex(r3.Dot(d, f.e1)/z, r3.Dot(d, f.e2)/z)
	if !f.mirrored {
		w = cmplx.Conj(w)
	}
	return w, true
}

func (f *planeFit) pixel(w complex128) complex128 {
	return f.b[0] + w*(f.b[1]+f.b[2]*complex(norm2(w), 0))
}

// planeFromCandidate extends the similarity near a star to a tangent plane at
// the image's centre: from the star to there along a great circle, with the
// distance in the image as the angle, as flatten has made it.
func planeFromCandidate(c *candidate, centre complex128) planeFit {
	w := (centre - c.at) / c.alpha
	if !c.mirrored {
		w = cmplx.Conj(w)
	}
	star, e1, e2 := c.star.Vec(), c.e1.Vec(), c.e2.Vec()
	axis := r3.Add(r3.Scale(real(w), e2), r3.Scale(-imag(w), e1))
	turn := sky.RotationFromVector(axis) // of length |w|, square to the way
	f := planeFit{mirrored: c.mirrored}
	f.boresight = sky.Unit(turn.Apply(star))
	e1 = turn.Apply(e1)
	f.e1 = sky.Unit(r3.Sub(e1, r3.Scale(r3.Dot(e1, f.boresight), f.boresight)))
	f.e2 = r3.Cross(f.boresight, f.e1)
	f.b = [3]complex128{centre, c.alpha, c.alpha * complex(c.distortion, 0)}
	return f
}

// refine fits the plane to the detections found, by least squares in the
// complex coefficients. Unless the radial term is free it stays what it is as a part of
// the linear one.
func (f *planeFit) refine(targets []target, at []complex128, radial bool) bool {
	terms, distortion := 2, f.b[2]/f.b[1]
	if radial {
		terms, distortion = 3, 0
	}
	var m [3][4]complex128
	for _, t := range targets {
		if t.i < 0 {
			continue
		}
		cube := t.w * complex(norm2(t.w), 0)
		row := [3]complex128{1, t.w + distortion*cube, cube}
		for i := range terms {
			for j := range terms {
				m[i][j] += cmplx.Conj(row[i]) * row[j]
			}
			m[i][3] += cmplx.Conj(row[i]) * at[t.i]
		}
	}
	b, ok := solveComplex(m, terms)
	if ok {
		f.b = b
		if !radial {
			f.b[2] = distortion * b[1]
		}
	}
	return ok
}

// solveComplex solves the Hermitian normal equations of at most three unknowns
// by elimination; the last column is the right-hand side.
func solveComplex(m [3][4]complex128, n int) (x [3]complex128, ok bool) {
	for p := range n {
		if cmplx.Abs(m[p][p]) == 0 {
			return x, false
		}
		for r := p + 1; r < n; r++ {
			k := m[r][p] / m[p][p]
			for c := p; c < 4; c++ {
				m[r][c] -= k * m[p][c]
			}
		}
	}
	for p := n - 1; p >= 0; p-- {
		s := m[p][3]
		for c := p + 1; c < n; c++ {
			s -= m[p][c] * x[c]
		}
		x[p] = s / m[p][p]
		if cmplx.IsNaN(x[p]) || cmplx.IsInf(x[p]) {
			return x, false
		}
	}
	return x, true
}

// cameraFromPlane reads attitude, scale and distortion off a plane fit.
func cameraFromPlane(p *proven, image proof.Detections) camera.Camera {
	back := func(delta complex128) sky.Vec { // a pixel offset as a vector of the tangent plane
		w := delta / p.b[1]
		if !p.mirrored {
			w = cmplx.Conj(w)
		}
		return r3.Add(r3.Scale(real(w), p.e1), r3.Scale(imag(w), p.e2))
	}
	z := sky.Unit(r3.Add(p.boresight, back(image.Centre()-p.b[0])))
	x := back(1)
	x = sky.Unit(r3.Sub(x, r3.Scale(r3.Dot(x, z), z)))
	y := r3.Cross(z, x)
	if !p.mirrored {
		y = r3.Scale(-1, y)
	}
	c := camera.Camera{
		Width: image.Width, Height: image.Height, Mirrored: p.mirrored,
		Scale: sky.Angle(1 / cmplx.Abs(p.b[1])),
		K1:    real(p.b[2] / p.b[1]),
	}
	c.Axis = c.Centre()
	c.Attitude.R = sky.FromColumns(x, y, z)
	return c
}
