// Package match finds where an image points. In go its detections, what is believed about it and an index of
// the catalogue; out comes the first candidate that is proved, with a camera fitted to all its stars.
//
// Patterns of the image's detections, each a pivot and three of its neighbours, are looked up in the index. Each
// catalogue pattern of the same shape is a candidate, a similarity between the image and the sky around
// the pivot, which says where every other star must be. A candidate whose neighbouring stars show is followed over
// the whole field, refitted as more stars join, and weighed against chance (package proof); when the odds suffice, the
// camera is fitted to every star (package camera) and checked once more as a whole.
//
// The search is made in passes, which passes.go lists with what each asks. The cheap ones are the first answer: [Search.Cheap]
// makes them. With a scale they solve 999 of 1,000 images that show a dozen catalogue stars (TestSurvey), and give up nearly
// all that show none within half a second on two processors (TestGivingUp). Where they fail, [Search.Rest] makes the others, the deeper search:
// all scales, for a lens that was changed or a header that is wrong, and most detections in no catalogue. It takes some
// seconds, and a live service makes it while no newer frame waits and ends it when one comes. What is
// hinted decides the order of the search and never its answer. A result depends on the input alone, not on the
// number of goroutines.
//
// Files, from the top:
//
//	match.go            what goes in and comes out; a search and its passes
//	passes.go           the passes, as a table
//	added.go            the search among added stars, for narrow fields
//	block.go            a block of them: from the image's shapes to candidates
//	cause.go            why there is no match, in words
//	scales.go           the ranges of scales of a pass, each on a level of the index
//	order.go            the order of detections: smooth sky first, even density, local rank
//	fit.go              from a proved candidate to the camera: pairs, fit, a check of the whole
//	rangesearch.go      one pass in one range of scales: candidates, their neighbours
//	pairs.go            the pass by pairs, for few stars among many detections
//	lookup.go           from a pattern of the image to shapes in the index
//	patterns.go         patterns of the image's detections
//	lowcompleteness.go  for images of which most detections are in no catalogue
//	verify.go           a candidate over the whole field, weighed
//	plane.go            the image of a tangent plane
//	candidate.go        the similarity that a pattern gives
//	lens.go             what is assumed of a lens while patterns are looked up
//	occupancy.go        whether a detection lies near a place, in one look
package match
