package solve

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"

	"polard/mountmodel/sky"
	"polard/solve/camera"
	"polard/solve/camera/cameratest"
	"polard/solve/detect/drawn"
	"polard/solve/match"
)

// Frames of the real sky, drawn pixel by pixel, with what cameras, optics and
// nights do to them. The survey over them is in pixels_test.go.

// stamp is the image of a star as light falls on the detector, on a grid finer than
// the pixels, summed up so that the share of any pixel is four look-ups
// (Crow 1984, Computer Graphics 18, 207).
type stamp struct {
	half int // pixels from the middle to the border
	side int // cells along the border
	sum  []float64
}

// stampCells is how many cells of a stamp make a pixel's width.
const stampCells = 8

// newStamp draws a stamp: a round profile of the given FWHM (Moffat 1969 with exponent
// beta; Gaussian when beta is 0), repeated at points (pixels), with extra light
// drawn onto the cells.
func newStamp(fwhm, beta float64, points [][2]float64, reach float64, extra func(add func(x, y, light float64))) *stamp {
	s := &stamp{half: int(math.Ceil(reach)) + 1}
	s.side = 2 * s.half * stampCells
	cells := make([]float64, s.side*s.side)
	value := func(r2 float64) float64 { return math.Exp(-4 * math.Ln2 * r2 / (fwhm * fwhm)) }
	if beta > 0 {
		a2 := sq(fwhm/2) / (math.Pow(2, 1/beta) - 1)
		value = func(r2 float64) float64 { return math.Pow(1+r2/a2, -beta) }
	}
	// The profile once, then shifted by whole cells.
	radius := int(math.Ceil(min(reach, max(4*fwhm, 3)) * stampCells))
	width := 2*radius + 1
	profile := make([]float64, width*width)
	for j := range width {
		for i := range width {
			profile[j*width+i] = value((sq(float64(i-radius)) + sq(float64(j-radius))) / (stampCells * stampCells))
		}
	}
	for _, p := range points {
		cx, cy := int(math.Round((p[0]+float64(s.half))*stampCells-0.5)), int(math.Round((p[1]+float64(s.half))*stampCells-0.5))
		for j := max(0, radius-cy); j < min(width, s.side+radius-cy); j++ {
			x0, x1 := max(0, radius-cx), min(width, s.side+radius-cx)
			if x0 >= x1 {
				break
			}
			dst := cells[(cy+j-radius)*s.side+cx-radius+x0:][:x1-x0]
			for i, v := range profile[j*width+x0 : j*width+x1] {
				dst[i] += v
			}
		}
	}
	total := 0.0
	for _, v := range cells {
		total += v
	}
	if extra != nil {
		extra(func(x, y, light float64) {
			i, j := int(math.Floor((x+float64(s.half))*stampCells)), int(math.Floor((y+float64(s.half))*stampCells))
			if i >= 0 && j >= 0 && i < s.side && j < s.side {
				cells[j*s.side+i] += light * total
			}
		})
		total = 0
		for _, v := range cells {
			total += v
		}
	}
	s.sum = make([]float64, (s.side+1)*(s.side+1))
	for j := range s.side {
		row := 0.0
		for i := range s.side {
			row += cells[j*s.side+i] / total
			s.sum[(j+1)*(s.side+1)+i+1] = s.sum[j*(s.side+1)+i+1] + row
		}
	}
	return s
}

// below is the share of the light at smaller coordinates (pixels from the middle).
func (s *stamp) below(x, y float64) float64 {
	x = min(max((x+float64(s.half))*stampCells, 0), float64(s.side))
	y = min(max((y+float64(s.half))*stampCells, 0), float64(s.side))
	i, j := min(int(x), s.side-1), min(int(y), s.side-1)
	fx, fy := x-float64(i), y-float64(j)
	a := s.sum[j*(s.side+1)+i:]
	b := s.sum[(j+1)*(s.side+1)+i:]
	return (1-fy)*((1-fx)*a[0]+fx*a[1]) + fy*((1-fx)*b[0]+fx*b[1])
}

// draw adds a star of so many electrons.
func (s *stamp) draw(mean []float64, width, height int, x, y, electrons float64) {
	x0, x1 := max(0, int(x)-s.half), min(width, int(x)+s.half+2)
	if x0 >= x1 {
		return
	}
	last := make([]float64, x1-x0+1) // sums below the upper border of the row before
	for iy := max(0, int(y)-s.half); iy < min(height, int(y)+s.half+2); iy++ {
		lo, hi := float64(iy)-y-0.5, float64(iy)-y+0.5
		if iy == max(0, int(y)-s.half) {
			for k := range last {
				last[k] = s.below(float64(x0+k)-x-0.5, lo)
			}
		}
		left := s.below(float64(x0)-x-0.5, hi)
		row := mean[iy*width:]
		prev := last[0]
		last[0] = left
		for k := 1; k < len(last); k++ {
			right := s.below(float64(x0+k)-x-0.5, hi)
			row[x0+k-1] += electrons * (right - left - last[k] + prev)
			prev, last[k], left = last[k], right, right
		}
	}
}

