package solve

import (
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"polard/catalogs"
	"polard/mountmodel/sky"
)

// Hint is what is believed about an image. It orders the search and never
// decides it: after the hinted range has failed, everything else is tried.
type Hint struct {
	Scale sky.Angle // per pixel; 0 when unknown
	Near  *sky.ICRS // about where the image points; nil when unknown
	Epoch float64   // Julian year of the exposure; 0 means 2000
	// Quick gives up once the hinted scale and place have failed: for a service
	// that has solved frames of this camera and would rather have the next one.
	Quick bool
}

// Pair is a detected star and the catalogue star it shows.
type Pair struct {
	Pixel     sky.Pixel
	Camera    sky.Camera // through the fitted camera
	ICRS      sky.ICRS   // barycentric, at the epoch of the exposure
	Sigma     sky.Angle  // one-sigma error of the pair, per axis
	V         float64    // magnitude
	Catalogue int32      // number in the catalogue
}

// Solution says where an image points and how its camera maps the sky.
type Solution struct {
	Camera
	Pairs     []Pair
	Detection *Detection
	Log10Odds float64   // strength of the proof, see proof.go
	RMS       sky.Angle // of the pairs' radial residuals
	Times     Times
}

// Times is how long the stages took.
type Times struct{ Detect, Match time.Duration }

// Failure says why an image has no solution, in words for the person at the
// mount.
type Failure struct {
	Code      string // few_stars, no_match or what detection said
	Message   string
	Detection *Detection // nil when detection itself failed
	Times     Times
}

func (f *Failure) Error() string { return f.Message }

// fewestStars is the fewest detections worth a search: three of a triangle
// and as many as the proof needs besides.
const fewestStars = 3 + leastProofHits

// Limits of the pixel scale that the search covers.
const (
	finestScale   = 0.5 * sky.Arcsecond
	coarsestScale = 150 * sky.Arcsecond
)

// hintTolerance is how far a hinted scale may be off: focal lengths in headers
// are nominal, good to some five percent.
const hintTolerance = 0.07

// Stars that a level should hold in the field for it to be searched: with the
// scale known within the first range, with the scale open within the second.
const (
	fewestHinted, mostHinted = 4, 90
	idealInField             = 20
	fewestBlind, mostBlind   = 9, 45
)

// lensStep is the ratio of scales that share one flattening of a wide
// field's tangent plane.
const lensStep = 1.3

// firstBatch is how many image triangles each range of scales is given before
// any is given more: true candidates mostly show among the first, and a fine level
// costs a thousand times what a coarse one does. softBatch bounds the
// triangles of the soft tolerance where the scale is open.
const (
	firstBatch = 60
	softBatch  = 150
)

// Solver matches images against the catalogue. Levels of its index are built when
// first wanted. It is safe for use by many goroutines.
type Solver struct {
	cat    *catalogs.Catalogue
	levels []func() *level
	clock  func() time.Time // for Times alone
}

// New makes a solver over a catalogue. clock measures how long the stages take
// and never enters a result.
func New(cat *catalogs.Catalogue, clock func() time.Time) *Solver {
	s := &Solver{cat: cat, clock: clock}
	for _, spec := range levelSpecs {
		s.levels = append(s.levels, sync.OnceValue(func() *level { return buildLevel(cat, spec) }))
	}
	return s
}

// scaleRange is a range of scales to be searched on one level.
type scaleRange struct {
	level            int
	scaleLo, scaleHi float64 // radians per pixel
}

// pass goes over ranges of scales, so many triangles of each at a time.
type pass struct {
	ranges      []scaleRange
	centroidTol float64 // pixels
	batches     []int
	blind       bool      // over all scales
	near        *sky.ICRS // only within nearRadius of it; nil for the whole sky
}

// nearRadius is how far from a hinted place the first search goes: a mount set
// up by eye, or a header that names the target, is right to some degrees.
const nearRadius = 15 * sky.Degree

// nearby is the same passes restricted to the surroundings of a place.
func nearby(passes []pass, at sky.ICRS) []pass {
	out := slices.Clone(passes)
	for i := range out {
		out[i].near = &at
	}
	return out
}

func (s *Solver) newSearch(r scaleRange, p pass, image spots, v *verifier, trials *int) *search {
	l := s.levels[r.level]()
	out := &search{
		level: l, image: image, scaleLo: r.scaleLo, scaleHi: r.scaleHi, centroidTol: p.centroidTol,
		weigh: func(c *candidate) (proven, bool) { return v.verify(c, l.spec.shapeTol) }, trials: trials,
	}
	if mean := math.Sqrt(r.scaleLo * r.scaleHi); sky.Angle(mean*float64(max(image.width, image.height))) > wideField {
		out.assumed = mean
	}
	if p.near != nil {
		out.hinted, out.hintedCos = vec32FromICRS(*p.near), float32(nearRadius.Cos())
	}
	return out
}

