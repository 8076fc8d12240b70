package index

import (
	"context"
	"math"

	"polard/catalogs"
	"polard/mountmodel/sky"
)

// Levels of an added catalogue, for narrow fields. They are made for a part of the sky when it is searched, with as
// many stars as a field asks for and their places at the time of the exposure, and are not thinned: what shows a
// star shows the brighter ones around it, however deep the image goes.

// Region is a part of the sky to which stars were added.
type Region struct {
	Center sky.ICRS
	Radius sky.Angle
}

const (
	// regionStars bounds the stars of one level: 20 MB and a quarter of a second of two cores.
	regionStars = 400_000

	// starsPerCell is how many stars a cell of the level's grid holds on average.
	starsPerCell = 4

	// regionTol is the stretch of narrow fields: refraction (3e-4 at 45 degrees of altitude, 1e-3 at 20) and a
	// header's scale that is off need no more, and lenses do not distort them.
	regionTol = 0.0025

	// coarsest and finest are the grids between which levels of regions are made.
	coarsestRegion, finestRegion = 96, 4096
)

// Regions cuts what was added into parts of which one level each is made, for so many stars a square degree.
func (x *Index) Regions(perSquareDegree float64) []Region {
	if x.Added == nil {
		return nil
	}
	var out []Region
	for _, p := range x.Added.Parts(regionStars / perSquareDegree) {
		out = append(out, Region{p.Center, p.Radius})
	}
	return out
}

// Region makes the level of a region, with about so many stars a square degree where there are as many, at
// their places of a Julian year. It is nil where nothing was added. The error is the context's.
func (x *Index) Region(ctx context.Context, r Region, perSquareDegree, year float64) (*Level, error) {
	if x.Added == nil {
		return nil, nil
	}
	var nodes []node
	var mags []float32
	area := x.Added.Thinned(r.Center, r.Radius, perSquareDegree, func(s catalogs.Star) {
		nodes = append(nodes, node{octaPlace: octaPlaceOf(VecOf(s.At(year)))})
		mags = append(mags, s.V)
	})
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if len(nodes) == 0 {
		return nil, nil
	}
	density := float64(len(nodes)) / area
	side := math.Sqrt(starsPerCell / density)
	spec := Spec{
		Grid: int(min(max(90/side, coarsestRegion), finestRegion)), nearest: 4, ShapeBin: 0.1, ShapeTol: regionTol,
		faintest: math.Inf(1), stars: int(density * 129600 / math.Pi),
	}
	l := &Level{Spec: spec, bins: newShapeBins(spec), pivotShift: spec.pivotShift(), nodes: nodes}
	var err error
	if l.far, err = nearest(ctx, l.nodes, mags, spec); err != nil {
		return nil, err
	}
	if err := filePatterns(ctx, l); err != nil {
		return nil, err
	}
	return l, nil
}