// power is the sum of squares of a star's shares of pixels, over its place in the
// pixel: the matched filter's signal-to-noise is electrons sqrt(power/variance).
func (s *stamp) power() float64 {
	n := 2*s.half + 1
	sum := 0.0
	for _, phase := range [2]float64{0.1, 0.4} {
		p := make([]float64, n*n)
		s.draw(p, n, n, float64(s.half)+phase, float64(s.half)+phase, 1)
		for _, v := range p {
			sum += v * v / 2
		}
	}
	return sum
}

// scene is a frame in the making.
type scene struct {
	rng           *rand.Rand
	camera        camera.Camera
	epoch         float64
	width, height int
	fwhm, beta    float64
	points        [][2]float64
	extra         func(add func(x, y, light float64))
	reach         float64
	sky           float64                    // electrons in a pixel
	read, gain    float64                    // electrons; electrons per count
	darkScatter   float64                    // of the dark current from pixel to pixel, electrons
	offset, full  float64                    // counts
	well          float64                    // electrons a pixel holds
	dim           func(x, y float64) float64 // what reaches the detector from the sky, 1 is all
	hidden        func(x, y float64) bool    // behind a horizon
	mosaic        string                     // colour filters
	crowd         float64                    // uncatalogued stars for each catalogue one, of any brightness
	onlyTop       float64                    // scatter of magnitudes beyond the usual: another band of light
	fewStars      int                        // as many catalogue stars, and none fainter; 0 for any number
	scramble      bool                       // stars stand where chance puts them

	mean  []float64
	stars []sceneStar
	held  int // catalogue stars of signal-to-noise 8 and more
}

type sceneStar struct {
	at        sky.Pixel
	v         float64
	catalogue bool
	colour    float64 // red light over green, and green over blue
	electrons float64
}

const (
	// heldSNR and heldStars: a frame counts when it holds that many catalogue stars of that
	// signal-to-noise.
	heldSNR   = 8
	heldStars = 12
	// completeTo is the magnitude to which the catalogue has nearly every star (Hog et al.
	// 2000: 99 % at V = 11).
	completeTo = 11.0
	// starSlope is d log10 N / dV near there (Allen, Astrophysical Quantities; from memory).
	starSlope = 0.4
	// mostFaint bounds the uncatalogued stars of a frame.
	mostFaint = 3000
)

// coarsestDrawn is the coarsest scale of frames that are drawn whatever the field: beyond it a pixel holds more stars than
// it can show.
const coarsestDrawn = 150 * sky.Arcsecond

// newScene points a camera of the given field (long side) somewhere.
func newScene(rng *rand.Rand, degrees float64) *scene {
	s := &scene{rng: rng, epoch: 2020 + 15*rng.Float64(), beta: 2.5 + 2.5*rng.Float64()}
	s.width, s.height = 640+rng.IntN(320), 480+rng.IntN(240)
	field := sky.Angle(degrees) * sky.Degree
	// The scale at the axis must stay in the range of the search.
	if least := int(2 * (field / 2).Tan() / (0.9 * coarsestDrawn.Radians())); s.width < least {
		s.width, s.height = least, 480
	}
	mirrored := rng.IntN(2) == 0
	s.camera = randomCamera(rng, s.width, s.height, field, mirrored)
	if rng.IntN(8) == 0 { // near a pole
		z := sky.Unit(sky.Vec{Z: 1 - 2*float64(rng.IntN(2)), X: 0.1 * rng.NormFloat64(), Y: 0.1 * rng.NormFloat64()})
		s.camera.Attitude.R = cameratest.AttitudeTo(z, sky.Angle(rng.Float64())*sky.Turn, mirrored)
	}
	if degrees >= 5 {
		corner := math.Hypot(float64(s.width), float64(s.height)) / 2 * s.camera.Scale.Radians()
		s.camera.K1 = distortionOf60 * min(degrees/60, 1) * (2*rng.Float64() - 1) / sq(corner)
	}
	s.fwhm = 1.6 + 2.4*rng.Float64()
	s.points = [][2]float64{{0, 0}}
	s.sky = 30 * math.Pow(60, rng.Float64())
	s.read, s.gain = 1.5+5*rng.Float64(), 0.3*math.Pow(10, rng.Float64())
	s.offset, s.full = 100+400*rng.Float64(), 65535
	s.well = s.gain * s.full
	s.dim = func(x, y float64) float64 { return 1 }
	s.hidden = func(x, y float64) bool { return false }
	return s
}

