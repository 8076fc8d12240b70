package detect

import (
	"math"
	"slices"

	"polard/solve/detect/raster"
)

// Saturated stars: the core is flat and may bleed along columns or rows. Where
// the core is larger than what an ordinary fit reaches, the star is fitted on a
// wider table by the wings around the core, which no bleeding reaches.

// core is a connected area of saturated pixels that is a star's or a lamp's.
type core struct {
	x, y           float64 // centre of its disc, image pixels
	radius         float64 // of the disc
	x0, y0, x1, y1 int     // its box, ends included
	pixels         int
}

const (
	// largeCore is the radius, in image pixels and in FWHM, up to which a core is
	// small enough for the ordinary fit to mask it.
	largeCore     = 1.5
	largeCoreFWHM = 0.6
	// lampCore: what is larger than this, in image pixels, is the moon, a lamp
	// or a bright sky, and hides what is around it.
	lampCore = 60
	// discRows of a core are those at least this share as wide as the widest; the
	// rest is bleeding.
	discRows = 0.7
	// coreReach is how far beyond the core the wings are fitted, in FWHM.
	coreReach = 3.0
)

// cores finds the areas of saturated pixels.
func (p *prepared) cores(workers int) []core {
	if math.IsInf(float64(p.full), 1) {
		return nil
	}
	w, h := p.img.Width, p.img.Height
	seen := raster.NewMask(w, h)
	var list []core
	var stack, area [][2]int
	bands := make([][][2]int, (h+bandRows-1)/bandRows)
	inParallel(workers, len(bands), func(_, i int) {
		for y := i * bandRows; y < min(h, (i+1)*bandRows); y++ {
			if p.top[y] < p.full {
				continue
			}
			was := false
			for x, v := range p.img.Pix[y*w : (y+1)*w] {
				is := v >= p.full
				if is && !was {
					bands[i] = append(bands[i], [2]int{x, y})
				}
				was = is
			}
		}
	})
	for _, at := range slices.Concat(bands...) { // the first pixels of runs
		if p.bad.Get(at[0], at[1]) || seen.Get(at[0], at[1]) {
			continue
		}
		stack, area = append(stack[:0], at), area[:0]
		seen.Set(at[0], at[1])
		for len(stack) > 0 {
			at := stack[len(stack)-1]
			stack = stack[:len(stack)-1]
			area = append(area, at)
			for j := max(0, at[1]-1); j <= min(h-1, at[1]+1); j++ {
				for i := max(0, at[0]-1); i <= min(w-1, at[0]+1); i++ {
					if !seen.Get(i, j) && p.img.Pix[j*w+i] >= p.full {
						seen.Set(i, j)
						stack = append(stack, [2]int{i, j})
					}
				}
			}
		}
		list = append(list, newCores(area)...)
	}
	return list
}

// newCores measures an area: a disc is where it is widest across the direction
// in which it bleeds, its longer side. Stars in one column may bleed into each
// other: each stretch of wide rows is one.
func newCores(area [][2]int) []core {
	box := core{x0: area[0][0], x1: area[0][0], y0: area[0][1], y1: area[0][1], pixels: len(area)}
	for _, a := range area {
		box.x0, box.x1 = min(box.x0, a[0]), max(box.x1, a[0])
		box.y0, box.y1 = min(box.y0, a[1]), max(box.y1, a[1])
	}
	along, across := 1, 0 // indices of the coordinate along the bleeding, and across
	from, n := box.y0, box.y1-box.y0+1
	if box.x1-box.x0 > box.y1-box.y0 {
		along, across = 0, 1
		from, n = box.x0, box.x1-box.x0+1
	}
	count, sum := make([]int, n), make([]int, n)
	for _, a := range area {
		count[a[along]-from]++
		sum[a[along]-from] += a[across]
	}
	least := discRows * float64(slices.Max(count))
	var list []core
	for i := 0; i < n; i++ {
		if float64(count[i]) < least {
			continue
		}
		c := box
		var w, sa, sc float64
		widest := 0
		for ; i < n && float64(count[i]) >= least; i++ {
			k := float64(count[i])
			w += k
			sa += k * float64(i+from)
			sc += float64(sum[i])
			widest = max(widest, count[i])
		}
		c.radius = float64(widest) / 2
		c.x, c.y = sc/w, sa/w
		if along == 0 {
			c.x, c.y = c.y, c.x
		}
		list = append(list, c)
	}
	return list
}

