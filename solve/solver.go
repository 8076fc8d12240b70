package solve

import (
	"context"
	"fmt"
	"math"
	"sync"
	"time"

	"polard/catalogs"
	"polard/mountmodel/sky"
	"polard/solve/detect"
)

// Image is what is searched for stars.
type Image = detect.Image

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
	Detected  *detect.Result
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
	Code     string // few_stars, no_match or what detection said
	Message  string
	Detected *detect.Result // nil when detection itself failed
	Times    Times
}

func (f *Failure) Error() string { return f.Message }

// fewestStars is the fewest detections worth a search: four of a pattern
// and as many as the proof needs besides.
const fewestStars = 4 + leastProofHits

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

func (s *Solver) newSearch(r scaleRange, p *sweep, image spots, v *verifier, trials *int) *search {
	l := s.levels[r.level]()
	out := &search{
		level: l, image: image, scaleLo: r.scaleLo, scaleHi: r.scaleHi, centroidTol: p.centroidTol, open: p.open, either: p.either, lenient: p.lenient, patient: p.patient,
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
	det, err := detect.Find(context.Background(), img)
	times := Times{Detect: s.clock().Sub(start)}
	if err != nil {
		return nil, &Failure{Code: "no_stars", Message: err.Error(), Times: times}
	}
	start = s.clock()
	sol, err := s.match(img.Width, img.Height, det, hint)
	times.Match = s.clock().Sub(start)
	if err != nil {
		return nil, &Failure{Code: err.(*Failure).Code, Message: err.Error(), Detected: det, Times: times}
	}
	sol.Times = times
	return sol, nil
}

func (s *Solver) match(width, height int, det *detect.Result, hint Hint) (*Solution, error) {
	if hint.Epoch == 0 {
		hint.Epoch = 2000
	}
	image := spots{width: width, height: height}
	for _, star := range det.Detections {
		image.at = append(image.at, complex(star.Pos.X, star.Pos.Y))
	}
	if len(image.at) < fewestStars {
		return nil, &Failure{Code: "few_stars", Message: fmt.Sprintf(
			"only %d stars found, at least %d are needed: expose longer, focus, or wait for clouds to pass", len(image.at), fewestStars)}
	}
	trials := 0
	v := newVerifier(s.cat, hint.Epoch, image, verifySpots)
	order, calm := quietFirst(det.Detections)
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
