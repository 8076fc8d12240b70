package match

import (
	"context"
	"fmt"
	"math"
	"sync"

	"polard/catalogs"
	"polard/mountmodel/sky"
	"polard/solve/camera"
	"polard/solve/index"
	"polard/solve/match/proof"
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

// Image is what was detected in an image, brightest first.
type Image struct {
	Width, Height int
	Detections    []Detection
}

// Detection is what may be a star.
type Detection struct {
	Pos       sky.Pixel
	Cov       [2][2]float64 // covariance of Pos, square pixels: xx, xy; xy, yy
	Flux      float64
	SNR       float64 // Flux over the error that the sky's noise gives it
	Height    float64 // of its maximum over the noise around it, a rough sky included; 0 when unknown
	Saturated bool    // place and flux come from what is around the core
	Aligned   bool    // one of many in a row: a trail, an aircraft's flashes
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

// Match says where an image points and how its camera maps the sky.
type Match struct {
	camera.Camera
	// Detector is how the frame of the detector (Camera.DetectorFrame) stands in ICRS, and how
	// well that is known: SigmaOfDetector tells it in numbers.
	Detector sky.Attitude
	// Shear is how air and aberration stretch the sky over the field, beyond the
	// camera: tangent-plane coordinates (x, y), distorted, become
	// ((1+Shear[0])x + Shear[1]y, Shear[1]x + (1-Shear[0])y).
	Shear     [2]float64
	Pairs     []Pair
	Trials    int       // candidates that were tried
	Log10Odds float64   // strength of the proof, see package proof
	RMS       sky.Angle // of the pairs' radial residuals
}

// SigmaOfDetector gives one-sigma errors: of where the middle of the image looks, along columns' and rows'
// growth, and of the rotation about it. With ScaleSigma they are what the match claims of
// itself (TestClaimsOfFieldsOfAllSizes).
func (s *Match) SigmaOfDetector() (alongX, alongY, rotation sky.Angle) {
	own := s.Detector.R.Transpose().Mul(s.Detector.Cov).Mul(s.Detector.R)
	// A turn about y moves the middle along x.
	return sky.Angle(math.Sqrt(own[1][1])), sky.Angle(math.Sqrt(own[0][0])), sky.Angle(math.Sqrt(own[2][2]))
}

// WCS writes the match as keywords of FITS.
func (s *Match) WCS() (*camera.WCS, error) { return s.Camera.WCS(s.Shear) }

// Failure says why an image has no match, in words for the person at the
// mount.
type Failure struct {
	Code    string // few_stars or no_match
	Message string
}

func (f *Failure) Error() string { return f.Message }

// FewestStars is the fewest detections worth a search: four of a pattern
// and as many as the proof needs besides.
const FewestStars = 4 + leastProofHits

// Find matches the detections of an image against the catalogue and fits the camera. The error is a
// *Failure when nothing can be proved, and that of the context when it has ended; no goroutine is left then.
func Find(ctx context.Context, x *index.Index, in Image, hint Hint) (*Match, error) {
	if hint.Epoch == 0 {
		hint.Epoch = 2000
	}
	image := proof.Detections{Width: in.Width, Height: in.Height}
	for _, star := range in.Detections {
		image.At = append(image.At, complex(star.Pos.X, star.Pos.Y))
	}
	if len(image.At) < FewestStars {
		return nil, &Failure{Code: "few_stars", Message: fmt.Sprintf(
			"only %d stars found, at least %d are needed: expose longer, focus, or wait for clouds to pass", len(image.At), FewestStars)}
	}
	trials := 0
	v := newVerifier(x.Catalogue, hint.Epoch, image, verifySpots)
	order, calm := quietFirst(in.Detections)
	quiet := image
	quiet.At = make([]complex128, len(order))
	for i, k := range order {
		quiet.At[i] = image.At[k]
	}
	quieter := sync.OnceValue(func() *verifier { return newVerifier(x.Catalogue, hint.Epoch, quiet, verifySpots) })
	deeper := sync.OnceValues(func() (proof.Detections, *verifier) {
		even := byLocalRank(image)
		return even, newVerifier(x.Catalogue, hint.Epoch, even, deepSpots(image, firstTol))
	})
	for _, turn := range plan(x.Catalogue, image, calm < len(order), hint) {
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
					places = places.Brightest(turn.brightest)
				}
				var err error
				if turn.searches[i], err = newSearch(ctx, x, r, turn.sweep, places, v, &trials); err != nil {
					return nil, err
				}
			}
			search := turn.searches[i]
			for n := turn.patterns; n > 0 && search.left() > 0; n -= roundSize {
				found, err := search.round(ctx, n)
				if err != nil {
					return nil, err
				}
				for _, p := range found {
					sol, err := polish(ctx, x.Catalogue, image, in.Detections, order[:calm], &p, hint.Epoch)
					if err != nil {
						return nil, err
					}
					if sol != nil {
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
		len(image.At), likelyCause(x.Catalogue, image, hint))}
}

func newSearch(ctx context.Context, x *index.Index, r scaleRange, p *sweep, image proof.Detections, v *verifier, trials *int) (*search, error) {
	l, err := x.Level(ctx, r.level)
	if err != nil {
		return nil, err
	}
	out := &search{
		level: l, image: image, scaleLo: r.scaleLo, scaleHi: r.scaleHi, centroidTol: p.centroidTol, open: p.open, either: p.either, lenient: p.lenient, patient: p.patient,
		weigh: func(c *candidate) (proven, bool) { return v.verify(c, l.Spec.ShapeTol) }, trials: trials,
	}
	if mean := math.Sqrt(r.scaleLo * r.scaleHi); sky.Angle(mean*float64(max(image.Width, image.Height))) > wideField {
		out.assumed = mean
		out.bend = r.distortion / sq(mean*math.Hypot(float64(image.Width), float64(image.Height))/2)
	}
	if p.deep {
		out.deepInField = levelStars(x.Catalogue, r.level, image, math.Sqrt(r.scaleLo*r.scaleHi))
	}
	if p.near != nil {
		out.hinted, out.hintedCos = index.VecOf(*p.near), float32(nearRadius.Cos())
	}
	return out, nil
}

// neededInField is the number of catalogue stars in the field from which nearly every
// frame is solved (TestSurvey).
const neededInField = 12

// likelyCause says what most probably kept an image from being matched: with a known
// scale, a field too small for the catalogue or a scale beyond the search.
func likelyCause(cat *catalogs.Catalogue, image proof.Detections, hint Hint) string {
	const look = "check focus and exposure, and that the frame shows stars"
	if hint.Scale <= 0 {
		return look
	}
	if hint.Scale < FinestScale || hint.Scale > CoarsestScale {
		return fmt.Sprintf("its scale should be %.3g arcsec per pixel, and %g to %g are searched; bin the pixels, or correct the scale",
			hint.Scale.Arcseconds(), FinestScale.Arcseconds(), CoarsestScale.Arcseconds())
	}
	w, h := sky.Angle(image.Width)*hint.Scale, sky.Angle(image.Height)*hint.Scale
	area := w.Radians() * h.Radians()
	where := "on average over the sky"
	expected := float64(cat.Len()) * area / (4 * math.Pi)
	if hint.Near != nil {
		// Counted in a circle of at least a degree, for the place is not known better.
		radius := max(sky.Angle(math.Sqrt(area/math.Pi)), sky.Degree)
		n := 0
		cat.Cone(*hint.Near, radius, math.Inf(1), func(catalogs.Star) { n++ })
		where, expected = "there", float64(n)*area/(2*math.Pi*(1-radius.Cos()))
	}
	if expected >= neededInField {
		return look
	}
	return fmt.Sprintf("a field of %.2f by %.2f degrees holds about %.0f stars of the catalogue %s, and about %d are needed: use a shorter focal length, a reducer or a larger sensor",
		w.Degrees(), h.Degrees(), expected, where, neededInField)
}
