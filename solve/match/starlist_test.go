package match

import (
	"math"
	"math/rand/v2"
	"slices"

	"polard/mountmodel/sky"
	"polard/solve/camera"
	"polard/solve/camera/cameratest"
)

// listSpec says what kind of star list drawList makes.
type listSpec struct {
	field         sky.Angle // long side
	width, height int
	mirrored      bool
	centre        *sky.ICRS                   // nil: anywhere, evenly over the sky
	most          int                         // catalogue stars detected at most
	missing       float64                     // part of the stars that are not detected, whatever their brightness
	spurious      float64                     // false detections, as a part of the true ones
	scatter       float64                     // magnitudes, between the camera's and the catalogue's
	distortion    float64                     // radial displacement at the corner, as a part of its distance
	lens          func(theta float64) float64 // of a lens that is not rectilinear: how far from its axis an angle falls, in units of the focal length
	shear         float64                     // differential refraction and aberration
	axis          float64                     // sigma of the optical axis' place in the image, as a part of its longer side
	noise         float64                     // multiple of the stated centroid errors
	blur          float64                     // pixels, a further error of each star's place, of which its covariance does not know
	specks        int                         // false detections fainter than every star
}

// starList is a made-up detection with its truth.
type starList struct {
	camera.Camera
	image Image
	epoch float64
	real  int // detections that are catalogue stars
}

// faintestSigma is the centroid error of the faintest star of a list: that of a
// FWHM of 3 pixels at a signal-to-noise ratio of 8 (sigma = FWHM / 2.355 / SNR). It
// shrinks as the flux grows, down to pixelFloor.
const faintestSigma = 3 / 2.355 / 8

// drawList projects catalogue stars through a random camera and does to them what
// a camera and a detection do.
func drawList(rng *rand.Rand, cat starSource, f listSpec) starList {
	s := starList{epoch: 2020 + 15*rng.Float64()}
	s.Camera = randomCamera(rng, f.width, f.height, f.field, f.mirrored)
	if f.centre != nil {
		s.Attitude.R = cameratest.AttitudeTo(sky.Vec(*f.centre), sky.Angle(rng.Float64())*sky.Turn, f.mirrored)
	}
	corner := math.Hypot(float64(f.width), float64(f.height)) / 2 * s.Scale.Radians()
	s.K1 = f.distortion / sq(corner)
	radius := sky.Angle(math.Atan(corner) * 1.15)
	if f.lens != nil {
		s.Scale = sky.Angle(2 * f.lens(f.field.Radians()/2) / float64(max(f.width, f.height)))
		radius = min(f.field*0.7, 80*sky.Degree)
	}
	if f.axis > 0 {
		side := f.axis * float64(max(f.width, f.height))
		s.Axis.X, s.Axis.Y = s.Axis.X+side*rng.NormFloat64(), s.Axis.Y+side*rng.NormFloat64()
	}
	g1, g2 := f.shear*rng.NormFloat64(), f.shear*rng.NormFloat64()
	type seen struct {
		at sky.Pixel
		v  float64
	}
	var stars []seen
	for _, c := range cat.Brightest(s.ICRS(s.Centre()), radius, 3*f.most+200) {
		d := s.CameraFromICRS(c.At(s.epoch))
		p, ok := s.Pixel(d)
		if f.lens != nil {
			across := math.Hypot(d.X, d.Y)
			r := f.lens(math.Atan2(across, d.Z)) / s.Scale.Radians()
			p = sky.Pixel{X: s.Axis.X + r*d.X/across, Y: s.Axis.Y + r*d.Y/across}
		}
		// The star stands where it is, not where the catalogue says.
		err := PlaceError(c, s.epoch).Radians() / s.Scale.Radians()
		err = math.Hypot(err, f.blur)
		p.X, p.Y = p.X+err*rng.NormFloat64(), p.Y+err*rng.NormFloat64()
		x, y := p.X-s.Axis.X, p.Y-s.Axis.Y
		p.X, p.Y = p.X+g1*x+g2*y, p.Y+g2*x-g1*y
		if ok && p.X > -0.5 && p.Y > -0.5 && p.X < float64(f.width)-0.5 && p.Y < float64(f.height)-0.5 {
			stars = append(stars, seen{p, float64(c.V) + f.scatter*rng.NormFloat64()})
		}
	}
	slices.SortFunc(stars, func(a, b seen) int { return int(math.Copysign(1, a.v-b.v)) })
	stars = stars[:min(len(stars), f.most)]
	faintest := 0.0
	if len(stars) > 0 {
		faintest = stars[len(stars)-1].v
	}
	s.image = Image{Width: f.width, Height: f.height}
	add := func(at sky.Pixel, v float64) {
		sigma := math.Hypot(faintestSigma*math.Pow(10, 0.4*(v-faintest)), pixelFloor)
		s.image.Detections = append(s.image.Detections, Detection{
			Pos:  sky.Pixel{X: at.X + f.noise*sigma*rng.NormFloat64(), Y: at.Y + f.noise*sigma*rng.NormFloat64()},
			Cov:  [2][2]float64{{sq(sigma) - sq(pixelFloor), 0}, {0, sq(sigma) - sq(pixelFloor)}},
			Flux: math.Pow(10, -0.4*v), SNR: 8 * math.Pow(10, 0.4*(faintest-v)),
		})
	}
	for _, star := range stars {
		if rng.Float64() >= f.missing {
			add(star.at, star.v)
			s.real++
		}
	}
	for range int(f.spurious * float64(s.real)) {
		// as bright as some star
		v := faintest - 3*sq(rng.Float64())
		add(sky.Pixel{X: rng.Float64()*float64(f.width) - 0.5, Y: rng.Float64()*float64(f.height) - 0.5}, v)
	}
	for range f.specks {
		add(sky.Pixel{X: rng.Float64()*float64(f.width) - 0.5, Y: rng.Float64()*float64(f.height) - 0.5}, faintest+rng.Float64())
	}
	slices.SortFunc(s.image.Detections, func(a, b Detection) int { return int(math.Copysign(1, b.Flux-a.Flux)) })
	return s
}

// within is a direction within a radius of another, evenly over the circle.
func within(rng *rand.Rand, center sky.ICRS, radius sky.Angle) sky.ICRS {
	z := 1 - rng.Float64()*(1-radius.Cos())
	s, c := math.Sincos(2 * math.Pi * rng.Float64())
	across := math.Sqrt(1 - z*z)
	return sky.ICRS(cameratest.AttitudeTo(sky.Vec(center), 0, true).Apply(sky.Vec{X: across * c, Y: across * s, Z: z}))
}

// off is how far a solution's centre lies from the truth.
func (s *starList) off(sol *Match) sky.Angle {
	return sky.Separation(sol.ICRS(sol.Centre()), s.ICRS(s.Centre()))
}

// randomCamera is a camera of the given field (long side), pointing anywhere.
func randomCamera(rng *rand.Rand, width, height int, field sky.Angle, mirrored bool) camera.Camera {
	c := camera.Camera{Width: width, Height: height, Mirrored: mirrored}
	c.Scale = sky.Angle(2 * math.Tan(field.Radians()/2) / float64(max(width, height)))
	c.Axis = c.Centre()
	c.Attitude.R = cameratest.AttitudeTo(sky.Vec(cameratest.Direction(rng)), sky.Angle(rng.Float64())*sky.Turn, mirrored)
	return c
}

// What package camera expects of lenses and skies, which the lists below are drawn with.
const (
	expectedShear = 2.5e-4
	expectedAxis  = 0.01
	lensField     = 3 * sky.Degree
)
