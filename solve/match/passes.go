package match

import (
	"math"

	"polard/mountmodel/sky"
)

// The passes of a search, in the order in which they are made.

// pass is one way of looking for patterns: at which scales, with which detections, and what is asked
// of a candidate before it is verified.
type pass struct {
	name     string
	effort   effort
	scales   scales
	near     bool       // only within nearRadius of the hinted place; without one there is no such pass
	distorts bool       // the lens is assumed to, see lensDistortion; a straight one when not
	order    order      // of the detections that form patterns: by brightness when not given
	most     int        // of them; as many as suit the level when 0
	when     when       // the images for which it is made: all when not given
	partial  partial    // patterns of which one star is missing; whole ones when not given
	asked    neighbours // of a candidate: as many as chance seldom shows when not given
	added    float64    // among added stars, everywhere, with up to so many in the field
	pairs    bool       // patterns of two, see pairs.go: about so many candidates are tried for each radius
	tried    int        // patterns of each range that an earlier pass has looked up: they are left out
	patterns int        // looked up for each range of scales; toTheEnd for all
	enough   int        // candidates: after so many no further range is begun; all are when 0
}

// An effort tells whether a pass belongs to the first answer or to the deeper search.
type effort int

const (
	cheap             effort = iota // a part of the first answer
	cheapWhenFew                    // so for at most fewDetections
	cheapWithoutScale               // so where no scale is hinted
	expensive                       // deeper, always
)

// scales are those that a pass covers.
type scales int

const (
	hinted      scales = iota // within hintTolerance of the hinted one: none without a hint
	all                       // that the search covers
	ofFewOrTiny               // all for fewestDetections; on the levels of the narrowest fields for more
	hintedBest                // hinted, on the level that suits a low completeness best
	hintedNext                // and on the next
	allBest
)

// order is that of the detections.
type order int

const (
	byBrightness order = iota
	smoothFirst        // by brightness, those of a smooth sky first, see smoothSkyFirst
	byLocalRank        // see lowcompleteness.go, which forms the patterns otherwise as well
)

// when tells for which images a pass is made.
type when int

const (
	always when = iota
	structuredSky
	manyOnly // lowCompletenessStars and more
)

// partial tells which star of a pattern may be missing.
type partial int

const (
	whole      partial = iota
	third              // the last of the pivot's neighbours
	anyShorter         // any but that of the longest side, which takes long to look up
)

// neighbours are what a candidate's stars must have around them, see search.neighboursSeen.
type neighbours int

const (
	expected  neighbours = iota
	orGoodFit            // fewer where the pattern fits better than chance does
	fewer                // of the level's stars many may be unseen
)

// firstPatterns is how many patterns each range of scales is given in the first answer: true candidates show among them
// in all of 2,788 surveyed star lists, and in all but one in a hundred of drawn frames. firstPartial of partial ones are all those of
// sixteen detections, and of more those of the brightest: of the lists that partialNeighbours tells of, 96 solve as many as 128, and 64
// two fewer. At all scales, where each costs the most, firstPartialOfAll are those of ten; of ten such lists they solve six, and
// half as many one. enoughPartial candidates are more than twice as many as any of 4,740 surveyed lists of a degree and
// less met before it was solved; wider fields, for which many levels serve, seldom need partial patterns and would meet far more.
const (
	firstPatterns     = 350
	firstPartial      = 96
	firstPartialOfAll = 64
	enoughPartial     = 20_000
	toTheEnd          = math.MaxInt
)

// fewDetections: of so few all may be tried. fewestDetections form partial patterns at all scales; each of those
// meets as many chance likenesses as a triangle does.
const (
	fewDetections    = 40
	fewestDetections = 20
)

// nearRadius is how far from a hinted place the first search goes: a mount set
// up by eye, or a header that names the target, is right to some degrees.
const nearRadius = 15 * sky.Degree

// passes are the whole search. What a name says in its first words, others do as well and do not say. Each earns its place by the
// frames that it alone solves, or, where it comes early, by what it saves the later ones (make passes): one that solves less
// than one frame in two thousand so is left out.
var passes = []pass{
	{name: "near, hinted scale", near: true, patterns: toTheEnd},
	{name: "near, pairs", near: true, pairs: true, patterns: 100_000},
	{name: "near, all scales", near: true, scales: all, patterns: firstPatterns},

	{name: "hinted scale", patterns: toTheEnd},
	{name: "added stars", added: fewestLooked, patterns: toTheEnd},
	{name: "added stars, at length", effort: expensive, added: mostLooked, patterns: toTheEnd},
	{name: "hinted scale, distorted", distorts: true, patterns: toTheEnd},
	{name: "hinted scale, smooth sky", order: smoothFirst, when: structuredSky, patterns: toTheEnd},

	{name: "partial, smooth sky", effort: cheapWhenFew, order: smoothFirst, when: structuredSky, most: fewDetections, partial: anyShorter, asked: orGoodFit, patterns: firstPartial, enough: enoughPartial},
	{name: "partial", effort: cheapWhenFew, most: fewDetections, partial: anyShorter, asked: orGoodFit, patterns: firstPartial, enough: enoughPartial},
	{name: "low completeness", scales: hintedBest, order: byLocalRank, when: manyOnly, asked: fewer, patterns: 20_000},
	{name: "low completeness, next level", scales: hintedNext, order: byLocalRank, when: manyOnly, asked: fewer, patterns: 20_000},

	{name: "all scales", effort: cheapWithoutScale, scales: all, patterns: firstPatterns},
	{name: "all scales, smooth sky", effort: cheapWithoutScale, scales: all, order: smoothFirst, when: structuredSky, patterns: firstPatterns},
	{name: "all scales, distorted", effort: cheapWithoutScale, scales: all, distorts: true, patterns: firstPatterns},

	{name: "low completeness, at length", effort: expensive, scales: hintedBest, order: byLocalRank, when: manyOnly, asked: fewer, tried: 20_000, patterns: 180_000},
	{name: "low completeness, next level, at length", effort: expensive, scales: hintedNext, order: byLocalRank, when: manyOnly, asked: fewer, tried: 20_000, patterns: 180_000},
	{name: "all scales, at length", effort: expensive, scales: all, order: smoothFirst, tried: firstPatterns, patterns: toTheEnd},
	{name: "all scales, partial", effort: expensive, scales: ofFewOrTiny, order: smoothFirst, most: fewestDetections, partial: third, patterns: firstPartialOfAll},
	{name: "low completeness, all scales", effort: expensive, scales: allBest, order: byLocalRank, when: manyOnly, asked: fewer, patterns: 6_000},
}
