package solve

import (
	"math"
	"math/cmplx"
	"slices"
)

// Where the sky is rough, by the edges of clouds, trees on a horizon or nebulae, what stands
// out is not stars, and may outnumber and outshine them. The stars' size is then
// taken from where the sky is calm.

const (
	// leastRough is the part of the tiles that must be rough for a second look at the
	// size of the stars: a few are so for a bright star or a galaxy.
	leastRough = 0.05
	// roughOutside of a tile's values are far from its level: twice what stars cover in a
	// rich field.
	roughOutside = 0.04
	// unlikeMisfit of what was taken for stars, and calmNarrower stars in the calm part, tell
	// that they were something else: bumps of cloud have nothing in common but their size, and are
	// wider. Over all hard kinds of drawn frames, stars and rings left at most 0.55, bumps
	// of cloud 0.88.
	unlikeMisfit = 0.65
	calmNarrower = 1.4
	// calmStars of the calm part must agree in size.
	calmStars = 3
)

// tiles is the map of tiles, whose roughness is known.
func (b *skyMap) tiles() *skyMap {
	if b.coarse != nil {
		return b.coarse
	}
	return b
}

// isRough tells whether a tile of the map holds more than sky and stars. Of two levels side by side
// the clipped statistics see one, and the other is outside.
func (b *skyMap) isRough(i int) bool {
	return b.rough[i] > roughTile || b.outside[i] > roughOutside
}

// calm tells whether the sky is calm at a pixel of the image.
func (b *skyMap) calm(x, y float64) bool {
	t := b.tiles()
	i := min(max(int((x+0.5)/t.tileW), 0), t.nx-1)
	j := min(max(int((y+0.5)/t.tileH), 0), t.ny-1)
	return !t.isRough(j*t.nx + i)
}

// byCalm parts maxima of the image by whether the sky is calm there.
func (b *skyMap) byCalm(m []maximum) (calm, rough []maximum) {
	for _, k := range m {
		if b.calm(float64(k.x), float64(k.y)) {
			calm = append(calm, k)
		} else {
			rough = append(rough, k)
		}
	}
	return calm, rough
}

// roughPart is the part of the tiles that are rough.
func (b *skyMap) roughPart() float64 {
	t := b.tiles()
	n := 0
	for i := range t.rough {
		if t.isRough(i) {
			n++
		}
	}
	return float64(n) / float64(len(t.rough))
}

// starsPSF is findPSF, with another look at the calm part of a rough sky, at once when that
// was right before.
func (p *prepared) starsPSF(calmBefore bool, workers int) *psf {
	m := p.findPSF(workers)
	suspect := calmBefore || m.fromStars < fewerStars || m.misfit > unlikeMisfit
	if !suspect || p.sky.roughPart() < leastRough {
		return m
	}
	p.calmOnly = true
	calm := p.calmPSF(workers)
	if calm != nil && calm.misfit <= unlikeMisfit && (calmBefore || m.fromStars < fewerStars || calmNarrower*calm.imageFWHM() < m.imageFWHM()) {
		return calm
	}
	p.calmOnly = false
	if m.misfit > unlikeMisfit || m.fromStars < fewerStars && m.canvas.scale > 1 {
		return p.faintPSF(workers)
	}
	return m
}

// onCanvas is the model on the like canvas of another prepared frame. Its rungs go on naming the first
// frame's canvas, of which they read the scale alone.
func (m *psf) onCanvas(p *prepared) *psf {
	c := p.canvases[slices.IndexFunc(p.canvases, func(c *canvas) bool { return c.scale == m.canvas.scale })]
	out := *m
	out.canvas = c
	return &out
}

// calmPSF is the PSF on the finest canvas that shows enough stars of one size, or nil.
func (p *prepared) calmPSF(workers int) *psf {
	for _, c := range p.canvases {
		if shapes := p.alikeShapes(c, workers); len(shapes) >= calmStars {
			return p.choosePSF(c, shapes, workers)
		}
	}
	return nil
}

