package match

import (
	"cmp"
	"math"
	"slices"

	"polard/catalogs"
	"polard/mountmodel/sky"
	"polard/solve/index"
	"polard/solve/match/proof"
)

// The ranges of scales that are tried, each on a level of the index.

// Limits of the pixel scale that the search covers.
const (
	FinestScale   = 0.1 * sky.Arcsecond
	CoarsestScale = 700 * sky.Arcsecond
)

// widestField is how wide a field may be (long side, at the scale of its middle). All of 75 degrees are solved (TestWideLenses), of
// 90 all with a hint and nine in ten without, and half of those of 110, whose corners two radial terms no longer describe;
// lenses for whole skies see more.
const widestField = 125 * sky.Degree

// coarsestFor is the coarsest scale of an image that is searched without a hint.
func coarsestFor(image proof.Detections) sky.Angle {
	return min(widestField/sky.Angle(max(image.Width, image.Height)), CoarsestScale)
}

// Scales between which, without a hint, stars are looked for among many more detections: fields of finer ones hold too few
// bundled stars, and at coarser ones a pixel holds so much sky that what is detected are stars.
const (
	finestLowCompleteness   = 0.5 * sky.Arcsecond
	coarsestLowCompleteness = 150 * sky.Arcsecond
)

// hintTolerance is how far a hinted scale may be off: focal lengths in headers
// are nominal, good to some five percent.
const hintTolerance = 0.07

// Stars that a level should hold in the field for it to be searched, such that two or
// three levels serve every field: fewer give no pattern, and with more the image's
// brightest are too small a part of them.
const (
	fewestInField, mostInField = 4, 110
	idealInField               = 20

	// mostUnthinned is mostInField for a level that is not thinned: however much deeper than the
	// image it goes, the image's stars are in it as the pivots of patterns of one another.
	mostUnthinned = 450
)

func mostStars(s index.Spec) float64 {
	if s.Thinned() {
		return mostInField
	}
	return mostUnthinned
}

// rangeStep is the ratio of scales that are searched together. The number of the
// image's stars that form patterns follows the scale, and so does the flattening of a
// wide field's tangent plane. It is about the range of a hint.
const rangeStep = 1.25

// scaleRange is a range of scales to be searched on one level.
type scaleRange struct {
	level            int
	scaleLo, scaleHi float64 // radians per pixel
	distortion       float64 // at the image's corner, of the lens assumed
}

// hintedRanges are the levels for a scale that is known to hintTolerance, the
// one with the best number of stars in the field first.
func hintedRanges(image proof.Detections, hint sky.Angle) []scaleRange {
	if hint <= 0 {
		return nil
	}
	var ranges []scaleRange
	scale := hint.Radians()
	area := float64(image.Width) * float64(image.Height) * scale * scale
	for i, spec := range index.Specs {
		if n := spec.StarsIn(area); n >= fewestInField && n <= mostStars(spec) {
			ranges = append(ranges, scaleRange{level: i, scaleLo: scale * (1 - hintTolerance), scaleHi: scale * (1 + hintTolerance)})
		}
	}
	ideal := func(r scaleRange) float64 {
		return math.Abs(math.Log(index.Specs[r.level].StarsIn(area) / idealInField))
	}
	slices.SortStableFunc(ranges, func(a, b scaleRange) int { return cmp.Compare(ideal(a), ideal(b)) })
	return ranges
}

// lensDistortion is the distortion at the corner of the lenses that are tried, of
// either sign, after a straight one. With shapeTol for what is left, they serve from
// nothing to some six percent. Of 1,440 lists through four kinds of lenses of 28 to 90 degrees, as TestWideLenses draws
// them, they alone solve three.
const lensDistortion = 0.035

// distortedField is the long side of the field from which lenses have so much.
const distortedField = 20 * sky.Degree

// distortedRanges are those of the ranges in which a lens may distort, with the distortions to try.
func distortedRanges(image proof.Detections, ranges []scaleRange) (out []scaleRange) {
	for _, r := range ranges {
		if sky.Angle(r.scaleHi*float64(max(image.Width, image.Height))) < distortedField {
			continue
		}
		for _, d := range []float64{lensDistortion, -lensDistortion} {
			r.distortion = d
			out = append(out, r)
		}
	}
	return out
}

// allRanges cover all scales, each by the levels that hold a good number of
// stars in the field; widest fields first, or those nearest to a hinted scale.
func allRanges(image proof.Detections, hint sky.Angle) []scaleRange {
	var ranges []scaleRange
	area := float64(image.Width) * float64(image.Height)
	for i, spec := range index.Specs {
		// starsIn grows as the square of the scale.
		unit := math.Sqrt(spec.StarsIn(area))
		lo := max(math.Sqrt(fewestInField)/unit, FinestScale.Radians())
		hi := min(math.Sqrt(mostStars(spec))/unit, coarsestFor(image).Radians())
		step := rangeStep
		if !spec.Thinned() && sky.Angle(hi*float64(max(image.Width, image.Height))) <= wideField {
			step = hi / lo // neither the choice of the image's stars nor their places depend on the scale
		}
		for lo < hi {
			next := min(hi, lo*step)
			ranges = append(ranges, scaleRange{level: i, scaleLo: lo, scaleHi: next})
			lo = next
		}
	}
	if hint > 0 {
		far := func(r scaleRange) float64 { return math.Abs(math.Log(r.scaleLo * r.scaleHi / sq(hint.Radians()))) }
		slices.SortStableFunc(ranges, func(a, b scaleRange) int { return cmp.Compare(far(a), far(b)) })
	}
	return ranges
}

// scaleGrid gives the ranges of scales of the passes over one image.
type scaleGrid struct {
	cat   *catalogs.Catalogue
	image proof.Detections
	hint  sky.Angle // 0 when unknown
}

// of are the ranges of a pass, the most promising first.
func (g *scaleGrid) of(p *pass) []scaleRange {
	var ranges []scaleRange
	lo, hi := g.hint.Radians()*(1-hintTolerance), g.hint.Radians()*(1+hintTolerance)
	switch p.scales {
	case hinted:
		ranges = hintedRanges(g.image, g.hint)
	case all, ofFewOrTiny:
		ranges = allRanges(g.image, g.hint)
	case hintedBest:
		return lowCompletenessRanges(g.cat, g.image, lo, hi, 2, 0)
	case hintedNext:
		return lowCompletenessRanges(g.cat, g.image, lo, hi, 2, 1)
	case allBest:
		return lowCompletenessRanges(g.cat, g.image, finestLowCompleteness.Radians(), coarsestLowCompleteness.Radians(), lowCompletenessStep, 0)
	}
	if p.distorts {
		ranges = distortedRanges(g.image, ranges)
	}
	if p.scales == ofFewOrTiny && len(g.image.At) > fewestDetections { // of deep images of narrow fields most are in no catalogue
		return slices.DeleteFunc(ranges, func(r scaleRange) bool { return index.Specs[r.level].Grid < index.LargeGrid })
	}
	return ranges
}