// markCores replaces the maxima in and around large cores by one for each star,
// and drops those in the glare of lamps. It returns how many lamps there were.
func (p *prepared) markCores(m *psf, peaks []peak, workers int) ([]peak, int) {
	scale := float64(m.canvas.scale)
	fwhm := m.fwhm() * scale
	lamps := 0
	var marked []peak
	for _, c := range p.cores(workers) {
		if c.radius <= max(largeCore, largeCoreFWHM*fwhm) {
			continue
		}
		highest := c.height(m, peaks)
		for _, k := range marked { // another disc of the same area took it already
			if k.core.x0 == c.x0 && k.core.y0 == c.y0 && k.core.pixels == c.pixels {
				highest = max(highest, k.height)
			}
		}
		peaks = slices.DeleteFunc(peaks, func(k peak) bool { return c.covers(m, k) })
		switch {
		case c.radius > lampCore:
			lamps++
		case highest > 0:
			marked = append(marked, peak{
				x: int(math.Round((c.x+0.5)/scale - 0.5)), y: int(math.Round((c.y+0.5)/scale - 0.5)),
				height: highest, core: &c,
			})
		}
	}
	return append(peaks, marked...), lamps
}

// covers tells whether a maximum lies in or next to the core or its bleeding.
func (c *core) covers(m *psf, k peak) bool {
	fwhm := m.fwhm() * float64(m.canvas.scale)
	x, y := m.canvas.imagePixel(float64(k.x)), m.canvas.imagePixel(float64(k.y))
	return x >= float64(c.x0)-fwhm && x <= float64(c.x1)+fwhm && y >= float64(c.y0)-fwhm && y <= float64(c.y1)+fwhm ||
		math.Hypot(x-c.x, y-c.y) < c.radius+fwhm
}

// height is that of the highest maximum which the core covers, 0 without one.
func (c *core) height(m *psf, peaks []peak) (highest float32) {
	for _, k := range peaks {
		if c.covers(m, k) {
			highest = max(highest, k.height)
		}
	}
	return highest
}

// wide is the model for stars with large cores, on a table of the given radius.
func (m *psf) wide(radius int) *psf {
	w := m.scaled(m.profile, 1)
	w.radius = radius
	// Only the wings are seen, which are smooth.
	w.steps = wideSteps
	w.tabulate()
	// The flux of a star is what lies inside the ordinary table.
	mid := w.steps / 2
	n := w.side * w.side
	value := w.value[(mid*w.steps+mid)*n:][:n]
	inside := float32(0)
	for y := -m.radius; y <= m.radius; y++ {
		for x := -m.radius; x <= m.radius; x++ {
			inside += value[(y+w.radius)*w.side+x+w.radius]
		}
	}
	for i := range w.value {
		w.value[i] /= inside
		w.dx[i] /= inside
		w.dy[i] /= inside
	}
	w.top /= float64(inside)
	w.alikeFlux, w.alike = m.alikeFlux, m.alike
	return w
}

// wideRadius is the radius of the table that a core needs, in steps of wideStep
// so that stars share tables.
func (m *psf) wideRadius(c *core) int {
	r := c.radius/float64(m.canvas.scale) + coreReach*m.fwhm()
	return max(m.radius, wideStep*int(math.Ceil(r/wideStep)))
}

const (
	wideStep  = 4
	wideSteps = 3
)

// coreStar is what is known of a star whose wings could not be fitted: the
// centre of the core, and a flux that grows with its size.
func (p *prepared) coreStar(m *psf, s *source) {
	c := s.core
	scale := float64(m.canvas.scale)
	s.at = [2]float64{(c.x+0.5)/scale - 0.5, (c.y+0.5)/scale - 0.5}
	level, noise := p.sky.at(c.x, c.y)
	if !(float64(p.full) > level) {
		return // the sky itself is full here
	}
	q := sq(c.radius/scale) * (m.metric[0] + m.metric[2]) / 2
	inCore, _ := m.profile.at(0)
	edge, _ := m.profile.at(min(q, 0.9*profileMaxQ))
	s.flux = (float64(p.full) - level) / (m.top * edge / inCore)
	v := sq((coreError*c.radius + coreError) / scale)
	s.varPos = [3]float64{v, 0, v}
	s.varF = sq(noise/scale) / m.power
	s.size = [3]float64{m.xx, m.xy, m.yy}
	s.full, s.failed = c.pixels, false
}

// coreError is the error of a core's centre as a share of its radius, and as
// least error in pixels: rows are whole pixels wide, and bleeding is uneven.
const coreError = 0.3