// Solve finds stars, matches them and fits the camera. The error is a *Failure
// when the image shows nothing that can be proved.
func (s *Solver) Solve(img Image, hint Hint) (*Solution, error) {
	start := s.clock()
	det, err := Detect(img)
	times := Times{Detect: s.clock().Sub(start)}
	if err != nil {
		return nil, &Failure{Code: "no_stars", Message: err.Error(), Times: times}
	}
	start = s.clock()
	sol, err := s.match(img.Width, img.Height, det, hint)
	times.Match = s.clock().Sub(start)
	if err != nil {
		return nil, &Failure{Code: err.(*Failure).Code, Message: err.Error(), Detection: det, Times: times}
	}
	sol.Times = times
	return sol, nil
}

func (s *Solver) match(width, height int, det *Detection, hint Hint) (*Solution, error) {
	if hint.Epoch == 0 {
		hint.Epoch = 2000
	}
	image := spots{width: width, height: height}
	for _, star := range det.Stars {
		image.at = append(image.at, complex(star.Pos.X, star.Pos.Y))
	}
	if len(image.at) < fewestStars {
		return nil, &Failure{Code: "few_stars", Message: fmt.Sprintf(
			"only %d stars found, at least %d are needed: expose longer, focus, or wait for clouds to pass", len(image.at), fewestStars)}
	}
	trials := 0
	v := newVerifier(s.cat, hint.Epoch, image)
	passes := s.plan(image, hint)
	if hint.Near != nil {
		passes = append(nearby(passes, *hint.Near), passes...)
	}
	if hint.Quick && hint.Scale > 0 {
		passes = slices.DeleteFunc(passes, func(p pass) bool { return p.blind })
	}
	for _, pass := range passes {
		searches := make([]*search, len(pass.ranges))
		for _, batch := range pass.batches {
			for i, r := range pass.ranges {
				if searches[i] == nil {
					searches[i] = s.newSearch(r, pass, image, v, &trials)
				}
				for n := min(batch, searches[i].left()); n > 0; n -= roundSize {
					for _, p := range searches[i].round(n) {
						if sol := s.polish(image, det, &p, hint.Epoch); sol != nil {
							sol.Log10Odds = p.log10Odds(trials)
							return sol, nil
						}
					}
				}
			}
		}
	}
	return nil, &Failure{Code: "no_match", Message: fmt.Sprintf(
		"%d star-like spots found, but no part of the sky fits them with proof: check focus and exposure, and that the frame shows stars", len(image.at))}
}

// plan lists the passes over ranges of scales, the hinted ones first.
func (s *Solver) plan(image spots, hint Hint) []pass {
	area := float64(image.width) * float64(image.height)
	var hinted, blind []scaleRange
	if hint.Scale > 0 {
		scale := hint.Scale.Radians()
		for i, spec := range levelSpecs {
			if n := spec.starsIn(area * scale * scale); n >= fewestHinted && n <= mostHinted {
				hinted = append(hinted, scaleRange{level: i, scaleLo: scale * (1 - hintTolerance), scaleHi: scale * (1 + hintTolerance)})
			}
		}
		ideal := func(a scaleRange) float64 {
			return math.Abs(math.Log(levelSpecs[a.level].starsIn(area*a.scaleLo*a.scaleHi) / idealInField))
		}
		slices.SortFunc(hinted, func(a, b scaleRange) int { return int(math.Copysign(1, ideal(a)-ideal(b))) })
	}
	for i, spec := range levelSpecs {
		// starsIn grows as the square of the scale.
		unit := math.Sqrt(spec.starsIn(area))
		lo := max(math.Sqrt(fewestBlind)/unit, finestScale.Radians())
		hi := min(math.Sqrt(mostBlind)/unit, coarsestScale.Radians())
		for lo < hi {
			next := hi
			if sky.Angle(hi*float64(max(image.width, image.height))) > wideField {
				next = min(hi, lo*lensStep)
			}
			blind = append(blind, scaleRange{level: i, scaleLo: lo, scaleHi: next})
			lo = next
		}
	}
	return []pass{
		{ranges: hinted, centroidTol: sharpTol, batches: []int{math.MaxInt}},
		{ranges: hinted, centroidTol: softTol, batches: []int{math.MaxInt}},
		{blind: true, ranges: blind, centroidTol: sharpTol, batches: []int{firstBatch, math.MaxInt}},
		{blind: true, ranges: blind, centroidTol: softTol, batches: []int{softBatch}},
	}
}