func (s *scene) variance(level float64) float64 {
	return level + s.read*s.read + s.gain*s.gain/12 + s.darkScatter*s.darkScatter
}

// drawStars puts the catalogue's stars, and those that it does not hold, into the
// frame. The faintest of some number of stars has signal-to-noise 8. It
// gives how many catalogue stars have more.
func (s *scene) drawStars() {
	rng := s.rng
	reach := s.reach
	if reach == 0 {
		reach = 5 * s.fwhm
	}
	image := newStamp(s.fwhm, s.beta, s.points, reach, s.extra)
	corner := math.Hypot(float64(s.width), float64(s.height)) / 2 * s.camera.Scale.Radians()
	scatter := 0.1 + 0.3*rng.Float64() + s.onlyTop
	shear1, shear2 := 2e-4*rng.NormFloat64(), 2e-4*rng.NormFloat64()
	inside := func(p sky.Pixel) bool {
		return p.X > -0.5 && p.Y > -0.5 && p.X < float64(s.width)-0.5 && p.Y < float64(s.height)-0.5
	}
	complete := 0
	want := int(heldStars * math.Pow(50, rng.Float64()))
	if s.fewStars > 0 {
		want = s.fewStars
	}
	for _, c := range theCatalogue().Brightest(s.camera.ICRS(s.camera.Centre()), sky.Angle(math.Atan(corner)*1.15), 4*want+600) {
		p, ok := s.camera.Pixel(s.camera.CameraFromICRS(c.At(s.epoch)))
		off := match.PlaceError(c, s.epoch).Radians() / s.camera.Scale.Radians()
		x, y := p.X-s.camera.Centre().X, p.Y-s.camera.Centre().Y
		p.X += off*rng.NormFloat64() + shear1*x + shear2*y
		p.Y += off*rng.NormFloat64() + shear2*x - shear1*y
		if !ok || !inside(p) {
			continue
		}
		if c.V < completeTo {
			complete++
		}
		s.stars = append(s.stars, sceneStar{at: p, v: float64(c.V) + scatter*rng.NormFloat64(), catalogue: true, colour: 1.2 * math.Exp(0.25*rng.NormFloat64())})
	}
	if len(s.stars) < heldStars {
		return
	}
	slices.SortFunc(s.stars, func(a, b sceneStar) int { return cmp.Compare(a.v, b.v) })
	limit := s.stars[min(want, len(s.stars))-1].v
	if want > len(s.stars) { // deeper than the catalogue
		limit += rng.Float64()
	}
	// Down to two magnitudes below the limit, where stars are just more noise.
	faintest := limit + 2
	if s.fewStars > 0 {
		faintest = limit
	}
	if faintest > completeTo+0.3 {
		span := math.Pow(10, starSlope*(faintest-completeTo-0.3)) - 1
		n := min(mostFaint, int(float64(max(complete, heldStars))*span))
		for range n {
			v := completeTo + 0.3 + math.Log10(1+span*rng.Float64())/starSlope
			s.stars = append(s.stars, sceneStar{at: s.anywhere(), v: v, colour: 1.2})
		}
	}
	for range int(s.crowd * float64(len(s.stars))) {
		like := s.stars[rng.IntN(len(s.stars))].v + rng.NormFloat64()
		s.stars = append(s.stars, sceneStar{at: s.anywhere(), v: like, colour: 1.2})
	}
	if s.scramble {
		for i := range s.stars {
			s.stars[i].at.X = s.stars[rng.IntN(len(s.stars))].at.X
		}
	}
	power := image.power()
	level := s.level(float64(s.width)/2, float64(s.height)/2)
	unit := heldSNR * math.Sqrt(s.variance(level)/power) // electrons of a star of magnitude limit
	planes := [][]float64{s.mean}
	if s.mosaic != "" {
		planes = [][]float64{make([]float64, len(s.mean)), make([]float64, len(s.mean)), make([]float64, len(s.mean))}
	}
	for i := range s.stars {
		star := &s.stars[i]
		if star.v > faintest || s.hidden(star.at.X, star.at.Y) {
			star.electrons = 0
			continue
		}
		star.electrons = unit * math.Pow(10, -0.4*(star.v-limit)) * s.dim(star.at.X, star.at.Y)
		if star.catalogue && star.electrons*math.Sqrt(power/s.variance(s.level(star.at.X, star.at.Y))) >= heldSNR {
			s.held++
		}
		if s.mosaic == "" {
			image.draw(s.mean, s.width, s.height, star.at.X, star.at.Y, star.electrons)
			continue
		}
		light := [3]float64{star.colour, 1, 1 / star.colour}
		mean := (light[0] + 2*light[1] + light[2]) / 4
		for c, plane := range planes {
			image.draw(plane, s.width, s.height, star.at.X, star.at.Y, star.electrons*light[c]/mean)
		}
	}
	if s.mosaic != "" {
		for i := range s.mean {
			cell := s.mosaic[(i/s.width%2)*2+i%s.width%2]
			s.mean[i] += planes[map[byte]int{'R': 0, 'G': 1, 'B': 2}[cell]][i]
		}
	}
}

