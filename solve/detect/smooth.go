package detect

import (
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
