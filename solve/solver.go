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
	// Detector is how the frame of the detector (Camera.DetectorFrame) stands in ICRS, and how
	// well that is known: SigmaOfDetector tells it in numbers.
	Detector sky.Attitude
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

// SigmaOfDetector gives one-sigma errors: of where the middle of the image looks, along columns' and rows'
// growth, and of the rotation about it. With ScaleSigma they are what the solution claims of
// itself (TestClaimsOfFieldsOfAllSizes).
func (s *Solution) SigmaOfDetector() (alongX, alongY, rotation sky.Angle) {
	own := s.Detector.R.Transpose().Mul(s.Detector.Cov).Mul(s.Detector.R)
	// A turn about y moves the middle along x.
	return sky.Angle(math.Sqrt(own[1][1])), sky.Angle(math.Sqrt(own[0][0])), sky.Angle(math.Sqrt(own[2][2]))
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

// fewestStars is the fewest detections worth a search: four of a pattern
// and as many as the proof needs besides.
const fewestStars = 4 + leastProofHits

// Limits of the pixel scale that the search covers.
const (
	finestScale   = 0.5 * sky.Arcsecond
	coarsestScale = 150 * sky.Arcsecond
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

func (s levelSpec) mostInField() float64 {
	if s.thinned() {
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

// Solver matches images against the catalogue. Levels of its index are built when
// first wanted. It is safe for use by many goroutines.
type Solver struct {
	cat    *catalogs.Catalogue
	levels []func() *level
	keep   string           // folder of kept levels, "" for none
	clock  func() time.Time // for Times alone
}

// New makes a solver over a catalogue. clock measures how long the stages take
// and never enters a result. The levels of its index are kept in the folder keep, 160 MB in all,
// for the next process that wants them (kept.go); "" keeps none.
func New(cat *catalogs.Catalogue, clock func() time.Time, keep string) *Solver {
	s := &Solver{cat: cat, clock: clock, keep: keep}
	for _, spec := range levelSpecs {
		s.levels = append(s.levels, sync.OnceValue(func() *level { return keptLevel(cat, spec, keep, clock) }))
	}
	return s
}

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
	nearOdds    float64   // asked of neighbours at the strictest, 1 to drop no candidate for want of them
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

func (s *Solver) newSearch(r scaleRange, p *sweep, image spots, v *verifier, trials *int) *search {
	l := s.levels[r.level]()
	out := &search{
		level: l, image: image, scaleLo: r.scaleLo, scaleHi: r.scaleHi, centroidTol: p.centroidTol, open: p.open, either: p.either, nearOdds: p.nearOdds,
		weigh: func(c *candidate) (proven, bool) { return v.verify(c, l.spec.shapeTol) }, trials: trials,
	}
	if mean := math.Sqrt(r.scaleLo * r.scaleHi); sky.Angle(mean*float64(max(image.width, image.height))) > wideField {
		out.assumed = mean
		out.bend = r.distortion / sq(mean*math.Hypot(float64(image.width), float64(image.height))/2)
	}
	if p.deep {
		out.deepInField = levelStars(s.cat, r.level, image, math.Sqrt(r.scaleLo*r.scaleHi))
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
	v := newVerifier(s.cat, hint.Epoch, image, verifySpots)
	order, calm := quietFirst(det.Stars)
	quiet := image
	quiet.at = make([]complex128, len(order))
	for i, k := range order {
		quiet.at[i] = image.at[k]
	}
	quieter := sync.OnceValue(func() *verifier { return newVerifier(s.cat, hint.Epoch, quiet, verifySpots) })
	deeper := sync.OnceValues(func() (spots, *verifier) {
		even := image.byLocalRank()
		return even, newVerifier(s.cat, hint.Epoch, even, deepSpots(image, firstTol))
	})
	for _, turn := range s.plan(image, calm < len(order), hint) {
		for i, r := range turn.ranges {
			if turn.searches[i] == nil {
				places, v := image, v
				switch {
				case turn.deep:
					places, v = deeper()
				case turn.quiet:
					places, v = quiet, quieter()
				}
				if turn.brightest > 0 {
					places = places.brightest(turn.brightest)
				}
				turn.searches[i] = s.newSearch(r, turn.sweep, places, v, &trials)
			}
			search := turn.searches[i]
			for n := turn.patterns; n > 0 && search.left() > 0; n -= roundSize {
				for _, p := range search.round(n) {
					if sol := s.polish(image, det, order[:calm], &p, hint.Epoch); sol != nil {
						sol.Log10Odds, sol.Trials = p.log10Odds(trials), trials
						return sol, nil
					}
				}
			}
			if search.left() == 0 {
				search.release()
			}
		}
	}
	return nil, &Failure{Code: "no_match", Message: fmt.Sprintf("%d star-like spots found, but no part of the sky fits them with proof: %s",
		len(image.at), s.likelyCause(image, hint))}
}

// neededInField is the number of catalogue stars in the field from which nearly every
// frame is solved (TestSurvey).
const neededInField = 12

// likelyCause says what most probably kept an image from being matched: with a known
// scale, a field too small for the catalogue or a scale beyond the search.
func (s *Solver) likelyCause(image spots, hint Hint) string {
	const look = "check focus and exposure, and that the frame shows stars"
	if hint.Scale <= 0 {
		return look
	}
	if hint.Scale < finestScale || hint.Scale > coarsestScale {
		return fmt.Sprintf("its scale should be %.3g arcsec per pixel, and %g to %g are searched; bin the pixels, or correct the scale",
			hint.Scale.Arcseconds(), finestScale.Arcseconds(), coarsestScale.Arcseconds())
	}
	w, h := sky.Angle(image.width)*hint.Scale, sky.Angle(image.height)*hint.Scale
	area := w.Radians() * h.Radians()
	where := "on average over the sky"
	expected := float64(s.cat.Len()) * area / (4 * math.Pi)
	if hint.Near != nil {
		// Counted in a circle of at least a degree, for the place is not known better.
		radius := max(sky.Angle(math.Sqrt(area/math.Pi)), sky.Degree)
		n := 0
		s.cat.Cone(*hint.Near, radius, math.Inf(1), func(catalogs.Star) { n++ })
		where, expected = "there", float64(n)*area/(2*math.Pi*(1-radius.Cos()))
	}
	if expected >= neededInField {
		return look
	}
	return fmt.Sprintf("a field of %.2f by %.2f degrees holds about %.0f stars of the catalogue %s, and about %d are needed: use a shorter focal length, a reducer or a larger sensor",
		w.Degrees(), h.Degrees(), expected, where, neededInField)
}

// plan lists the turns of the search, the most promising first; those of a noisy image as quietFirst
// tells it try the stars of quiet sky as well.
func (s *Solver) plan(image spots, noisy bool, hint Hint) []turn {
	hinted, blind := hintedRanges(image, hint.Scale), blindRanges(image, hint.Scale)
	bentHinted, bentBlind := bent(image, hinted), bent(image, blind)
	sweepOver := func(ranges []scaleRange, tol float64, near *sky.ICRS) *sweep {
		return &sweep{ranges: ranges, centroidTol: tol, near: near, nearOdds: leastNearOdds, searches: make([]*search, len(ranges))}
	}
	var turns []turn
	if hint.Near != nil {
		turns = append(turns,
			turn{sweepOver(hinted, sharpTol, hint.Near), toTheEnd},
			turn{sweepOver(blind, sharpTol, hint.Near), firstTurn})
	}
	everywhere := !hint.Quick || hint.Scale == 0
	turns = append(turns, turn{sweepOver(hinted, sharpTol, nil), toTheEnd},
		turn{sweepOver(bentHinted, sharpTol, nil), toTheEnd}, turn{sweepOver(hinted, softTol, nil), toTheEnd})
	quietly := func(ranges []scaleRange) *sweep {
		out := sweepOver(ranges, sharpTol, nil)
		out.quiet = noisy
		return out
	}
	if noisy {
		soft := quietly(hinted)
		soft.centroidTol, soft.nearOdds = softTol, patientOdds
		turns = append(turns, turn{quietly(slices.Concat(hinted, bentHinted)), toTheEnd}, turn{soft, toTheEnd})
	}
	sharp, quiet := sweepOver(blind, sharpTol, nil), quietly(blind)
	if everywhere {
		turns = append(turns, turn{sharp, firstTurn}, turn{sweepOver(bentBlind, sharpTol, nil), toTheEnd})
	}
	if everywhere && noisy {
		turns = append(turns, turn{quiet, firstTurn}, turn{quietly(bentBlind), toTheEnd})
	}
	if len(image.at) <= sparseImage || !hint.Quick {
		ranges := slices.Concat(hinted, bentHinted)
		lenient := quietly(ranges)
		lenient.nearOdds = 1
		orders := []*sweep{quietly(ranges)}
		if noisy {
			orders = append(orders, sweepOver(ranges, sharpTol, nil))
		}
		for _, open := range orders {
			open.open, open.either, open.brightest = true, true, sparseImage
			if !hint.Quick {
				open.nearOdds = patientOdds
			}
			turns = append(turns, turn{open, firstOpen})
		}
		turns = append(turns, turn{lenient, toTheEnd})
		for _, open := range orders {
			turns = append(turns, turn{open, toTheEnd})
		}
	}
	if everywhere {
		turns = append(turns, turn{sharp, toTheEnd})
		if noisy {
			turns = append(turns, turn{quiet, toTheEnd})
		}
	}
	if everywhere && len(image.at) <= sparseImage {
		wide := slices.DeleteFunc(slices.Concat(blind, bentBlind), func(r scaleRange) bool { return levelSpecs[r.level].grid > lenientGrid })
		lenient := quietly(wide)
		lenient.nearOdds = 1
		turns = append(turns, turn{lenient, toTheEnd})
	}
	if everywhere {
		ranges := blind
		if len(image.at) > sparsestImage { // of deep images of narrow fields most are in no catalogue
			ranges = slices.DeleteFunc(slices.Clone(blind), func(r scaleRange) bool { return levelSpecs[r.level].grid < largeGrid })
		}
		open := quietly(ranges)
		open.open, open.brightest = true, sparsestImage
		turns = append(turns, turn{open, toTheEnd})
	}
	if everywhere {
		turns = append(turns, turn{sweepOver(blind, softTol, nil), toTheEnd})
	}
	return append(turns, s.deepTurns(image, hint)...)
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
		if n := spec.starsIn(area); n >= fewestInField && n <= spec.mostInField() {
			ranges = append(ranges, scaleRange{level: i, scaleLo: scale * (1 - hintTolerance), scaleHi: scale * (1 + hintTolerance)})
		}
	}
	ideal := func(r scaleRange) float64 {
		return math.Abs(math.Log(levelSpecs[r.level].starsIn(area) / idealInField))
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
func bent(image spots, ranges []scaleRange) (out []scaleRange) {
	for _, r := range ranges {
		if sky.Angle(r.scaleHi*float64(max(image.width, image.height))) < bentField {
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
func blindRanges(image spots, hint sky.Angle) []scaleRange {
	var ranges []scaleRange
	area := float64(image.width) * float64(image.height)
	for i, spec := range levelSpecs {
		// starsIn grows as the square of the scale.
		unit := math.Sqrt(spec.starsIn(area))
		lo := max(math.Sqrt(fewestInField)/unit, finestScale.Radians())
		hi := min(math.Sqrt(spec.mostInField())/unit, coarsestScale.Radians())
		step := rangeStep
		if !spec.thinned() && sky.Angle(hi*float64(max(image.width, image.height))) <= wideField {
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
