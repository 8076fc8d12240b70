package camera

import (
	"math"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// Camera is the model of a camera that took one image: how it stands in ICRS
// and how it maps directions to pixels.
//
// A direction with camera coordinates (X, Y, Z) meets the tangent plane at
// x = X/Z, y = Y/Z (FITS WCS paper II, Calabretta and Greisen 2002, A&A 395,
// 1077, section 5.1.3: TAN), the lens stretches it by
// 1 + k1 r^2 + k2 r^4 with r^2 = x^2 + y^2 (the radial terms of Brown 1971,
// Photogrammetric Engineering 37, 855), and it falls on pixel Axis + (x, y) / Scale.
type Camera struct {
	Width, Height int
	Attitude      sky.Attitude // camera to ICRS; determinant -1 unless mirrored
	Scale         sky.Angle    // per pixel at the optical axis
	ScaleSigma    sky.Angle
	Axis          sky.Pixel // where the boresight meets the image
	K1, K2        float64   // radial distortion, per rad^2 and rad^4
	Mirrored      bool
}

// LeastCosine is the cosine, from the axis of a tangent plane, below which a star is beyond
// any field in use.
const LeastCosine = 0.2

// Centre is the middle of the image.
func (c *Camera) Centre() sky.Pixel {
	return sky.Pixel{X: float64(c.Width-1) / 2, Y: float64(c.Height-1) / 2}
}

// Direction is where a pixel looks in the camera's own frame.
func (c *Camera) Direction(p sky.Pixel) sky.Camera {
	x, y := (p.X-c.Axis.X)*c.Scale.Radians(), (p.Y-c.Axis.Y)*c.Scale.Radians()
	rd := math.Hypot(x, y)
	if rd > 0 {
		f := c.undistort(rd) / rd
		x, y = x*f, y*f
	}
	return sky.Unit(sky.Camera{X: x, Y: y, Z: 1})
}

// undistort finds the radius r in the tangent plane whose image lies at radius rd,
// by Newton's method; five steps from rd reach double precision for
// distortions up to a tenth.
func (c *Camera) undistort(rd float64) float64 {
	r := rd
	for range 8 {
		r2 := r * r
		slope := 1 + r2*(3*c.K1+5*c.K2*r2)
		if slope < 0.1 { // beyond the model's fold: the pixel is outside any fit
			return rd
		}
		r -= (r*(1+r2*(c.K1+c.K2*r2)) - rd) / slope
	}
	return r
}

// Pixel is where a direction of the camera's frame falls; not ok behind the
// camera.
func (c *Camera) Pixel(d sky.Camera) (p sky.Pixel, ok bool) {
	if d.Z <= LeastCosine*r3.Norm(sky.Vec(d)) {
		return p, false
	}
	x, y := d.X/d.Z, d.Y/d.Z
	r2 := x*x + y*y
	f := (1 + r2*(c.K1+c.K2*r2)) / c.Scale.Radians()
	return sky.Pixel{X: c.Axis.X + x*f, Y: c.Axis.Y + y*f}, true
}

// ICRS is the place in the sky that a pixel shows.
func (c *Camera) ICRS(p sky.Pixel) sky.ICRS {
	return sky.ICRS(c.Attitude.R.Apply(sky.Vec(c.Direction(p))))
}

// CameraFromICRS brings a direction of the sky into the camera's frame.
func (c *Camera) CameraFromICRS(d sky.ICRS) sky.Camera {
	return sky.Camera(c.Attitude.R.Transpose().Apply(sky.Vec(d)))
}

// DetectorFrame turns directions from the frame of the fitted camera, which has
// the optical axis along z, into one that is bolted to the detector: its middle
// looks along z, and its columns grow along x. Where the optical axis meets the
// image follows from second-order terms alone, so that in a narrow field it comes out
// differently from frame to frame, by arcminutes; whoever takes the camera for
// one body, as a mount model does, wants these.
func (c *Camera) DetectorFrame() sky.Matrix {
	m := c.Centre()
	z := sky.Vec(c.Direction(m))
	along := r3.Sub(sky.Vec(c.Direction(sky.Pixel{X: m.X + 0.5, Y: m.Y})), sky.Vec(c.Direction(sky.Pixel{X: m.X - 0.5, Y: m.Y})))
	y := sky.Unit(r3.Cross(z, along))
	return sky.FromColumns(r3.Cross(y, z), y, z).Transpose()
}

// FieldDeg is the angular width and height of the image through its centre.
func (c *Camera) FieldDeg() (w, h float64) {
	m := c.Centre()
	side := func(a, b sky.Pixel) float64 {
		return sky.Separation(c.Direction(a), c.Direction(m)).Degrees() + sky.Separation(c.Direction(m), c.Direction(b)).Degrees()
	}
	return side(sky.Pixel{X: -0.5, Y: m.Y}, sky.Pixel{X: float64(c.Width) - 0.5, Y: m.Y}),
		side(sky.Pixel{X: m.X, Y: -0.5}, sky.Pixel{X: m.X, Y: float64(c.Height) - 0.5})
}

// RotationOfRows is the position angle at the image's centre, from north through east, of
// the direction in which rows grow, in [0, 360) degrees.
func (c *Camera) RotationOfRows() sky.Angle {
	m := c.Centre()
	at := sky.Vec(c.ICRS(m))
	d := r3.Sub(sky.Vec(c.ICRS(sky.Pixel{X: m.X, Y: m.Y + 0.5})), sky.Vec(c.ICRS(sky.Pixel{X: m.X, Y: m.Y - 0.5})))
	east := sky.Unit(r3.Cross(sky.Vec{Z: 1}, at))
	if r3.Norm(east) == 0 { // exactly at a pole: east is taken as at right ascension 0
		east = sky.Vec{Y: 1}
	}
	north := r3.Cross(at, east)
	return sky.Atan2(r3.Dot(d, east), r3.Dot(d, north)).Positive()
}
