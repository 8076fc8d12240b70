package solve

import (
	"cmp"
	"context"
	"math"
	"math/cmplx"
	"runtime"
	"slices"

	"polard/catalogs"
	"polard/mountmodel/sky"
	"polard/solve/detect"
	"polard/solve/parallel"

	"gonum.org/v1/gonum/spatial/r3"
)

// Errors of a catalogue place at the exposure: Tycho-2 states 0.06 arcsec for the
// mean star at its epoch near 1991 and 2.5 mas a year for proper motion (Hog et al. 2000,
// A&A 355, L27, table 2), which makes 0.1 in the 2020s.
const catalogueSigma = 0.1 * sky.Arcsecond

// catalogueDrift is how fast a star without a known proper motion leaves its place of
// 1991.5: stars of the magnitudes that matter move by some tens of mas a
// year, the bright ones most, and it is they that lack the figure.
const (
	catalogueDrift = 0.04 * sky.Arcsecond // per year
	driftFrom      = 1991.5
)

// pixelFloor is the error (pixels) of even the brightest star's centroid: pixel
// response and what the detection's own covariance does not know.
const pixelFloor = 0.01

// polishStars bounds the catalogue stars that join the final fit.
const polishStars = 2000

// firstSlack is how far (pixels), beyond its own errors, a star may lie from where the
// proved candidate puts it: what the candidate's simple plane leaves out. It
// shrinks to a third with each round.
const firstSlack = 4.0

// polishRounds is how often pairs are chosen anew with the refined camera.
const polishRounds = 5

// rejectSigmas is where a pair is taken for a wrong one: with two thousand
// pairs, one good pair in a thousand fields is lost.
const rejectSigmas = 5

// widestGate bounds (pixels) how far any pair may lie apart in the end,
// whatever its stated error: beyond it chance neighbours outnumber true ones.
const widestGate = 3.0

// catalogueTarget is a catalogue star at the epoch of the exposure, with its
// one-sigma error in pixels.
type catalogueTarget struct {
	dir   sky.ICRS
	sigma float64
}

func catalogueError(s catalogs.Star, epoch float64) sky.Angle {
	if s.HasPM {
		return catalogueSigma
	}
	return catalogueSigma + catalogueDrift*sky.Angle(math.Abs(epoch-driftFrom))
}

