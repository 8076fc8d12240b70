package match

import (
	"cmp"
	"math"
	"slices"

	"polard/catalogs"
	"polard/solve/index"
	"polard/solve/match/proof"
)

// The low-completeness pass, for images whose brightest sources are mostly in no catalogue: the
// infra-red, where cool and hidden stars outshine those of visible light. The stars of
// a level are in such an image, but scattered over many ranks. When a part p of the
// image's stars, as deep as one looks, is of the level, a pattern of four of them shows the
// level's stars with the odds p^4, however deep: what counts is to look at enough of
// them. So patterns are formed one star at a time, each with all that come before it, in order
// of their deepest star. Were every star as likely as another to be of the level,
// 1.6/p^4 patterns would be looked up in the mean before a filed one: a thousand when one star in five
// is of the level, sixteen thousand when one in ten is.
//
// The 1.6 is for patterns within patternReach. Of the catalogue's patterns, filed when the
// sides are among the pivot's nearest six, those whose longest side is expected to hold m
// stars within its length are filed with the odds that a Poisson number of
// mean m is at most three; and the image's patterns within m grow as m^3. Small ones
// promise most and are fewest. Up to m = 4 a third of the filed patterns is met at two thirds
// of the best yield.

const (
	// patternReach is m: how many stars of the level lie on average within the longest side.
	patternReach = 4

	// A range of the low-completeness pass would best have one star of its level in the field for
	// levelPart detections: more are a larger part of the image's stars, but their patterns
	// are rarely seen whole. Beyond mostLevelInField they lie so near to one another that
	// centroids spoil the shapes.
	levelPart                            = 6
	fewestLevelInField, mostLevelInField = 20, 150

	// worthThinned is by what factor a thinned level's number of stars may be off before one that
	// is not thinned serves as well: there a pattern's pivot is its faintest star, which an image
	// in another light does not tell.
	worthThinned = 2.5

	// lowCompletenessStars is the number of detections from which the low-completeness pass is made: with less,
	// the patterns of the other passes have met nearly all of them.
	lowCompletenessStars = 24

	// mostGrowingStars bounds the stars that form its patterns, and mostWithinReach those within reach
	// of each: ten times what the level has there. In a clump the fainter ones are left out.
	mostGrowingStars = 1500
	mostWithinReach  = 40

	// lowCompletenessStep is the ratio of scales that are searched together.
	lowCompletenessStep = 1.5
)

// What is asked of a candidate's neighbours: odds, for many of them may be unseen, and how
// far (pixels) they may lie from their places, before half the stretch of the level is added.
const (
	fewerOdds = 0.1
	fewerTol  = 1.5
)

// crowded is how many detections may lie by chance within the first tolerance of a place.
const crowded = 0.25

// detectionsWithin is how many detections of an image are looked at: all, unless chance would
// bring one within tol of too many places.
func detectionsWithin(image proof.Detections, tol float64) int {
	n := crowded * float64(image.Width) * float64(image.Height) / (math.Pi * tol * tol)
	return max(verifyDetections, int(min(n, float64(len(image.At)))))
}

// lowCompletenessRanges covers the scales from lo to hi (radians per pixel), each by the level that has nearest
// to idealLevelInField stars in the field; the best of the levels, or the next after it.
func lowCompletenessRanges(cat *catalogs.Catalogue, image proof.Detections, lo, hi, step float64, skip int) []scaleRange {
	ideal := idealLevelInField(image)
	var ranges []scaleRange
	for lo < hi {
		next := min(hi, lo*step)
		levels := make([]int, len(index.Specs))
		for i := range levels {
			levels[i] = i
		}
		slices.SortStableFunc(levels, func(a, b int) int {
			far := func(l int) float64 {
				off := math.Abs(math.Log(levelStars(cat, l, image, math.Sqrt(lo*next)) / ideal))
				if !index.Specs[l].Thinned() {
					off = max(off, math.Log(worthThinned))
				}
				return off
			}
			return cmp.Compare(far(a), far(b))
		})
		ranges = append(ranges, scaleRange{level: levels[skip], scaleLo: lo, scaleHi: next})
		lo = next
	}
	return ranges
}

// idealLevelInField is how many stars of a level would best be in the field.
func idealLevelInField(image proof.Detections) float64 {
	return min(max(float64(len(image.At))/levelPart, fewestLevelInField), mostLevelInField)
}

// levelStars is how many stars of a level form patterns of one size in the field, at most as many
// as the catalogue has. Levels that are not thinned have patterns of many sizes.
func levelStars(cat *catalogs.Catalogue, level int, image proof.Detections, scale float64) float64 {
	area := float64(image.Width) * float64(image.Height) * sq(scale)
	n := min(index.Specs[level].StarsIn(area), float64(cat.Len())*area/(4*math.Pi))
	if !index.Specs[level].Thinned() {
		n = min(n, idealLevelInField(image))
	}
	return n
}