func (s *scene) anywhere() sky.Pixel {
	return sky.Pixel{X: s.rng.Float64()*float64(s.width) - 0.5, Y: s.rng.Float64()*float64(s.height) - 0.5}
}

// level is what the sky has put on the detector so far.
func (s *scene) level(x, y float64) float64 {
	return s.mean[min(max(int(y+0.5), 0), s.height-1)*s.width+min(max(int(x+0.5), 0), s.width-1)]
}

// fill lays the empty sky.
func (s *scene) fill(f func(x, y float64) float64) {
	s.mean = make([]float64, s.width*s.height)
	for i := range s.mean {
		s.mean[i] = f(float64(i%s.width), float64(i/s.width))
	}
}

// each changes every pixel.
func (s *scene) each(f func(x, y, was float64) float64) {
	for i := range s.mean {
		s.mean[i] = f(float64(i%s.width), float64(i/s.width), s.mean[i])
	}
}

// expose makes counts of electrons.
func (s *scene) expose() Image {
	m := drawn.Frame{Image: Image{Width: s.width, Height: s.height}, Rand: s.rng, Electrons: s.mean}
	for i, e := range m.Electrons {
		m.Electrons[i] = min(max(e, 0), s.well)
	}
	return m.Expose(s.read, s.gain, s.offset, s.full)
}

// line draws a bright line from one place to another: a satellite, a scratch.
func (s *scene) line(x0, y0, x1, y1, width, electrons float64, on func(t float64) bool) {
	length := math.Hypot(x1-x0, y1-y0)
	st := newStamp(width, 0, [][2]float64{{0, 0}}, 3*width, nil)
	for d := 0.0; d < length; d += 0.5 {
		if on == nil || on(d) {
			st.draw(s.mean, s.width, s.height, x0+(x1-x0)*d/length, y0+(y1-y0)*d/length, electrons/2)
		}
	}
}

// billow is smooth random structure between 0 and about 1: cosines of random
// directions and phases, of wavelengths from size downwards with the power that
// clouds have (the amplitude as the wavelength: common practice for fractal noise).
func billow(rng *rand.Rand, size float64) func(x, y float64) float64 {
	type wave struct{ kx, ky, phase, amplitude float64 }
	var waves []wave
	total := 0.0
	for k := range 8 {
		length := size * math.Pow(0.6, float64(k))
		a := rng.Float64() * 2 * math.Pi
		waves = append(waves, wave{2 * math.Pi / length * math.Cos(a), 2 * math.Pi / length * math.Sin(a), rng.Float64() * 2 * math.Pi, length / size})
		total += length / size
	}
	return func(x, y float64) float64 {
		v := 0.0
		for _, w := range waves {
			v += w.amplitude * math.Cos(w.kx*x+w.ky*y+w.phase)
		}
		return 0.5 + 0.9*v/total
	}
}

// randomCamera is a camera of the given field (long side), pointing anywhere.
func randomCamera(rng *rand.Rand, width, height int, field sky.Angle, mirrored bool) camera.Camera {
	c := camera.Camera{Width: width, Height: height, Mirrored: mirrored}
	c.Scale = sky.Angle(2 * math.Tan(field.Radians()/2) / float64(max(width, height)))
	c.Axis = c.Centre()
	c.Attitude.R = cameratest.AttitudeTo(sky.Vec(cameratest.Direction(rng)), sky.Angle(rng.Float64())*sky.Turn, mirrored)
	return c
}

// distortionOf60 is the largest distortion of a lens with a field of 60 degrees,
// less in proportion for narrower ones: common practice among camera lenses.
const distortionOf60 = 0.05

// wrongBy is the part of the field's long side beyond which a centre is wrong.
const wrongBy = 0.005

func sq(x float64) float64 { return x * x }
