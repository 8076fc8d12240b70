package fit

import (
	"math"

	"polard/solve/detect/psf"
	"polard/solve/detect/raster"
)

// weighted sums second moments.
type weighted struct{ w, x, y, xx, xy, yy float64 }

func (m *weighted) add(x, y, w float64) {
	m.w += w
	m.x += w * x
	m.y += w * y
	m.xx += w * x * x
	m.xy += w * x * y
	m.yy += w * y * y
}

// inverse is the inverse of the central second moments.
func (m *weighted) inverse() (inv raster.Moments, ok bool) {
	if !(m.w > 0) {
		return inv, false
	}
	x, y := m.x/m.w, m.y/m.w
	return invert(raster.Moments{XX: m.xx/m.w - x*x, XY: m.xy/m.w - x*y, YY: m.yy/m.w - y*y})
}

func invert(a raster.Moments) (inv raster.Moments, ok bool) {
	det := a.XX*a.YY - a.XY*a.XY
	if !(det > 0 && a.XX > 0) {
		return inv, false
	}
	return raster.Moments{XX: a.YY / det, XY: -a.XY / det, YY: a.XX / det}, true
}

// starMoments is the star's own size: under a window like the PSF the inverse
// moments of star and window add (both Gaussian), so what the star's differ
// from the model's is how its own differ from the PSF's.
func starMoments(m *psf.Model, seen, drawn *weighted) raster.Moments {
	own := m.Moments
	base, ok0 := invert(own)
	a, ok1 := seen.inverse()
	b, ok2 := drawn.inverse()
	if !ok0 || !ok1 || !ok2 {
		return own
	}
	size, ok := invert(raster.Moments{XX: base.XX + a.XX - b.XX, XY: base.XY + a.XY - b.XY, YY: base.YY + a.YY - b.YY})
	// Beyond four times the PSF the window decides.
	if !ok || math.Sqrt(size.XX+size.YY) > 4*math.Sqrt(m.XX+m.YY) {
		if seen.xx*seen.w > drawn.xx*drawn.w {
			return raster.Moments{XX: 16 * m.XX, XY: 16 * m.XY, YY: 16 * m.YY}
		}
		return own
	}
	return size
}
