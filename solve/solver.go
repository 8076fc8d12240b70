package solve

import (
	"cmp"
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
	// Shear is how air and aberration stretch the sky over the field, beyond the
	// camera: tangent-plane coordinates (x, y), distorted, become
	// ((1+Shear[0])x + Shear[1]y, Shear[1]x + (1-Shear[0])y).
	Shear     [2]float64
	Pairs     []Pair
	Detection *Detection
	Trials    int       // candidates that were tried
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

// Image triangles that each range of scales is given at a time. True candidates
// mostly show among the first, and a fine level costs a thousand times what a coarse
// one does. So every range has a short turn before any has a long one, the
// hinted ones somewhat longer; the soft tolerance is expensive and bounded.
const (
	hintedTurn = 200
	blindTurn  = 60
	softTurn   = 150
	toTheEnd   = math.MaxInt
)

// mostTrials is the number of candidates after which a frame is given up. Of
// sixteen hundred simulated fields of 0.4 to 60 degrees (TestSurvey, seed 1), one
// needed three million, the next 1.4; a frame without sky would go on to
// tens of millions.
const mostTrials = 5_000_000

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

// sweep goes over ranges of scales, some triangles of each at a time.
type sweep struct {
	ranges      []scaleRange
	centroidTol float64   // pixels
	near        *sky.ICRS // only within nearRadius of it; nil for the whole sky
	searches    []*search // of the ranges; nil until their first turn
}

// turn is so many triangles for each range of a sweep.
type turn struct {
	*sweep
	triangles int
}

// nearRadius is how far from a hinted place the first search goes: a mount set
// up by eye, or a header that names the target, is right to some degrees.
const nearRadius = 15 * sky.Degree

func (s *Solver) newSearch(r scaleRange, p *sweep, image spots, v *verifier, trials *int) *search {
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
	for _, turn := range s.plan(image, hint) {
		for i, r := range turn.ranges {
			if trials >= mostTrials {
				break
			}
			if turn.searches[i] == nil {
				turn.searches[i] = s.newSearch(r, turn.sweep, image, v, &trials)
			}
			search := turn.searches[i]
			for n := min(turn.triangles, search.left()); n > 0 && trials < mostTrials; n -= roundSize {
				for _, p := range search.round(n) {
					if sol := s.polish(image, det, &p, hint.Epoch); sol != nil {
						sol.Log10Odds, sol.Trials = p.log10Odds(trials), trials
						return sol, nil
					}
				}
			}
		}
	}
	return nil, &Failure{Code: "no_match", Message: fmt.Sprintf(
		"%d star-like spots found, but no part of the sky fits them with proof: check focus and exposure, and that the frame shows stars", len(image.at))}
}

// plan lists the turns of the search, the most promising first.
func (s *Solver) plan(image spots, hint Hint) []turn {
	hinted, blind := hintedRanges(image, hint.Scale), blindRanges(image, hint.Scale)
	sweepOver := func(ranges []scaleRange, tol float64, near *sky.ICRS) *sweep {
		return &sweep{ranges: ranges, centroidTol: tol, near: near, searches: make([]*search, len(ranges))}
	}
	var turns []turn
	if hint.Near != nil {
		turns = append(turns,
			turn{sweepOver(hinted, sharpTol, hint.Near), toTheEnd},
			turn{sweepOver(blind, sharpTol, hint.Near), blindTurn})
	}
	hintedSharp, hintedSoft := sweepOver(hinted, sharpTol, nil), sweepOver(hinted, softTol, nil)
	if hint.Quick && hint.Scale > 0 {
		return append(turns, turn{hintedSharp, toTheEnd}, turn{hintedSoft, softTurn})
	}
	blindSharp, blindSoft := sweepOver(blind, sharpTol, nil), sweepOver(blind, softTol, nil)
	return append(turns,
		turn{hintedSharp, hintedTurn},
		turn{hintedSoft, blindTurn},
		turn{blindSharp, blindTurn},
		turn{hintedSharp, toTheEnd},
		turn{hintedSoft, toTheEnd},
		turn{blindSharp, toTheEnd},
		turn{blindSoft, softTurn})
}

// hintedRanges are the levels for a scale that is known to hintTolerance, the
// one with the best number of stars in the field first.
func hintedRanges(image spots, hint sky.Angle) []scaleRange {
	if hint <= 0 {
		return nil
	}
	var ranges []scaleRange
	scale := hint.Radians()
	area := float64(image.width) * float64(image.height) * scale * scale
	for i, spec := range levelSpecs {
		if n := spec.starsIn(area); n >= fewestHinted && n <= mostHinted {
			ranges = append(ranges, scaleRange{level: i, scaleLo: scale * (1 - hintTolerance), scaleHi: scale * (1 + hintTolerance)})
		}
	}
	ideal := func(r scaleRange) float64 {
		return math.Abs(math.Log(levelSpecs[r.level].starsIn(area) / idealInField))
	}
	slices.SortStableFunc(ranges, func(a, b scaleRange) int { return cmp.Compare(ideal(a), ideal(b)) })
	return ranges
}

// blindRanges cover all scales, each by the levels that hold a good number of
// stars in the field; widest fields first, or those nearest to a hinted scale.
func blindRanges(image spots, hint sky.Angle) []scaleRange {
	var ranges []scaleRange
	area := float64(image.width) * float64(image.height)
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
