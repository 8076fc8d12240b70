package peaks

import (
	"math"
	"slices"

	"polard/solve/detect/raster"
)

// Shape is what the matched filter knows of the PSF, in pixels of a level.
type Shape struct {
	raster.Moments
	Ring float64 // outer radius where stars are rings, else 0
}

// kernel is the filter.
type kernel struct {
	half    []float32 // of the Gaussian: half[0] in the middle; unit sum
	shifts  [][2]int  // places to which it is repeated, {0,0} alone for a point
	weight  []float32 // of the shifts; unit sum
	reachX  int       // largest shift along x, and along y
	reachY  int
	around  []float32 // half of a wider Gaussian whose result is taken off; nil for none
	unitSum float64   // root of the sum of squares: the noise that is left of unit white noise
}

// kernelReach is the radius of the Gaussian in units of its sigma; cutting it
// there costs under 1 percent of signal-to-noise.
const kernelReach = 2.2

// aroundSize is the width, over that of the PSF, of the Gaussian mean around each place that is taken
// off where the background is structured (Marr and Hildreth 1980, Proc. R. Soc. B 207, 187). Of Gaussians, a wave of ten
// FWHM keeps a twentieth of its height, and stars lose 15 % of signal-to-noise. Without it, 18 of the 90 brightest detections above
// a horizon are spurious, instead of 2.
const aroundSize = 1.6

// newKernel makes the filter for a PSF; for a structured background one that is blind to what is much wider.
func newKernel(shape Shape, structured bool) *kernel {
	long, short := shape.Axes()
	k := &kernel{shifts: [][2]int{{0, 0}}, weight: []float32{1}}
	switch {
	case shape.Ring > 0:
		k.ring(shape.Ring)
	case long > TrailRatio*short:
		k.trail(shape.Angle(), long, short)
	default:
		k.half = gaussianHalf(math.Sqrt(long * short))
	}
	for _, s := range k.shifts {
		k.reachX = max(k.reachX, s[0], -s[0])
		k.reachY = max(k.reachY, s[1], -s[1])
	}
	if structured {
		k.around = gaussianHalf(aroundSize * long)
	}
	k.unitSum = k.noise()
	return k
}

// TrailRatio is the elongation from which stars may be trails.
const TrailRatio = 1.35

// ring repeats a Gaussian along a ring. Its moment is that of an annulus of about 0.7 of the outer radius.
func (k *kernel) ring(outer float64) {
	k.half = gaussianHalf(0.25 * outer)
	const radius = 0.7
	n := max(6, int(2*math.Pi*radius*outer/1.5))
	k.shifts, k.weight = nil, nil
	for i := range n {
		s, c := math.Sincos(2 * math.Pi * float64(i) / float64(n))
		k.shifts = append(k.shifts, [2]int{int(math.Round(radius * outer * c)), int(math.Round(radius * outer * s))})
		k.weight = append(k.weight, 1/float32(n))
	}
}

// trail repeats a Gaussian of the short axis along the long one, with Gaussian weights that bring its moment up to it.
func (k *kernel) trail(angle, long, short float64) {
	k.half = gaussianHalf(short)
	s, c := math.Sincos(angle)
	spread := math.Sqrt(long*long - short*short)
	n := int(math.Ceil(kernelReach * spread / short))
	k.shifts, k.weight = nil, nil
	sum := float32(0)
	for i := -n; i <= n; i++ {
		t := float64(i) * short
		k.shifts = append(k.shifts, [2]int{int(math.Round(t * c)), int(math.Round(t * s))})
		w := float32(math.Exp(-(t / spread) * (t / spread) / 2))
		k.weight = append(k.weight, w)
		sum += w
	}
	for i := range k.weight {
		k.weight[i] /= sum
	}
}

// noise is what the whole kernel leaves of unit white noise.
func (k *kernel) noise() float64 {
	r := len(k.half) - 1
	rx, ry := max(k.reachX+r, len(k.around)-1), max(k.reachY+r, len(k.around)-1)
	whole := make([]float64, (2*rx+1)*(2*ry+1))
	for i, s := range k.shifts {
		for dy := -r; dy <= r; dy++ {
			for dx := -r; dx <= r; dx++ {
				at := (s[1]+dy+ry)*(2*rx+1) + s[0] + dx + rx
				whole[at] += float64(k.weight[i] * k.half[max(dx, -dx)] * k.half[max(dy, -dy)])
			}
		}
	}
	for y, a := range mirroredHalf(k.around) {
		for x, b := range mirroredHalf(k.around) {
			n := len(k.around) - 1
			whole[(y-n+ry)*(2*rx+1)+x-n+rx] -= float64(a * b)
		}
	}
	sum2 := 0.0
	for _, v := range whole {
		sum2 += v * v
	}
	return math.Sqrt(sum2)
}

// mirroredHalf is the whole of which half is given.
func mirroredHalf(half []float32) []float32 {
	if len(half) == 0 {
		return nil
	}
	out := slices.Clone(half[1:])
	slices.Reverse(out)
	return append(out, half...)
}

// gaussianHalf is the half of a symmetric Gaussian of unit sum.
func gaussianHalf(sigma float64) []float32 {
	r := max(1, int(kernelReach*sigma+0.5))
	half := make([]float32, r+1)
	sum := 0.0
	for i := range half {
		v := math.Exp(-(float64(i) / sigma) * (float64(i) / sigma) / 2)
		half[i] = float32(v)
		sum += v
		if i > 0 {
			sum += v
		}
	}
	for i := range half {
		half[i] /= float32(sum)
	}
	return half
}