// imageFWHM is fwhm in image pixels.
func (m *psf) imageFWHM() float64 { return m.fwhm() * float64(m.canvas.scale) }

const (
	// rowPlaces on a straight line, to within rowWidth pixels, are the flashes of an aircraft's lamps
	// or pieces of a trail: of eighty places at random on a small frame, nine lie so in one of thousands.
	rowPlaces = 9
	rowWidth  = 2
	// mostInRows bounds the places that are looked at.
	mostInRows = 80
)

// inRows gives the places of those, of the first mostInRows, that lie in a row.
func inRows[T any](of []T, place func(T) complex128) map[complex128]bool {
	var at []complex128
	for _, s := range of[:min(len(of), mostInRows)] {
		at = append(at, place(s))
	}
	rows := make(map[complex128]bool)
	for i, a := range at {
		for _, b := range at[:i] {
			d := b - a
			if d == 0 {
				continue
			}
			within := rowWidth * cmplx.Abs(d)
			on := func(z complex128) bool { return math.Abs(imag((z-a)*cmplx.Conj(d))) <= within }
			n := 0
			for _, z := range at {
				if on(z) {
					n++
				}
			}
			if n < rowPlaces {
				continue
			}
			for _, z := range at {
				if on(z) {
					rows[z] = true
				}
			}
		}
	}
	return rows
}

const (
	// noisySky: a star whose flux is less certain, by so much, than those of the frame's quietest
	// tenth are stands before a rough sky, or is a piece of it. The sky itself, by moonlight or vignetting,
	// changes less within a frame.
	noisySky = 1.6
	// The flux of a saturated star is known worse, and its height is cut off: up to so many times. Pieces of
	// a saturated landscape go far beyond. Where more are saturated than form patterns, it may be a lit
	// landscape, and if it is not, the others will do.
	overSky, overAround = 20, 100
	// noisyPart of the brightest mostImageStars must be so for the order to matter.
	noisyPart = 0.2
)

// quietFirst is the order of an image's stars that puts those of quiet sky first, brightest first, and
// then the others: the crest of a horizon, the rims of clouds and the lamps of an aircraft outshine the
// stars, and what is found there is seldom one. quiet is how many the first are; where the others are
// few, the order is that of brightness and all count as quiet.
func quietFirst(stars []Star) (order []int, quiet int) {
	saturated := 0
	for i, s := range stars {
		order = append(order, i)
		if !(s.SNR > 0 && s.Height > 0) {
			return order, len(order)
		}
		if s.Saturated {
			saturated++
		}
	}
	lit := saturated > mostImageStars
	var sky, around []float64
	for _, s := range stars {
		if !lit || !s.Saturated {
			sky, around = append(sky, s.Flux/s.SNR), append(around, s.Flux/s.Height)
		}
	}
	if len(sky) == 0 {
		return order, len(order)
	}
	slices.Sort(sky)
	slices.Sort(around)
	leastSky, leastAround := sky[len(sky)/10], around[len(around)/10]
	at := func(s Star) complex128 { return complex(s.Pos.X, s.Pos.Y) }
	rows := inRows(stars, at)
	rough := func(i int) bool {
		s := &stars[i]
		if s.Saturated {
			return lit || s.Flux/s.SNR > overSky*leastSky || s.Flux/s.Height > overAround*leastAround
		}
		return rows[at(*s)] || s.Flux/s.SNR > noisySky*leastSky
	}
	early := min(len(stars), mostImageStars)
	n := 0
	for i := range early {
		if rough(i) {
			n++
		}
	}
	if float64(n) < noisyPart*float64(early) {
		return order, len(order)
	}
	for i := range order {
		if !rough(i) {
			quiet++
		}
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case rough(a) == rough(b):
			return 0
		case rough(b):
			return -1
		}
		return 1
	})
	return order, quiet
}
