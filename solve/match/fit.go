package match

import (
	"context"
	"math"
	"slices"

	"polard/catalogs"
	"polard/mountmodel/sky"
	"polard/solve/camera"
	"polard/solve/match/proof"
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

// Errors of Gaia's places: far below a hundredth of an arcsecond at 2016 and, at 0.2 mas/yr of what the file keeps,
// ten years on; what counts is that most stars are seen with others that Gaia tells apart and cameras do
// not. Stars without motion are faint, and leave their places by some 5 mas a year (common practice).
const (
	fineSigma = 0.01 * sky.Arcsecond
	fineDrift = 0.005 * sky.Arcsecond // per year
	fineYear  = 2016.0
)

// pixelFloor is the error (pixels) of even the brightest star's centroid: pixel
// response and what the detection's own covariance does not know.
const pixelFloor = 0.01

// fitStars bounds the catalogue stars that join the final fit.
const fitStars = 2000

// firstSlack is how far (pixels), beyond its own errors, a star may lie from where the
// proved candidate puts it: what the candidate's simple plane leaves out. It
// shrinks to a third with each round.
const firstSlack = 4.0

// fitRounds is how often pairs are chosen anew with the refined camera.
const fitRounds = 5

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

// PlaceError is the one-sigma error of a catalogue place at an epoch, per axis.
func PlaceError(s catalogs.Star, epoch float64) sky.Angle {
	switch {
	case s.Fine && s.HasPM:
		return fineSigma
	case s.Fine:
		return fineSigma + fineDrift*sky.Angle(math.Abs(epoch-fineYear))
	case s.HasPM:
		return catalogueSigma
	}
	return catalogueSigma + catalogueDrift*sky.Angle(math.Abs(epoch-driftFrom))
}

// fitCamera turns a proved candidate into a camera fitted to every star. smooth are the detections
// of smooth sky, brightest first. There is no match when the fit fails; the error is the context's.
func fitCamera(ctx context.Context, cat starSource, image proof.Detections, detections []Detection, smooth []int, p *proven, epoch float64) (*Match, error) {
	fit := camera.Fit{Camera: cameraFromPlane(p, image)}
	halfDiagonal := math.Hypot(float64(image.Width), float64(image.Height)) / 2
	radius := sky.Angle(math.Atan(halfDiagonal*fit.Scale.Radians())) * 1.03
	stars := cat.Brightest(fit.ICRS(fit.Centre()), radius, min(max(4*len(detections), 400), fitStars))
	targets := make([]catalogueTarget, len(stars))
	for i, star := range stars {
		targets[i] = catalogueTarget{dir: star.At(epoch), sigma: PlaceError(star, epoch).Radians() / fit.Scale.Radians()}
	}
	pairs, err := fitPairs(ctx, &fit, image, detections, targets)
	if err != nil || pairs == nil || !fit.Whole(pairs) {
		return nil, err
	}
	all := make([]int, len(detections))
	for i := range all {
		all[i] = i
	}
	spread := camera.Excess(fit.Residuals(pairs), len(pairs))
	weak := func(of []int) bool { return strength(&fit, pairs, targets, image, of) < wholeLog10Odds }
	if diverged(&fit, pairs, targets, image, smooth) || weak(all) && weak(smooth) {
		return nil, nil
	}
	m := &Match{Camera: fit.Camera, Detector: fit.Detector(sq(spread)), Shear: fit.Shear}
	for _, q := range pairs {
		m.Pairs = append(m.Pairs, Pair{
			Pixel: q.At, ICRS: q.ICRS,
			Sigma: sky.Angle(q.Sigma*spread) * fit.Scale,
			V:     float64(stars[q.Star].V),
		})
	}
	m.RMS = sky.Angle(radialRMS(pairs)) * fit.Scale
	return m, nil
}

// radialRMS is the root mean square of the pairs' distances, in pixels.
func radialRMS(pairs []camera.Pair) float64 {
	var sum float64
	for _, p := range pairs {
		sum += sq(p.DX) + sq(p.DY)
	}
	return math.Sqrt(sum / float64(len(pairs)))
}

// fitPairs chooses pairs and fits the camera to them, by turns. There are no pairs when the fit fails.
func fitPairs(ctx context.Context, fit *camera.Fit, image proof.Detections, detections []Detection, targets []catalogueTarget) ([]camera.Pair, error) {
	grid := proof.NewGrid(image, 8)
	sigmas := make([]float64, len(detections))
	for i, d := range detections {
		sigmas[i] = math.Sqrt((d.Cov[0][0]+d.Cov[1][1])/2 + sq(pixelFloor))
	}
	slack, spread := firstSlack, 1.0
	var pairs []camera.Pair
	for round := range fitRounds {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		pairs = choose(fit, image, grid, targets, sigmas, slack, spread)
		if len(pairs) < FewestStars || !fit.Solve(pairs, camera.CoarseStep) {
			return nil, nil
		}
		// Once when the pairs are right for the most part, and again at the end.
		if round == 1 || round == fitRounds-1 {
			extended, err := fit.Extend(ctx, pairs)
			if err != nil {
				return nil, err
			}
			if extended && !fit.Solve(pairs, camera.CoarseStep) {
				return nil, nil
			}
		}
		spread = max(1, fit.Residuals(pairs))
		slack /= 3
	}
	if pairs = reject(fit, pairs); len(pairs) < FewestStars {
		return nil, nil
	}
	return pairs, nil
}

// A proof may come from one corner of a wide field, where the scale of a lens differs
// from that of its middle by a tenth, and the fit then fails to find the way to the
// rest: its pairs are good in the corner and chance elsewhere. Such a fit is coarse,
// and leaves most of the brightest stars without a partner. Of some two hundred
// right ones over all hard kinds of frames of 8 to 60 degrees, stars trailed or out of focus
// reached 1.5 pixels with nine in ten explained, and frames half hidden left two
// thirds unexplained at 0.5 pixels. In a narrow field most of the brightest may be in no catalogue, but then the
// catalogue's stars show: 11 of 15, and of two degrees that diverged among rings out of focus 10 of 30.
const (
	divergedRMS   = 1.2 // pixels
	divergedStars = 30  // the brightest detections of smooth sky, and the brightest stars of the catalogue
	divergedShare = 0.5 // of them
)

// diverged tells whether a fit explains too little, both of what is detected and of what should be.
func diverged(f *camera.Fit, pairs []camera.Pair, targets []catalogueTarget, image proof.Detections, smooth []int) bool {
	first := smooth[:min(len(smooth), divergedStars)]
	shown := make(map[int]bool)
	bright := 0
	for _, p := range pairs {
		shown[p.Star] = true
		if slices.Contains(first, p.Detection) {
			bright++
		}
	}
	if radialRMS(pairs) <= divergedRMS || float64(bright) >= divergedShare*float64(len(first)) {
		return false
	}
	inside, seen := 0, 0
	for k, t := range targets {
		if at, ok := f.Project(t.dir); ok && image.Holds(complex(at.X, at.Y), 0) {
			inside++
			if shown[k] {
				seen++
			}
			if inside == divergedStars {
				break
			}
		}
	}
	return float64(seen) < divergedShare*float64(inside)
}

// wholeLog10Odds is what the fit as a whole must show, with its pattern's stars and over the
// whole image. One that diverged from a proof in a corner, with seven pairs for a hundred stars, had 5; of
// six hundred right ones over all hard kinds of frames the weakest had 24, and nearly all more than 35.
const wholeLog10Odds = proof.Threshold + 5

// strength is the evidence of the fit as a whole among the given detections, the first of them or fewer (imageDepths),
// as if it were the only one tried.
func strength(f *camera.Fit, pairs []camera.Pair, targets []catalogueTarget, image proof.Detections, of []int) float64 {
	best := math.Inf(-1)
	depths := []int{min(len(of), verifyDetections)}
	for _, n := range imageDepths {
		if n < depths[0] {
			depths = append(depths, n)
		}
	}
	for _, n := range depths {
		best = max(best, proof.Evidence(wholePredictions(f, pairs, targets, image, of[:n]), float64(len(depths)), 1))
	}
	return best
}

// wholePredictions are the catalogue's brightest stars in the image, and whether one of the given detections shows each.
func wholePredictions(f *camera.Fit, pairs []camera.Pair, targets []catalogueTarget, image proof.Detections, of []int) []proof.Prediction {
	counts := make([]bool, len(image.At))
	among := image
	among.At = nil
	for _, i := range of {
		counts[i] = true
		among.At = append(among.At, image.At[i])
	}
	grid := proof.NewGrid(among, 8)
	tol := max(lastTol, 3*radialRMS(pairs)/math.Sqrt2)
	hit := make(map[int]bool)
	for _, p := range pairs {
		if counts[p.Detection] && math.Hypot(p.DX, p.DY) <= tol {
			hit[p.Star] = true
		}
	}
	var predictions []proof.Prediction
	for k, t := range targets {
		if at, ok := f.Project(t.dir); ok {
			if z := complex(at.X, at.Y); grid.Holds(z, 0) {
				predictions = append(predictions, proof.Prediction{Hit: hit[k], Chance: grid.Chance(z, tol)})
			}
		}
		if len(predictions) == verifyStars {
			break
		}
	}
	return predictions
}

// choose pairs each catalogue star, brightest first, with the nearest
// detection within its errors (spread times as large as stated) and some
// slack in pixels; a detection serves one star.
func choose(f *camera.Fit, image proof.Detections, grid *proof.Grid, targets []catalogueTarget, sigmas []float64, slack, spread float64) []camera.Pair {
	taken := make([]bool, len(image.At))
	var pairs []camera.Pair
	for k, t := range targets {
		p, ok := f.Project(t.dir)
		z := complex(p.X, p.Y)
		if !ok || !grid.Holds(z, 0) {
			continue
		}
		i, dist := grid.Nearest(z, slack+widestGate)
		if i < 0 || taken[i] {
			continue
		}
		sigma := math.Hypot(sigmas[i], t.sigma)
		if dist > slack+rejectSigmas*sigma*spread {
			continue
		}
		taken[i] = true
		pairs = append(pairs, camera.Pair{
			Detection: i, Star: k, ICRS: t.dir, Sigma: sigma,
			At: sky.Pixel{X: real(image.At[i]), Y: imag(image.At[i])},
		})
	}
	return pairs
}

// reject drops pairs whose residual is beyond rejectSigmas of the others'.
func reject(f *camera.Fit, pairs []camera.Pair) []camera.Pair {
	spread := f.Residuals(pairs)
	return slices.DeleteFunc(pairs, func(p camera.Pair) bool {
		return math.Hypot(p.DX, p.DY) > rejectSigmas*p.Sigma*max(spread, 1)
	})
}
