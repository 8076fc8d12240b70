package psf

import (
	"context"
	"math"
	"slices"

	"polard/solve/detect/raster"
	"polard/solve/detect/residual"
	"polard/solve/parallel"
	"polard/solve/robust"
)

// Which objects show the size of the stars.
const (
	// mostObjects of the brightest maxima of a level that settle are
	// looked at, of at most mostTries.
	mostObjects = 80
	mostTries   = 960
	// Sizes (sigma, pixels of a level) with which a level serves. Below the
	// smallest on a coarse level the finer one would show more.
	smallestFinest = 0.45
	smallestCoarse = 0.8
	largestSizeOK  = 2.5
	// smallSize: below it a coarse level costs accuracy; there, bright stars of 7 pixels would err by 1.086 instead of 1.041 of
	// the Cramer-Rao bound (TestCovarianceIsTrue).
	smallSize = 1.2
	// sameSize is the span of ln(size) within which stars count as similar:
	// focus, seeing and noise scatter them by some 10 percent.
	sameSize = 0.25
	// Shapes nearer to each other than pieceDistance sizes, and of fluxes within
	// the ratio pieceFlux, are pieces of one object. With these, 5 instead of 22 of 22 rings of 20 pixels are found.
	pieceDistance = 5
	pieceFlux     = 3
)

// similar measures the brightest maxima of a level and returns the largest
// group of one size, brightest first; with smooth, of those where the background is. The error is ctx's.
func similar(ctx context.Context, workers int, r *residual.Image, l *residual.Level, smooth bool) ([]object, error) {
	maxima, err := r.Maxima(ctx, workers, l, smooth)
	if err != nil {
		return nil, err
	}
	smallest := smallestCoarse
	if l.Scale == 1 {
		smallest = smallestFinest
	}
	var objects []object
	// The trail of a satellite may hold the brightest maxima: go on until
	// enough have settled.
	for from := 0; from < min(len(maxima), mostTries) && len(objects) < mostObjects; from += mostObjects {
		batch := maxima[from:min(from+mostObjects, len(maxima))]
		found := make([]object, len(batch))
		good := make([]bool, len(batch))
		err := parallel.Each(ctx, workers, len(batch), func(_, i int) {
			m := batch[i]
			if r.Saturation.Near(l, m.X, m.Y) {
				return
			}
			s, ok := measure(l, float64(m.X), float64(m.Y), 1.2)
			s.height = m.Height
			found[i] = s
			good[i] = ok && !s.missing && s.size() >= smallest && s.size() <= largestSizeOK
		})
		if err != nil {
			return nil, err
		}
		for i, s := range found {
			if good[i] && len(objects) < mostObjects && !slices.ContainsFunc(objects, func(o object) bool { return math.Hypot(o.x-s.x, o.y-s.y) < 1 }) {
				objects = append(objects, s)
			}
		}
	}
	return ofOneSize(objects), nil
}

// ofOneSize is the largest group of objects of one size that are neither in a row nor pieces of one.
func ofOneSize(objects []object) []object {
	places := make([]complex128, len(objects))
	for i, s := range objects {
		places[i] = complex(s.x, s.y)
	}
	rows := raster.Rows(places)
	objects = slices.DeleteFunc(objects, func(s object) bool { return rows[complex(s.x, s.y)] })
	// The window of ln(size) that holds most.
	sizes := make([]float64, len(objects))
	for i, s := range objects {
		sizes[i] = math.Log(s.size())
	}
	slices.Sort(sizes)
	lo, count := 0.0, 0
	for i := range sizes {
		j, _ := slices.BinarySearch(sizes, sizes[i]+sameSize)
		if j-i > count {
			lo, count = sizes[i], j-i
		}
	}
	group := slices.DeleteFunc(objects, func(s object) bool {
		l := math.Log(s.size())
		return l < lo || l >= lo+sameSize
	})
	// Pieces of a larger ring or trail lie beside each other.
	return slices.DeleteFunc(slices.Clone(group), func(s object) bool {
		return slices.ContainsFunc(group, func(o object) bool {
			d := math.Hypot(o.x-s.x, o.y-s.y)
			return d > 0 && d < pieceDistance*s.size() && o.flux < pieceFlux*s.flux && s.flux < pieceFlux*o.flux
		})
	})
}

// finer converts objects to a level of half the scale.
func finer(objects []object) []object {
	out := slices.Clone(objects)
	for i := range out {
		s := &out[i]
		s.x, s.y = 2*s.x+0.5, 2*s.y+0.5
		// What a pixel of the coarse level adds to the moments is 1/12, of the
		// finer one a quarter of that.
		const pixels = 4.0/12 - 1.0/12
		s.XX, s.XY, s.YY = 4*s.XX-pixels, 4*s.XY, 4*s.YY-pixels
		s.flux *= 4
		s.height /= 2
	}
	return out
}

func medianOf(objects []object, get func(object) float64) float64 {
	v := make([]float64, len(objects))
	for i, s := range objects {
		v[i] = get(s)
	}
	return robust.Median(v)
}
