package match

import (
	"context"
	"math"

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
	// Last is where the last solved image of this camera pointed; nil when there is none. Only a search among
	// added stars looks there.
	Last *sky.ICRS
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
	Height    float64 // of its maximum over the noise around it, a structured sky included; 0 when unknown
	Saturated bool    // place and flux come from what is around the core
	Aligned   bool    // one of many in a row: a trail, an aircraft's flashes
}

// Pair is a detected star and the catalogue star it shows.
type Pair struct {
	Pixel sky.Pixel
	ICRS  sky.ICRS  // barycentric, at the epoch of the exposure
	Sigma sky.Angle // one-sigma error of the pair, per axis
	V     float64   // magnitude
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

// FewestStars is the fewest detections worth a search: four of a pattern
// and as many as the proof needs besides.
const FewestStars = 4 + leastProofHits

// Search is the search for the match of one image.
type Search struct {
	index       *index.Index
	in          Image
	hint        Hint
	image       proof.Detections // by brightness
	order       []int            // of the detections, those of a smooth sky first
	smooth      int              // how many those are
	scales      scaleGrid
	trials      int          // candidates so far: catalogue patterns that fitted
	dearer      []*pass      // not made yet
	added       *addedSearch // nil when not begun
	addedLooked float64      // the added stars have been searched everywhere, with so many in the field
	without     string       // a pass that is left out: tests measure by it what each is worth
	verifiers   [3]*verifier // by order
	detections  [3]proof.Detections
}

// New is a search that has not begun.
func New(x *index.Index, in Image, hint Hint) *Search {
	if hint.Epoch == 0 {
		hint.Epoch = 2000
	}
	s := &Search{index: x, in: in, hint: hint, image: proof.Detections{Width: in.Width, Height: in.Height}}
	for _, d := range in.Detections {
		s.image.At = append(s.image.At, complex(d.Pos.X, d.Pos.Y))
	}
	s.order, s.smooth = smoothSkyFirst(in.Detections)
	s.scales = scaleGrid{cat: x.Catalogue, image: s.image, hint: hint.Scale}
	return s
}

// Cheap makes the passes that solve nearly every image, by which a service may know soon that one shows no sky.
// The error is a *Failure when nothing was proved, and that of the context when it has ended; no
// goroutine is left then.
func (s *Search) Cheap(ctx context.Context) (*Match, error) {
	if n := len(s.image.At); n < FewestStars {
		return nil, fewStars(s)
	}
	var now []*pass
	for i := range passes {
		switch p := &passes[i]; {
		case !s.makes(p):
		case s.isCheap(p):
			now = append(now, p)
		default:
			s.dearer = append(s.dearer, p)
		}
	}
	if m, err := s.addedFirst(ctx); m != nil || err != nil {
		return m, err
	}
	return s.all(ctx, now)
}

// More tells whether Rest has anything to try after Cheap.
func (s *Search) More() bool { return len(s.dearer) > 0 }

// Rest makes the passes that Cheap has left, which take some seconds.
func (s *Search) Rest(ctx context.Context) (*Match, error) {
	now := s.dearer
	s.dearer = nil
	return s.all(ctx, now)
}

// makes tells whether a pass is made for this image.
func (s *Search) makes(p *pass) bool {
	switch {
	case p.name == s.without && s.without != "":
		return false
	case p.near && s.hint.Near == nil:
		return false
	case p.when == structuredSky:
		return s.smooth < len(s.order)
	case p.when == manyOnly:
		return len(s.image.At) >= lowCompletenessStars
	}
	return true
}

func (s *Search) isCheap(p *pass) bool {
	switch p.effort {
	case cheapWhenFew:
		return len(s.image.At) <= fewDetections
	case cheapWithoutScale:
		return s.hint.Scale == 0
	}
	return p.effort == cheap
}

// all makes some passes.
func (s *Search) all(ctx context.Context, some []*pass) (*Match, error) {
	for _, p := range some {
		if m, err := s.make(ctx, p); m != nil || err != nil {
			return m, err
		}
	}
	return nil, noMatch(s)
}

// make makes one pass. There is no match when it proves nothing; the error is the context's.
func (s *Search) make(ctx context.Context, p *pass) (*Match, error) {
	switch {
	case p.pairs:
		return byPairs(ctx, s, p)
	case p.added > 0:
		return s.addedEverywhere(ctx, p.added)
	}
	before := s.trials
	for _, r := range s.scales.of(p) {
		if p.enough > 0 && s.trials-before >= p.enough {
			break
		}
		search, patterns, err := s.newRange(ctx, r, p)
		if err != nil {
			return nil, err
		}
		patterns.leaveOut(p.tried)
		if m, err := s.look(ctx, search, patterns, p.patterns, s.starsFor); m != nil || err != nil {
			return m, err
		}
	}
	return nil, nil
}

// look looks up so many patterns of a range, and fits what is proved to the stars of the source.
func (s *Search) look(ctx context.Context, in searcher, queue patternQueue, most int, source func(*proven) starSource) (*Match, error) {
	for n := most; n > 0; n -= roundSize {
		patterns := queue.take(min(n, roundSize))
		if len(patterns) == 0 {
			break
		}
		trials, found, err := round(ctx, patterns, in)
		if err != nil {
			return nil, err
		}
		if m, err := s.firstFitted(ctx, trials, found, source); m != nil || err != nil {
			return m, err
		}
	}
	return nil, nil
}

// firstFitted counts some more trials, and fits a camera to the first candidate of those found that is proved among all so far.
func (s *Search) firstFitted(ctx context.Context, trials int, found []proven, source func(*proven) starSource) (*Match, error) {
	s.trials += trials
	for _, c := range found {
		if c.log10Odds(s.trials) < proof.Threshold {
			continue
		}
		m, err := fitCamera(ctx, source(&c), s.image, s.in.Detections, s.order[:s.smooth], &c, s.hint.Epoch)
		if err != nil {
			return nil, err
		}
		if m != nil {
			m.Log10Odds = c.log10Odds(s.trials)
			return m, nil
		}
	}
	return nil, nil
}

// ordered gives the detections in an order, and what weighs candidates among them.
func (s *Search) ordered(o order) (proof.Detections, *verifier) {
	if s.verifiers[o] == nil {
		d, most := s.image, verifyDetections
		switch o {
		case smoothFirst:
			d.At = make([]complex128, len(s.order))
			for i, k := range s.order {
				d.At[i] = s.image.At[k]
			}
		case byLocalRank:
			d, most = localRankFirst(s.image), detectionsWithin(s.image, firstTol)
		}
		s.detections[o], s.verifiers[o] = d, newVerifier(s.index.Catalogue, s.hint.Epoch, d, most)
	}
	return s.detections[o], s.verifiers[o]
}

// newRange begins a pass in one range of scales.
func (s *Search) newRange(ctx context.Context, r scaleRange, p *pass) (*rangeSearch, patternQueue, error) {
	l, err := s.index.Level(ctx, r.level)
	if err != nil {
		return nil, patternQueue{}, err
	}
	image, v := s.ordered(p.order)
	if p.most > 0 {
		image = image.Brightest(p.most)
	}
	of := rangeSearch{
		level: l, image: image, scaleLo: r.scaleLo, scaleHi: r.scaleHi, partial: p.partial, asked: p.asked,
		weigh: func(c *candidate) (proven, bool) { return v.verify(c, l.Spec.ShapeTol) },
	}
	mean := math.Sqrt(r.scaleLo * r.scaleHi)
	if sky.Angle(mean*float64(max(image.Width, image.Height))) > wideField {
		of.lens = lensPlane{mean, r.distortion / sq(mean*math.Hypot(float64(image.Width), float64(image.Height))/2)}
	}
	if p.near {
		of.hinted, of.hintedCos = index.VecOf(*s.hint.Near), float32(nearRadius.Cos())
	}
	if p.order == byLocalRank {
		search, growing := of.lowCompleteness(levelStars(s.index.Catalogue, r.level, image, mean))
		return search, patternQueue{more: growing.more}, nil
	}
	search, patterns := of.usual()
	return search, patternQueue{ready: patterns}, nil
}
