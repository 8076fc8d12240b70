package psf

import (
	"math"
	"sync"
)

// profile is a radial profile over q = (r/unit)^2, tabulated.
type profile struct {
	value, slope []float32 // P(q) and dP/dq at q = i*qStep
	far, farDown []float32 // the same beyond, at q = profileMaxQ*farBins/i: there a power of q would cost more than all else
	kappa2       float64   // adaptive moment of the round profile in square units
	reach        float64   // radius, in units, inside which the star is fitted
}

const (
	profileBins = 1024
	profileMaxQ = 16.0 // four units of radius
	qStep       = profileMaxQ / profileBins
	farBins     = 256
)

// newProfile tabulates f(q).
func newProfile(f func(q float64) float64, reach float64) *profile {
	p := &profile{value: make([]float32, profileBins+2), slope: make([]float32, profileBins+2), reach: reach}
	v := make([]float64, profileBins+3)
	for i := range v {
		v[i] = f(float64(i) * qStep)
	}
	for i := range p.value {
		p.value[i] = float32(v[i])
		if i == 0 {
			p.slope[i] = float32((-3*v[0] + 4*v[1] - v[2]) / (2 * qStep))
		} else {
			p.slope[i] = float32((v[i+1] - v[i-1]) / (2 * qStep))
		}
	}
	p.far, p.farDown = make([]float32, farBins+2), make([]float32, farBins+2)
	for i := 1; i < len(p.far); i++ {
		const h = 0.01
		q := profileMaxQ * farBins / float64(i)
		p.far[i], p.farDown[i] = float32(f(q)), float32((f(q*(1+h))-f(q*(1-h)))/(2*h*q))
	}
	// The fixed point of the adaptive moments: the mean of r^2 under a window
	// of variance k is k.
	k := 0.2
	for range 40 {
		var w, wq float64
		for i := 0; i < profileBins; i += 4 {
			q := (float64(i) + 2) * qStep
			g := v[i+2] * math.Exp(-q/(2*k))
			w += g
			wq += g * q
		}
		k = wq / w
	}
	p.kappa2 = k
	return p
}

// at is the value and the slope at q, linear between the bins.
func (p *profile) at(q float64) (value, slope float64) {
	t := q * (1 / qStep)
	v, s := p.value, p.slope
	if t >= profileBins {
		t = profileMaxQ * farBins / q
		v, s = p.far, p.farDown
	}
	i := int(t)
	f := float32(t - float64(i))
	return float64(v[i] + f*(v[i+1]-v[i])), float64(s[i] + f*(s[i+1]-s[i]))
}

// moffats are the profiles that are tried: Moffat's (1969, A&A 3, 455),
// (1 + k q)^-beta, from the Gaussian (1/beta = 0) to the widest wings, in steps
// of moffatStep of 1/beta. The unit is the FWHM.
var moffats = sync.OnceValue(func() (list []*profile) {
	for i := range 25 {
		inverse := moffatStep * float64(i)
		f := func(q float64) float64 { return math.Exp(-4 * math.Ln2 * q) }
		if i > 0 {
			k := 4 * (math.Pow(2, inverse) - 1)
			f = func(q float64) float64 { return math.Pow(1+k*q, -1/inverse) }
		}
		list = append(list, newProfile(f, starReach))
	}
	return list
})

const (
	moffatStep = 0.025
	// wingsTried: every so many are tried at first; Refine goes on from the best.
	wingsTried = 6
	// plainMoffat serves where too few stars are seen to choose: beta 3.3, a
	// usual value for telescopes.
	plainMoffat = 12
	// starReach is the radius in FWHM inside which a star is fitted.
	starReach = 2.2
)

// ringProfiles are those that are tried.
var ringProfiles = sync.OnceValue(func() (list []*profile) {
	for _, obstruction := range []float64{0.02, 0.25, 0.35, 0.45} {
		for _, blur := range []float64{0.12, 0.25} {
			list = append(list, ringProfile(obstruction, blur))
		}
	}
	return list
})

// ringProfile is a defocused telescope with a central obstruction (a fraction of
// the outer radius, the unit), blurred by a Gaussian of the given sigma.
func ringProfile(obstruction, blur float64) *profile {
	const rings = 48
	return newProfile(func(q float64) float64 {
		// The annulus as a sum over circles; a circle of radius a, blurred, at
		// distance r: exp(-(r-a)^2/2s^2) I0(ra/s^2) exp(-ra/s^2).
		r, sum := math.Sqrt(q), 0.0
		if r > 1+8*blur {
			return 0 // below 1e-13 of the ring
		}
		for i := range rings {
			a := obstruction + (1-obstruction)*(float64(i)+0.5)/rings
			sum += a * math.Exp(-sq((r-a)/blur)/2) * besselI0Scaled(r*a/(blur*blur))
		}
		return sum
	}, 1.5)
}

// besselI0Scaled is exp(-x) I0(x) for x >= 0: Abramowitz & Stegun 1964,
// eqs. 9.8.1 and 9.8.2, errors below 2e-7 of I0.
func besselI0Scaled(x float64) float64 {
	if x < 3.75 {
		t := x / 3.75
		t *= t
		return math.Exp(-x) * (1 + t*(3.5156229+t*(3.0899424+t*(1.2067492+t*(0.2659732+t*(0.0360768+t*0.0045813))))))
	}
	t := 3.75 / x
	return (0.39894228 + t*(0.01328592+t*(0.00225319+t*(-0.00157565+t*(0.00916281+t*(-0.02057706+
		t*(0.02635537+t*(-0.01647633+t*0.00392377)))))))) / math.Sqrt(x)
}

func sq(x float64) float64 { return x * x }
