package match

import (
	"cmp"
	"math"
	"slices"

	"polard/catalogs"
	"polard/solve/index"
	"polard/solve/match/proof"
)

// The deep sweep, for images whose brightest sources are mostly in no catalogue: the
// infra-red, where cool and hidden stars outshine those of visible light. The stars of
// a level are in such an image, but scattered over many ranks. When a part p of the
// image's stars, as deep as one looks, is of the level, a pattern of four of them shows the
// level's stars with the odds p^4, however deep: what counts is to look at enough of
// them. So patterns are formed one star at a time, each with all that come before it, in order
// of their deepest star. Were every star as likely as another to be of the level,
// 1.6/p^4 patterns would be looked up in the mean before a filed one: a thousand when one star in five
// is of the level, sixteen thousand when one in ten is.
//
// The 1.6 is for patterns within deepReach. Of the catalogue's patterns, filed when the
// spokes are among the hub's nearest six, those whose longest spoke is expected to hold m
// stars within its length are filed with the odds that a Poisson number of
// mean m is at most three; and the image's patterns within m grow as m^3. Small ones
// promise most and are fewest. Up to m = 4 a third of the filed patterns is met at two thirds
// of the best yield.

const (
	// deepReach is m: how many stars of the level lie on average within the longest spoke.
	deepReach = 4

	// A range of the deep sweep would best have one star of its level in the field for
	// deepPart detections: more are a larger part of the image's stars, but their patterns
	// are rarely seen whole. Beyond mostDeepInField they lie so near to one another that
	// centroids spoil the shapes.
	deepPart                           = 6
	fewestDeepInField, mostDeepInField = 20, 150

	// worthThinned is by what factor a thinned level's number of stars may be off before one that
	// is not thinned serves as well: there a pattern's hub is its faintest star, which an image
	// in another light does not tell.
	worthThinned = 2.5

	// lowCompletenessStars is the number of detections from which the deep sweep is made: with less,
	// the patterns of the other sweeps have met nearly all of them.
	lowCompletenessStars = 24

	// mostDeepStars bounds the stars that form its patterns, and mostDeepNear those within reach
	// of each: ten times what the level has there. In a clump the fainter ones are left out.
	mostDeepStars = 1500
	mostDeepNear  = 40

	// lowCompletenessStep is the ratio of scales that are searched together.
	lowCompletenessStep = 1.5
)

// localRankFirst orders detections by how many brighter ones lie around them, in a window
// of a quarter of the longer side, per area: so that no part of the image, be it
// crowded or clear, keeps the rest out.
func localRankFirst(s proof.Detections) proof.Detections {
	half := float64(max(s.Width, s.Height)) / 8
	all := s.At[:min(len(s.At), 2*mostDeepStars)]
	type ranked struct {
		at   complex128
		rank float64
	}
	order := make([]ranked, len(all))
	for i, z := range all {
		n := 1
		for _, b := range all[:i] {
			if math.Abs(real(z-b)) < half && math.Abs(imag(z-b)) < half {
				n++
			}
		}
		w := min(real(z)+half, float64(s.Width)) - max(real(z)-half, 0)
		h := min(imag(z)+half, float64(s.Height)) - max(imag(z)-half, 0)
		order[i] = ranked{z, float64(n) / (w * h)}
	}
	slices.SortStableFunc(order, func(a, b ranked) int { return cmp.Compare(a.rank, b.rank) })
	s.At = make([]complex128, len(order))
	for i, o := range order {
		s.At[i] = o.at
	}
	return s
}

// deepPatterns forms the patterns of the deep sweep, some at a time.
type deepPatterns struct {
	at    []complex128
	reach float64    // longest spoke, pixels
	last  bool       // the hub is the star that comes last, not the central one
	near  [][]uint16 // of each star so far, those within reach
	next  int        // the star that joins next
}

