package solve

import (
	"math"

	"polard/mountmodel/sky"
)

// Limits of the measurement of one star.
const (
	centroidRounds = 20
	// centroidStill ends the iteration, in pixels: a hundredth of the best
	// centroid that a frame gives.
	centroidStill = 1e-4
	// windowSigmas is the radius of the window in units of its sigma: the
	// Gaussian weight has fallen to 3e-4 there.
	windowSigmas = 4.0
	// hotShare: a lone pixel leaves its four neighbours empty. In a star as
	// narrow as a FWHM of 1.3 pixels the four hold on average 0.28 of the peak
	// where it is centred, and more elsewhere; half of that divides the two.
	hotShare = 0.14
	// centroidFloor is the error that stays however bright the star is, in
	// pixels: unequal response inside and between pixels.
	centroidFloor = 0.01
)

// measure gives each peak its place, covariance, flux and shape, and sorts out what is no star.
func measure(img Image, b *background, fwhm float64, peaks []peak, workers int) ([]Star, Rejected) {
	const chunk = 64
	n := (len(peaks) + chunk - 1) / chunk
	type part struct {
		stars []Star
		rej   Rejected
	}
	parts := make([]part, n)
	inParallel(workers, n, func(_, i int) {
		for _, p := range peaks[i*chunk : min(len(peaks), (i+1)*chunk)] {
			s, verdict := measureStar(img, b, fwhm, p)
			switch verdict {
			case isStar:
				parts[i].stars = append(parts[i].stars, s)
			case isHot:
				parts[i].rej.Hot++
			case isTrail:
				parts[i].rej.Trails++
			case isBlob:
				parts[i].rej.Blobs++
			}
		}
	})
	var stars []Star
	var rej Rejected
	for _, p := range parts {
		stars = append(stars, p.stars...)
		rej.Hot += p.rej.Hot
		rej.Trails += p.rej.Trails
		rej.Blobs += p.rej.Blobs
	}
	return stars, rej
}

type verdict int

const (
	isStar verdict = iota
	isHot
	isTrail
	isBlob
)

// measureStar finds the windowed centroid (the fixed point of source-extractor's
// XWIN_IMAGE: Bertin, documentation of SExtractor, "Windowed positional parameters") with a Gaussian
// window of the frame's FWHM.
func measureStar(img Image, b *background, fwhm float64, p peak) (Star, verdict) {
	level, noise := b.at(float64(p.x), float64(p.y))
	s := Star{Blended: p.multi}
	value := func(x, y int) (float64, bool) {
		if x < 0 || y < 0 || x >= img.Width || y >= img.Height {
			return 0, false
		}
		v := img.Pix[y*img.Width+x]
		if v-v != 0 {
			return 0, false
		}
		return float64(v) - level, true
	}
	// The highest raw pixel near the filtered peak.
	px, py := int(p.x), int(p.y)
	r := max(1, int(fwhm/2))
	for dy := -r; dy <= r; dy++ {
		for dx := -r; dx <= r; dx++ {
			if v, ok := value(int(p.x)+dx, int(p.y)+dy); ok && v > s.Peak {
				s.Peak, px, py = v, int(p.x)+dx, int(p.y)+dy
			}
		}
	}
	if s.Peak <= 0 {
		return s, isBlob
	}
	full := math.Inf(1)
	if img.Saturation > 0 {
		full = float64(img.Saturation)*saturationShare - level
	}
	s.Saturated = s.Peak >= full
	side, k := 0.0, 0
	for _, d := range [4][2]int{{-1, 0}, {1, 0}, {0, -1}, {0, 1}} {
		if v, ok := value(px+d[0], py+d[1]); ok {
			side += v
			k++
		}
	}
	if k > 0 && side/float64(k) < hotShare*s.Peak && !(s.Saturated && fwhm > 4) {
		return s, isHot
	}

	sigma := fwhm / fwhmPerSigma
	x, y := float64(p.x), float64(p.y)
	radius := windowSigmas * sigma
	var sw, sxx, syy, sxy, vxx, vyy, vxy, w2 float64
	for round := range centroidRounds {
		sw, sxx, syy, sxy, vxx, vyy, vxy, w2 = 0, 0, 0, 0, 0, 0, 0, 0
		var sx, sy float64
		s.Edge = false
		for iy := int(math.Ceil(y - radius)); iy <= int(y+radius); iy++ {
			for ix := int(math.Ceil(x - radius)); ix <= int(x+radius); ix++ {
				dx, dy := float64(ix)-x, float64(iy)-y
				r2 := dx*dx + dy*dy
				if r2 > radius*radius {
					continue
				}
				v, ok := value(ix, iy)
				if !ok {
					s.Edge = true
					continue
				}
				w := math.Exp(-r2 / (2 * sigma * sigma))
				sw += w * v
				w2 += w * w
				sx += w * v * dx
				sy += w * v * dy
				sxx += w * v * dx * dx
				syy += w * v * dy * dy
				sxy += w * v * dx * dy
				vxx += w * w * dx * dx
				vyy += w * w * dy * dy
				vxy += w * w * dx * dy
			}
		}
		if sw <= 0 {
			return s, isBlob
		}
		mx, my := 2*sx/sw, 2*sy/sw
		x += mx
		y += my
		if math.Hypot(x-float64(p.x), y-float64(p.y)) > 2*fwhm+1 {
			return s, isBlob
		}
		if round > 0 && math.Hypot(mx, my) < centroidStill {
			break
		}
	}
	s.Pos = sky.Pixel{X: x, Y: y}
	v := 4 * noise * noise / (sw * sw)
	floor := centroidFloor * centroidFloor
	s.Cov = [2][2]float64{{v*vxx + floor, v * vxy}, {v * vxy, v*vyy + floor}}
	// For a Gaussian star the window halves the variance and the sum.
	s.Flux = 2 * sw
	s.SNR = sw / (noise * math.Sqrt(w2))
	mxx, myy, mxy := sxx/sw, syy/sw, sxy/sw
	// Undo the window: 1/m = 1/s^2 + 1/w^2 on either axis.
	t, det := (mxx+myy)/2, mxx*myy-mxy*mxy
	q := math.Sqrt(max(0, t*t-det))
	unwindow := func(m float64) float64 {
		m = max(m, 0.05*sigma*sigma)
		inv := 1/m - 1/(sigma*sigma)
		return math.Sqrt(1 / max(inv, 1/(9*sigma*sigma)))
	}
	a, c := unwindow(t+q), unwindow(t-q)
	s.FWHM = fwhmPerSigma * math.Sqrt(a*c)
	s.Elongation = a / c
	return s, isStar
}

// saturationShare: pixels count as full a little below the stated value,
// where response bends and calibration has moved it.
const saturationShare = 0.97
