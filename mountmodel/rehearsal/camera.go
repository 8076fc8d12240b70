package rehearsal

import (
	"math"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// Scale is the angle that a pixel spans at the centre of the frame.
func (k Camera) Scale() sky.Angle {
	return sky.Angle(math.Atan(k.PixelUm / 1000 / k.FocalMm))
}

// Field is the angle across the frame along columns and along rows, without
// distortion.
func (k Camera) Field() (width, height sky.Angle) {
	half := func(n int) sky.Angle {
		return sky.Angle(2 * math.Atan(float64(n)/2*k.PixelUm/1000/k.FocalMm))
	}
	return half(k.Width), half(k.Height)
}

// onBody sends the camera's directions to the body's frame, in which Y is the
// axis and the boresight lies in the plane of Y and Z.
func (k Camera) onBody(polarDistance sky.Angle) sky.Matrix {
	boresight := sky.Vec{Y: polarDistance.Cos(), Z: polarDistance.Sin()}
	towards := sky.Vec{Y: polarDistance.Sin(), Z: -polarDistance.Cos()} // the axis
	// Left of "towards" for an eye that looks out along the boresight.
	left := r3.Cross(towards, boresight)
	rows := r3.Add(r3.Scale(k.Angle.Cos(), towards), r3.Scale(k.Angle.Sin(), left))
	columns := r3.Cross(boresight, rows)
	if k.Mirrored {
		columns = r3.Scale(-1, columns)
	}
	return sky.FromColumns(columns, rows, boresight)
}

// unfilteredE0 is the number of electrons per second and square centimetre of
// aperture that an unfiltered detector counts of a star of V = 0: 1000 photons
// per second, square centimetre and Angstrom (common practice, after Bessell
// 1979, PASP 91, 589; from memory) over 3000 Angstrom at a total efficiency of
// 0.45.
const unfilteredE0 = 1000 * 3000 * 0.45

// electronRate is the electrons per second of a star of magnitude v above the
// air.
func (k Camera) electronRate(v float64) float64 {
	area := math.Pi / 4 * k.ApertureMm * k.ApertureMm / 100
	return unfilteredE0 * area * math.Pow(10, -0.4*v)
}

// lens maps directions to pixels: tangent plane, then radial distortion.
type lens struct {
	focal      float64 // pixels
	cx, cy     float64 // centre of the image, pixels
	distortion float64 // per square of pixels
}

func (k Camera) lens() lens {
	l := lens{
		focal: k.FocalMm * 1000 / k.PixelUm,
		cx:    float64(k.Width-1) / 2,
		cy:    float64(k.Height-1) / 2,
	}
	l.distortion = k.Distortion / (l.cx*l.cx + l.cy*l.cy)
	return l
}

// minForward is the least cosine from the boresight at which a direction is
// imaged: 0.1 is 84 degrees away, far outside any field here.
const minForward = 0.1

// pixel is where a direction falls in the image plane, inside the detector or
// not; false when it is not before the camera.
func (l lens) pixel(c sky.Camera) (sky.Pixel, bool) {
	if c.Z < minForward {
		return sky.Pixel{}, false
	}
	x, y := l.focal*c.X/c.Z, l.focal*c.Y/c.Z
	d := l.distortion * (x*x + y*y)
	if d <= -1.0/3 { // the image would fold back here; far outside (maxDistort)
		return sky.Pixel{}, false
	}
	return sky.Pixel{X: l.cx + x*(1+d), Y: l.cy + y*(1+d)}, true
}

// reach is the angle from the boresight beyond which nothing comes within
// margin pixels of the detector.
func (l lens) reach(margin float64) sky.Angle {
	want := math.Hypot(l.cx, l.cy) + margin
	lo, hi := 0.0, want
	if l.distortion < 0 {
		hi = math.Sqrt(-1 / (3 * l.distortion)) // up to here r (1 + d r^2) grows
	}
	for range 50 { // bisection, to the last digit
		r := (lo + hi) / 2
		if r*(1+l.distortion*r*r) < want {
			lo = r
		} else {
			hi = r
		}
	}
	return sky.Angle(math.Atan(hi / l.focal))
}
