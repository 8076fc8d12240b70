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

// The plan of a search: which ranges of scales are tried, with which patterns, and in which order.

// Limits of the pixel scale that the search covers.
const (
	FinestScale   = 0.5 * sky.Arcsecond
	CoarsestScale = 150 * sky.Arcsecond
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
	// image it goes, the image's stars are in it as the hubs of patterns of one another.
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

// firstTurn is how many image patterns each range of scales is given before any has a
// longer turn: true candidates mostly show among the first.
const (
	firstTurn = 350
	firstOpen = 128 // of open ones: those of the eight brightest stars
	toTheEnd  = math.MaxInt
)

// sparseImage is how many of the brightest detections go on being tried where the usual search
// has ended: a field with few stars of the catalogue may have a single pattern with too few
// neighbours, and of few detections all may be tried. With a hinted scale, patterns are tried as well of
// which one star is missing; each meets as many chance likenesses as a triangle does.
const sparseImage = 40

// sparsestImage is of how many such patterns are tried at all scales.
const sparsestImage = 20

// lenientGrid is the finest grid for which all scales are searched without asking for
// neighbours: the level's stars are few.
const lenientGrid = 12

// scaleRange is a range of scales to be searched on one level.
type scaleRange struct {
	level            int
	scaleLo, scaleHi float64 // radians per pixel
	distortion       float64 // at the image's corner, of the lens assumed
}

// sweep goes over ranges of scales, some patterns of each at a time.
type sweep struct {
	ranges      []scaleRange
	centroidTol float64   // pixels
	open        bool      // with open patterns
	either      bool      // of which the second spoke may be the unseen one too, which takes long to look up
	lenient     bool      // drops no candidate for want of neighbours
	patient     bool      // nor for want of them alone
	brightest   int       // of the image's stars alone form patterns; 0 for all
	quiet       bool      // with the image's stars of quiet sky first
	deep        bool      // see deep.go
	near        *sky.ICRS // only within nearRadius of it; nil for the whole sky
	searches    []*search // of the ranges; nil until their first turn
}

// turn is so many patterns for each range of a sweep.
type turn struct {
	*sweep
	patterns int
}

// nearRadius is how far from a hinted place the first search goes: a mount set
// up by eye, or a header that names the target, is right to some degrees.
const nearRadius = 15 * sky.Degree

// planner makes the turns of an image's search.
type planner struct {
	image                 proof.Detections
	noisy                 bool // its stars of quiet sky are tried first as well, see quietFirst
	hint                  Hint
	hinted, blind         []scaleRange
	bentHinted, bentBlind []scaleRange // of lenses
	sharp, quiet          *sweep       // over all scales, which have two turns each
}

// plan lists the turns of the search, the most promising first; those of a noisy image as quietFirst
// tells it try the stars of quiet sky as well.
func plan(cat *catalogs.Catalogue, image proof.Detections, noisy bool, hint Hint) []turn {
	p := planner{image: image, noisy: noisy, hint: hint, hinted: hintedRanges(image, hint.Scale), blind: blindRanges(image, hint.Scale)}
	p.bentHinted, p.bentBlind = bent(image, p.hinted), bent(image, p.blind)
	p.sharp, p.quiet = over(p.blind), p.quietly(p.blind)
	turns := slices.Concat(p.nearby(), p.hintedFirst())
	everywhere := !hint.Quick || hint.Scale == 0
	if everywhere {
		turns = append(turns, p.blindFirst()...)
	}
	if len(image.At) <= sparseImage || !hint.Quick {
		turns = append(turns, p.hintedLast()...)
	}
	if everywhere {
		turns = append(turns, p.blindLast()...)
	}
	return append(turns, deepTurns(cat, image, hint)...)
}

// over is the plain sweep over some ranges of scales.
func over(ranges []scaleRange) *sweep {
	return &sweep{ranges: ranges, centroidTol: sharpTol, searches: make([]*search, len(ranges))}
}

// softly is a sweep for centroids that are off by more.
func (p *sweep) softly() *sweep {
	p.centroidTol = softTol
	return p
}

// leniently is a sweep that drops no candidate for want of neighbours.
func (p *sweep) leniently() *sweep {
	p.lenient = true
	return p
}

// quietly is a sweep with the stars of quiet sky first, if the image is noisy.
func (p *planner) quietly(ranges []scaleRange) *sweep {
	out := over(ranges)
	out.quiet = p.noisy
	return out
}

// nearby are the turns about the hinted place.
func (p *planner) nearby() []turn {
	if p.hint.Near == nil {
		return nil
	}
	hinted, blind := over(p.hinted), over(p.blind)
	hinted.near, blind.near = p.hint.Near, p.hint.Near
	return []turn{{hinted, toTheEnd}, {blind, firstTurn}}
}

// hintedFirst are the turns that solve nearly every frame of a known scale.
func (p *planner) hintedFirst() []turn {
	turns := []turn{{over(p.hinted), toTheEnd}, {over(p.bentHinted), toTheEnd}, {over(p.hinted).softly(), toTheEnd}}
	if p.noisy {
		soft := p.quietly(p.hinted).softly()
		soft.patient = true
		turns = append(turns, turn{p.quietly(slices.Concat(p.hinted, p.bentHinted)), toTheEnd}, turn{soft, toTheEnd})
	}
	return turns
}

// hintedLast are the turns for few stars of the catalogue among many others: in the order of
// brightness as well, for what is taken for rough sky may be the brightest stars.
func (p *planner) hintedLast() (turns []turn) {
	ranges := slices.Concat(p.hinted, p.bentHinted)
	orders := []*sweep{p.quietly(ranges)}
	if p.noisy {
		orders = append(orders, over(ranges))
	}
	for _, open := range orders {
		open.open, open.either, open.brightest, open.patient = true, true, sparseImage, true
		turns = append(turns, turn{open, firstOpen})
	}
	turns = append(turns, turn{p.quietly(ranges).leniently(), toTheEnd})
	for _, open := range orders {
		turns = append(turns, turn{open, toTheEnd})
	}
	return turns
}

// blindFirst are the turns that solve nearly every frame of an unknown scale.
func (p *planner) blindFirst() []turn {
	turns := []turn{{p.sharp, firstTurn}, {over(p.bentBlind), toTheEnd}}
	if p.noisy {
		turns = append(turns, turn{p.quiet, firstTurn}, turn{p.quietly(p.bentBlind), toTheEnd})
	}
	return turns
}

// blindLast try everything else at all scales.
func (p *planner) blindLast() []turn {
	turns := []turn{{p.sharp, toTheEnd}}
	if p.noisy {
		turns = append(turns, turn{p.quiet, toTheEnd})
	}
	if len(p.image.At) <= sparseImage {
		wide := slices.DeleteFunc(slices.Concat(p.blind, p.bentBlind), func(r scaleRange) bool { return index.Specs[r.level].Grid > lenientGrid })
		turns = append(turns, turn{p.quietly(wide).leniently(), toTheEnd})
	}
	ranges := p.blind
	if len(p.image.At) > sparsestImage { // of deep images of narrow fields most are in no catalogue
		ranges = slices.DeleteFunc(slices.Clone(p.blind), func(r scaleRange) bool { return index.Specs[r.level].Grid < index.LargeGrid })
	}
	open := p.quietly(ranges)
	open.open, open.brightest = true, sparsestImage
	return append(turns, turn{open, toTheEnd}, turn{over(p.blind).softly(), toTheEnd})
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

// bentDistortion is the distortion at the corner of the lenses that are tried, of
// either sign, after a straight one. With shapeTol for what is left, they serve from
// nothing to some six percent.
const bentDistortion = 0.035

// bentField is the long side of the field from which lenses have so much.
const bentField = 20 * sky.Degree

// bent are those of the ranges in which a lens may distort, with the distortions to try.
func bent(image proof.Detections, ranges []scaleRange) (out []scaleRange) {
	for _, r := range ranges {
		if sky.Angle(r.scaleHi*float64(max(image.Width, image.Height))) < bentField {
			continue
		}
		for _, d := range []float64{bentDistortion, -bentDistortion} {
			r.distortion = d
			out = append(out, r)
		}
	}
	return out
}

// blindRanges cover all scales, each by the levels that hold a good number of
// stars in the field; widest fields first, or those nearest to a hinted scale.
func blindRanges(image proof.Detections, hint sky.Angle) []scaleRange {
	var ranges []scaleRange
	area := float64(image.Width) * float64(image.Height)
	for i, spec := range index.Specs {
		// starsIn grows as the square of the scale.
		unit := math.Sqrt(spec.StarsIn(area))
		lo := max(math.Sqrt(fewestInField)/unit, FinestScale.Radians())
		hi := min(math.Sqrt(mostStars(spec))/unit, CoarsestScale.Radians())
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
