package index

import (
	"fmt"
	"math"
	"math/bits"

	"polard/mountmodel/sky"
)

// Spec describes one level.
type Spec struct {
	Grid     int     // cells along an edge of a cube face
	PerCell  int     // how many stars of a cell are kept, the brightest, to thin them to even density
	nearest  int     // of how many neighbours three form patterns with a star
	ShapeBin float64 // width of a bin in each coordinate of the shape
	ShapeTol float64 // how far distortion and projection may move them inside such a field

	// A level that is not thinned holds all stars to the magnitude faintest, about so many, and
	// a star's neighbours are the nearest of those that are not fainter than itself: what shows
	// the star shows them, however deep an image goes, and no part of the sky is too crowded or
	// too empty. Stars to the magnitude brighter are left to another level as pivots.
	faintest, brighter float64
	stars              int
}

// Specs go from the widest fields to the narrowest, in steps of two in density. Their
// cells nest with the cells of the catalogue. With one star to a cell, two bright ones in a
// cell would cost the second; with many, the density is no longer even.
//
// Four levels are not thinned. The last two, for fields up to three degrees, hold more than a
// hundred megabytes together, and no room is left for steps between them, which fields of a
// degree would want; they do not, since their stars' neighbours are brighter ones. The
// first is for fields of 20 degrees and more through a lens, of which a short exposure may show a
// dozen stars, and the one in the middle for fields from there down to two degrees: between clouds or
// above a horizon the stars seen are not those that thinning to even density would keep.
//
// ShapeTol is about the relative stretch that a lens with two percent of distortion at
// the corner, or a tangent-plane scale wrong by a fifth, gives a pattern a quarter
// of the field large; narrow fields have neither, and what is left is
// refraction and aberration. The more neighbours form patterns, the more stars may
// fail to show; the last level has fewest, for its size. Bins are as wide as
// makes them hold some patterns each.
var Specs = []Spec{
	{Grid: 6, faintest: 6, stars: 5000, nearest: 7, ShapeBin: 0.12, ShapeTol: 0.03},
	{Grid: 3, PerCell: 6, nearest: 6, ShapeBin: 0.14, ShapeTol: 0.03},
	{Grid: 6, PerCell: 3, nearest: 6, ShapeBin: 0.14, ShapeTol: 0.02},
	{Grid: 6, PerCell: 6, nearest: 6, ShapeBin: 0.12, ShapeTol: 0.02},
	{Grid: 12, PerCell: 3, nearest: 6, ShapeBin: 0.1, ShapeTol: 0.02},
	{Grid: 12, PerCell: 6, nearest: 6, ShapeBin: 0.1, ShapeTol: 0.02},
	{Grid: 24, PerCell: 3, nearest: 6, ShapeBin: 0.08, ShapeTol: 0.012},
	{Grid: 24, PerCell: 6, nearest: 6, ShapeBin: 0.08, ShapeTol: 0.012},
	{Grid: 24, faintest: 8.2, stars: 56_500, nearest: 6, ShapeBin: 0.08, ShapeTol: 0.012},
	{Grid: 48, PerCell: 3, nearest: 6, ShapeBin: 0.08, ShapeTol: 0.006},
	{Grid: 48, PerCell: 6, nearest: 6, ShapeBin: 0.08, ShapeTol: 0.006},
	{Grid: 96, PerCell: 3, nearest: 6, ShapeBin: 0.07, ShapeTol: 0.003},
	{Grid: 192, faintest: 10.5, stars: 607_000, nearest: 4, ShapeBin: 0.06, ShapeTol: 0.0025},
	{Grid: 384, faintest: 16, stars: 2_560_000, brighter: 9.5, nearest: 4, ShapeBin: 0.05, ShapeTol: 0.0025},
}

// Thinned tells whether the level holds so many stars for each grid cell, and not all down to a magnitude.
func (s Spec) Thinned() bool { return s.PerCell > 0 }

// CellSide is the mean side of the level's grid cell.
func (s Spec) CellSide() sky.Angle { return 90 * sky.Degree / sky.Angle(s.Grid) }

// StarsIn is how many stars of the level a field of the given solid angle
// (square radians) holds where the catalogue is rich enough.
func (s Spec) StarsIn(area float64) float64 {
	c := s.CellSide().Radians()
	if !s.Thinned() {
		return float64(s.stars) * area / (4 * math.Pi)
	}
	return float64(s.PerCell) * area / (c * c)
}

// triples is how many of neighbourTriples a level files.
func (s Spec) triples() int { return s.nearest * (s.nearest - 1) * (s.nearest - 2) / 6 }

// pivotShift is how many bits of an entry are below the pivot's.
func (s Spec) pivotShift() uint {
	return uint(bits.Len(sizeMask) + bits.Len(uint(s.triples()-1)))
}

// mostPivots is how many pivots a level's entries can name.
func (s Spec) mostPivots() int { return 1 << (32 - s.pivotShift()) }

// LargeGrid is the grid of the first level for fields of some degrees at most.
const LargeGrid = 192

// manyStars is how many take a hundred megabytes.
const manyStars = 1_000_000

// neighboursListed is how many neighbours of each star are listed.
func (s Spec) neighboursListed() int { return max(s.nearest, Neighbours) }

// pivot tells whether a star is left to this level as the pivot of patterns, by its magnitude.
func (s Spec) pivot(mag float32) bool { return s.brighter == 0 || mag > float32(s.brighter) }

// fileName tells the levels of Specs apart; one of another version is written over.
func (s Spec) fileName() string { return fmt.Sprintf("level-%d-%d.bin", s.Grid, s.PerCell) }
