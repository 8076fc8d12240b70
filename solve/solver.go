package solve

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"sync"
	"time"

	"polard/catalogs"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// Hint is what is believed about an image. It orders the search and never
// decides it: after the hinted range has failed, everything else is tried.
type Hint struct {
	Scale sky.Angle // per pixel; 0 when unknown
	Epoch float64   // Julian year of the exposure; 0 means 2000
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
}

func (s *Solver) newSearch(r scaleRange, centroidTol float64, image spots, v *verifier) *search {
	l := s.levels[r.level]()
	out := &search{
		level: l, image: image, scaleLo: r.scaleLo, scaleHi: r.scaleHi, centroidTol: centroidTol,
		verify: func(c *candidate) bool { return v.verify(c, l.spec.shapeTol) }, trials: v.trials,
	}
	if mean := math.Sqrt(r.scaleLo * r.scaleHi); sky.Angle(mean*float64(max(image.width, image.height))) > wideField {
		out.assumed = mean
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
	v := newVerifier(s.cat, hint.Epoch, image, &trials)
	for _, pass := range s.plan(image, hint) {
		searches := make([]*search, len(pass.ranges))
		for _, batch := range pass.batches {
			for i, r := range pass.ranges {
				if searches[i] == nil {
					searches[i] = s.newSearch(r, pass.centroidTol, image, v)
				}
				for searches[i].run(batch) {
					if sol := s.polish(image, det, v.best, hint.Epoch); sol != nil {
						return sol, nil
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
		{hinted, sharpTol, []int{math.MaxInt}},
		{hinted, softTol, []int{math.MaxInt}},
		{blind, sharpTol, []int{firstBatch, math.MaxInt}},
		{blind, softTol, []int{softBatch}},
	}
}

// Errors of a catalogue place at the exposure: Tycho-2 states 0.06 arcsec for the
// mean star at its epoch near 1991 and 2.5 mas a year for proper motion (Hog et al. 2000,
// A&A 355, L27, table 2), which makes 0.1 in the 2020s.
const catalogueSigma = 0.1 * sky.Arcsecond

// pixelFloor is the error (pixels) of even the brightest star's centroid: pixel
// response and what the detection's own covariance does not know.
const pixelFloor = 0.01

// polishStars bounds the catalogue stars that join the final fit.
const polishStars = 2000

// polishRounds is how often pairs are chosen anew with the refined camera.
const polishRounds = 5

// rejectSigmas is where a pair is taken for a wrong one: with two thousand
// pairs, one good pair in a thousand fields is lost.
const rejectSigmas = 5

// polish turns a proved candidate into a camera fitted to every star.
func (s *Solver) polish(image spots, det *Detection, p *proven, epoch float64) *Solution {
	fit := cameraFit{Camera: cameraFromPlane(p, image)}
	halfDiagonal := math.Hypot(float64(image.width), float64(image.height)) / 2
	radius := sky.Angle(math.Atan(halfDiagonal*fit.Scale.Radians())) * 1.03
	centre := fit.ICRS(fit.Centre())
	depth := min(max(4*len(det.Stars), 400), polishStars)
	stars := s.cat.Brightest(centre, radius, depth)
	dirs := make([]sky.ICRS, len(stars))
	for i := range stars {
		dirs[i] = stars[i].At(epoch)
	}
	grid := newPlaceGrid(image, 8)
	sigmas := make([]float64, len(det.Stars))
	for i, d := range det.Stars {
		sigmas[i] = math.Sqrt((d.Cov[0][0]+d.Cov[1][1])/2 + sq(pixelFloor) + sq(float64(catalogueSigma/fit.Scale)))
	}
	tol := 3 * max(lastTol, firstTol/4)
	var pairs []fitPair
	for round := range polishRounds {
		pairs = fit.choose(image, grid, dirs, sigmas, tol)
		if len(pairs) < fewestStars || !fit.fit(pairs) {
			return nil
		}
		if round > 0 {
			fit.extend(pairs)
		}
		spread := fit.residuals(pairs)
		size := make([]float64, len(pairs))
		for i, q := range pairs {
			size[i] = q.sigma * spread
		}
		tol = min(tol, max(lastTol, rejectSigmas*middle(size)))
	}
	pairs = fit.reject(pairs)
	if len(pairs) < fewestStars || !fit.fit(pairs) {
		return nil
	}
	spread := max(1, fit.residuals(pairs))
	sol := &Solution{Camera: fit.Camera, Detection: det, Log10Odds: p.log10Odds}
	var sum float64
	for _, q := range pairs {
		sum += q.dx*q.dx + q.dy*q.dy
		sol.Pairs = append(sol.Pairs, Pair{
			Pixel: q.at, Camera: fit.Direction(q.at), ICRS: q.dir,
			Sigma: sky.Angle(q.sigma*spread) * fit.Scale,
			V:     float64(stars[q.star].V), Catalogue: stars[q.star].ID,
		})
	}
	sol.RMS = sky.Angle(math.Sqrt(sum/float64(len(pairs)))) * fit.Scale
	return sol
}

// cameraFromPlane reads attitude, scale and distortion off a plane fit.
func cameraFromPlane(p *proven, image spots) Camera {
	back := func(delta complex128) sky.Vec { // a pixel offset as a vector of the tangent plane
		w := delta / p.b[1]
		if !p.mirrored {
			w = cmplx.Conj(w)
		}
		return r3.Add(r3.Scale(real(w), p.e1), r3.Scale(imag(w), p.e2))
	}
	z := sky.Unit(r3.Add(p.boresight, back(image.centre()-p.b[0])))
	x := back(1)
	x = sky.Unit(r3.Sub(x, r3.Scale(r3.Dot(x, z), z)))
	y := r3.Cross(z, x)
	if !p.mirrored {
		y = r3.Scale(-1, y)
	}
	c := Camera{
		Width: image.width, Height: image.height, Mirrored: p.mirrored,
		Scale: sky.Angle(1 / cmplx.Abs(p.b[1])),
		K1:    real(p.b[2] / p.b[1]),
	}
	c.Axis = c.Centre()
	c.Attitude.R = sky.FromColumns(x, y, z)
	return c
}

// choose pairs each catalogue star, brightest first, with the nearest
// detection within tol pixels; a detection serves one star.
func (f *cameraFit) choose(image spots, grid *placeGrid, dirs []sky.ICRS, sigmas []float64, tol float64) []fitPair {
	taken := make([]bool, len(image.at))
	var pairs []fitPair
	for k, d := range dirs {
		p, ok := f.predict(d, nil, nil)
		z := complex(p.X, p.Y)
		if !ok || !grid.holds(z, 0) {
			continue
		}
		i, dist := grid.nearest(z, tol)
		if i < 0 || taken[i] || dist > max(rejectSigmas*sigmas[i], tol) {
			continue
		}
		taken[i] = true
		pairs = append(pairs, fitPair{
			spot: i, star: k, dir: d, sigma: sigmas[i],
			at: sky.Pixel{X: real(image.at[i]), Y: imag(image.at[i])},
		})
	}
	return pairs
}

// reject drops pairs whose residual is beyond rejectSigmas of the others'.
func (f *cameraFit) reject(pairs []fitPair) []fitPair {
	spread := f.residuals(pairs)
	return slices.DeleteFunc(pairs, func(p fitPair) bool {
		return math.Hypot(p.dx, p.dy) > rejectSigmas*p.sigma*max(spread, 1)
	})
}

// extend adds terms to the fit, one kind after the other, as far as the pairs
// demand them: a term stays when it lowers chi-square by more than the Bayesian
// information criterion asks, ln(observations) for each number (Schwarz
// 1978, Annals of Statistics 6, 461), chi-square being counted in units of
// the richer fit's own scatter.
func (f *cameraFit) extend(pairs []fitPair) {
	for _, add := range []func(*fitTerms){
		func(t *fitTerms) { t.radial1 = true },
		func(t *fitTerms) { t.shear = true },
		func(t *fitTerms) { t.radial2 = t.radial1 },
		func(t *fitTerms) { t.axis = t.radial1 },
	} {
		richer := *f
		add(&richer.terms)
		extra := richer.terms.count() - f.terms.count()
		if extra == 0 || len(pairs) < pairsPerTerm*richer.terms.count() {
			continue
		}
		trial := slices.Clone(pairs)
		if !richer.fit(trial) {
			continue
		}
		unit := sq(max(richer.residuals(trial), 1))
		if robustSum(pairs)-robustSum(trial) > unit*float64(extra)*2*math.Log(2*float64(len(pairs))) {
			*f = richer
			copy(pairs, trial)
		}
	}
}

// pairsPerTerm is how many stars a number of the camera model needs behind it.
const pairsPerTerm = 3

// robustSum is chi-square with large residuals counted linearly, after Huber.
func robustSum(pairs []fitPair) float64 {
	var sum float64
	for _, p := range pairs {
		t := math.Hypot(p.dx, p.dy) / p.sigma
		if t <= 2*huberLimit {
			sum += t * t
		} else {
			sum += 2*huberLimit*(2*t) - sq(2*huberLimit)
		}
	}
	return sum
}

func middle(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	s := slices.Clone(v)
	slices.Sort(s)
	return s[len(s)/2]
}