// more gives the patterns of the next star with those before it, by their central star, or by
// that star in levels whose hubs are the faintest of their patterns;
// none when there are no more stars.
func (d *deepPatterns) more() []imagePattern {
	var out []imagePattern
	for len(out) == 0 && d.next < len(d.at) {
		i := uint16(d.next)
		d.next++
		var near []uint16
		for j, z := range d.at[:i] {
			if r := norm2(z - d.at[i]); r <= sq(d.reach) && r >= sq(shortestSpoke) {
				near = append(near, uint16(j))
			}
		}
		if len(near) > mostDeepNear {
			near = nil
		}
		d.near = append(d.near, near)
		add := func(p imagePattern) {
			if d.last || d.central(p) {
				out = append(out, p)
			}
		}
		for a := range near {
			for b := range a {
				for c := range b {
					add(imagePattern{i, near[a], near[b], near[c]})
				}
			}
		}
		for _, hub := range near {
			if d.last {
				break
			}
			others := d.near[hub]
			if len(others) == mostDeepNear {
				continue
			}
			for b := range others {
				for c := range b {
					add(imagePattern{hub, i, others[b], others[c]})
				}
			}
			d.near[hub] = append(d.near[hub], i)
		}
	}
	return out
}

// central tells whether the hub lies nearest to the middle of the four stars, as package index files them.
func (d *deepPatterns) central(p imagePattern) bool {
	z := d.at[p[0]]
	a, b, c := d.at[p[1]]-z, d.at[p[2]]-z, d.at[p[3]]-z
	middle := (a + b + c) / 4
	m := norm2(middle)
	return norm2(a-middle) >= m && norm2(b-middle) >= m && norm2(c-middle) >= m
}

// prepareDeep is prepare for the deep sweep.
func (s *rangeSearch) prepareDeep() {
	spec := s.level.Spec
	scale := math.Sqrt(s.scaleLo * s.scaleHi)
	area := float64(s.image.Width) * float64(s.image.Height)
	inField := s.deepInField
	s.chosen = s.image.Brightest(mostDeepStars)
	s.flat = s.lensPlane(s.chosen)
	s.source = &deepPatterns{at: s.flat.At, reach: math.Sqrt(deepReach * area / (math.Pi * inField)), last: !spec.Thinned()}
	tol := deepNearTol + spec.ShapeTol*spec.CellSide().Radians()/scale/2
	s.occupied = newOccupancy(s.lensPlane(s.image.Brightest(min(len(s.image.At), deepSpots(s.image, tol)))), tol)
	const most = 4 * index.Neighbours
	s.quick = proof.LeastHits(s.occupied.fill, min(quickPart*deepNearOdds, 1), most)
	s.near = proof.LeastHits(s.occupied.fill, deepNearOdds, most)
}

// What is asked of a candidate's neighbours: odds, for many of them may be unseen, and how
// far (pixels) they may lie from their places, before half the stretch of the level is added.
const (
	deepNearOdds = 0.1
	deepNearTol  = 1.5
)

// deepCrowd is how many detections may lie by chance within the first tolerance of a place.
const deepCrowd = 0.25

// deepSpots is how many detections of an image are looked at: all, unless chance would
// bring one within tol of too many places.
func deepSpots(image proof.Detections, tol float64) int {
	n := deepCrowd * float64(image.Width) * float64(image.Height) / (math.Pi * tol * tol)
	return max(verifySpots, int(min(n, float64(len(image.At)))))
}

// lowCompletenessRanges covers the scales from lo to hi (radians per pixel), each by the level that has nearest
// to deepInField stars in the field; the best of the levels, or the next after it.
func lowCompletenessRanges(cat *catalogs.Catalogue, image proof.Detections, lo, hi, step float64, skip int) []scaleRange {
	ideal := deepIdeal(image)
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

// deepIdeal is how many stars of a level would best be in the field.
func deepIdeal(image proof.Detections) float64 {
	return min(max(float64(len(image.At))/deepPart, fewestDeepInField), mostDeepInField)
}

// levelStars is how many stars of a level form patterns of one size in the field, at most as many
// as the catalogue has. Levels that are not thinned have patterns of many sizes.
func levelStars(cat *catalogs.Catalogue, level int, image proof.Detections, scale float64) float64 {
	area := float64(image.Width) * float64(image.Height) * sq(scale)
	n := min(index.Specs[level].StarsIn(area), float64(cat.Len())*area/(4*math.Pi))
	if !index.Specs[level].Thinned() {
		n = min(n, deepIdeal(image))
	}
	return n
}