// polish turns a proved candidate into a camera fitted to every star. quiet are the detections
// of quiet sky, brightest first.
func (s *Solver) polish(image spots, det *detect.Result, quiet []int, p *proven, epoch float64) *Solution {
	fit := cameraFit{Camera: cameraFromPlane(p, image)}
	halfDiagonal := math.Hypot(float64(image.width), float64(image.height)) / 2
	radius := sky.Angle(math.Atan(halfDiagonal*fit.Scale.Radians())) * 1.03
	centre := fit.ICRS(fit.Centre())
	depth := min(max(4*len(det.Detections), 400), polishStars)
	stars := s.cat.Brightest(centre, radius, depth)
	targets := make([]catalogueTarget, len(stars))
	for i, star := range stars {
		targets[i] = catalogueTarget{dir: star.At(epoch), sigma: catalogueError(star, epoch).Radians() / fit.Scale.Radians()}
	}
	grid := newPlaceGrid(image, 8)
	sigmas := make([]float64, len(det.Detections))
	for i, d := range det.Detections {
		sigmas[i] = math.Sqrt((d.Cov[0][0]+d.Cov[1][1])/2 + sq(pixelFloor))
	}
	slack, spread := firstSlack, 1.0
	var pairs []fitPair
	for round := range polishRounds {
		pairs = fit.choose(image, grid, targets, sigmas, slack, spread)
		if len(pairs) < fewestStars || !fit.fit(pairs, roughStep) {
			return nil
		}
		// Once when the pairs are right for the most part, and again at the end.
		if (round == 1 || round == polishRounds-1) && fit.extend(pairs) && !fit.fit(pairs, roughStep) {
			return nil
		}
		spread = max(1, fit.residuals(pairs))
		slack /= 3
	}
	pairs = fit.reject(pairs)
	if len(pairs) < fewestStars || !fit.fitWhole(pairs) {
		return nil
	}
	spread = excess(fit.residuals(pairs), len(pairs))
	all := make([]int, len(det.Detections))
	for i := range all {
		all[i] = i
	}
	weak := func(of []int) bool { return fit.strength(pairs, targets, image, of) < wholeLog10Odds }
	if fit.astray(pairs, targets, image, quiet) || weak(all) && weak(quiet) {
		return nil
	}
	sol := &Solution{Camera: fit.Camera, Detector: fit.detector(sq(spread)), Shear: [2]float64{fit.g1, fit.g2}, Detected: det}
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

// A proof may come from one corner of a wide field, where the scale of a lens differs
// from that of its middle by a tenth, and the fit then fails to find the way to the
// rest: its pairs are good in the corner and chance elsewhere. Such a fit is coarse,
// and leaves most of the brightest stars without a partner. Of some two hundred
// right ones over all hard kinds of frames of 8 to 60 degrees, stars trailed or out of focus
// reached 1.5 pixels with nine in ten explained, and frames half hidden left two
// thirds unexplained at 0.5 pixels. In a narrow field most of the brightest may be in no catalogue, but then the
// catalogue's stars show: 11 of 15, and of two degrees gone astray among rings out of focus 10 of 30.
const (
	astrayRMS   = 1.2 // pixels
	astrayStars = 30  // the brightest detections of quiet sky, and the brightest stars of the catalogue
	astrayShare = 0.5 // of them
)

// astray tells whether a fit explains too little, both of what is detected and of what should be.
func (f *cameraFit) astray(pairs []fitPair, targets []catalogueTarget, image spots, quiet []int) bool {
	first := quiet[:min(len(quiet), astrayStars)]
	shown := make(map[int]bool)
	var sum float64
	bright := 0
	for _, p := range pairs {
		sum += p.dx*p.dx + p.dy*p.dy
		shown[p.star] = true
		if slices.Contains(first, p.spot) {
			bright++
		}
	}
	if math.Sqrt(sum/float64(len(pairs))) <= astrayRMS || float64(bright) >= astrayShare*float64(len(first)) {
		return false
	}
	inside, seen := 0, 0
	for k, t := range targets {
		if at, ok := f.predict(t.dir, nil, nil); ok && image.holds(complex(at.X, at.Y), 0) {
			inside++
			if shown[k] {
				seen++
			}
			if inside == astrayStars {
				break
			}
		}
	}
	return float64(seen) < astrayShare*float64(inside)
}

// wholeLog10Odds is what the fit as a whole must show, with its pattern's stars and over the
// whole image. One that went astray from a proof in a corner, with seven pairs for a hundred stars, had 5; of
// six hundred right ones over all hard kinds of frames the weakest had 24, and nearly all more than 35.
const wholeLog10Odds = proofLog10Odds + 5

// strength is the evidence of the fit as a whole among the first of the given detections, as if it were
// the only one tried.
func (f *cameraFit) strength(pairs []fitPair, targets []catalogueTarget, image spots, of []int) float64 {
	counts := make([]bool, len(image.at))
	among := image
	among.at = nil
	for _, i := range of[:min(len(of), verifySpots)] {
		counts[i] = true
		among.at = append(among.at, image.at[i])
	}
	grid := newPlaceGrid(among, 8)
	var sum float64
	for _, p := range pairs {
		sum += p.dx*p.dx + p.dy*p.dy
	}
	tol := max(lastTol, 3*math.Sqrt(sum/float64(2*len(pairs))))
	hit := make(map[int]bool)
	for _, p := range pairs {
		if counts[p.spot] && math.Hypot(p.dx, p.dy) <= tol {
			hit[p.star] = true
		}
	}
	var predictions []prediction
	for k, t := range targets {
		if at, ok := f.predict(t.dir, nil, nil); ok {
			if z := complex(at.X, at.Y); grid.holds(z, 0) {
				predictions = append(predictions, prediction{hit: hit[k], chance: grid.chance(z, tol)})
			}
		}
		if len(predictions) == verifyStars {
			break
		}
	}
	return evidence(predictions, 1, 1)
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
// detection within its errors (spread times as large as stated) and some
// slack in pixels; a detection serves one star.
func (f *cameraFit) choose(image spots, grid *placeGrid, targets []catalogueTarget, sigmas []float64, slack, spread float64) []fitPair {
	taken := make([]bool, len(image.at))
	var pairs []fitPair
	for k, t := range targets {
		p, ok := f.predict(t.dir, nil, nil)
		z := complex(p.X, p.Y)
		if !ok || !grid.holds(z, 0) {
			continue
		}
		i, dist := grid.nearest(z, slack+widestGate)
		if i < 0 || taken[i] {
			continue
		}
		sigma := math.Hypot(sigmas[i], t.sigma)
		if dist > slack+rejectSigmas*sigma*spread {
			continue
		}
		taken[i] = true
		pairs = append(pairs, fitPair{
			spot: i, star: k, dir: t.dir, sigma: sigma,
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

// lensField is the field (long side) from which a lens's distortion and the place
// of its axis can be told from scale and attitude. At 3 degrees, half a percent
// of distortion at the corner of a wide lens has shrunk to a hundredth of a pixel.
const lensField = 3 * sky.Degree

// extensions are the groups of terms that may join the fit together.
var extensions = []fitTerms{
	{radial1: true},
	{shear: true},
	{axis: true},
	{radial1: true, axis: true},
	{radial1: true, radial2: true},
	{radial1: true, radial2: true, axis: true},
}

// extendStars is how many pairs, the brightest, decide about terms: they hold
// most of what is known, and each group costs a fit.
const extendStars = 300

// extend adds groups of terms to the fit, the most telling first, as far as the
// pairs demand them: a group stays when it lowers chi-square by more than the
// Bayesian information criterion asks, ln(observations) for each number (Schwarz
// 1978, Annals of Statistics 6, 461), chi-square being counted in units of
// the richer fit's own scatter, and doubled for the choice among groups. It
// tells whether it added any.
func (f *cameraFit) extend(pairs []fitPair) (extended bool) {
	field := sky.Angle(max(f.Width, f.Height)) * f.Scale
	now := *f
	some := slices.Clone(pairs[:min(extendStars, len(pairs))])
	if len(some) < len(pairs) && !now.fit(some, roughStep) {
		return false
	}
	for {
		tried := make([]extension, len(extensions))
		parallel.Each(context.Background(), runtime.GOMAXPROCS(0), len(tried), func(_, i int) {
			if field >= lensField || extensions[i] == (fitTerms{shear: true}) {
				tried[i] = now.tryTerms(extensions[i], some)
			}
		})
		best := slices.MaxFunc(tried, func(a, b extension) int { return cmp.Compare(a.gain, b.gain) })
		if best.gain <= 0 {
			break
		}
		now, some, extended = best.fit, best.pairs, true
	}
	if extended {
		*f = now
	}
	return extended
}

// extension is a fit with more terms, and what it gains.
type extension struct {
	fit   cameraFit
	pairs []fitPair
	gain  float64
}

// tryTerms fits with a group of terms more. The gain is nothing where they cannot be fitted.
func (f *cameraFit) tryTerms(group fitTerms, pairs []fitPair) (e extension) {
	e.fit = *f
	e.fit.terms = f.terms.with(group)
	extra := e.fit.terms.count() - f.terms.count()
	if extra == 0 || len(pairs) < pairsPerTerm*e.fit.terms.count() {
		return e
	}
	e.pairs = slices.Clone(pairs)
	if !e.fit.fit(e.pairs, roughStep) {
		return e
	}
	unit := sq(max(e.fit.residuals(e.pairs), 1))
	e.gain = (robustSum(pairs)-robustSum(e.pairs))/unit - float64(extra)*2*math.Log(2*float64(len(pairs)))
	return e
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
