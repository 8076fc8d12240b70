package match

import (
	"math"
	"math/cmplx"
	"slices"

	"polard/catalogs"
	"polard/mountmodel/sky"
	"polard/solve/match/proof"
	"polard/solve/robust"
)

// Verification: a candidate is carried from its pattern to the whole field,
// refitted as more stars join, and weighed against chance.

const (
	// verifyStars is how many of the field's brightest catalogue stars the proof asks for, about:
	// so many as fall inside the image when taken from the circle around it; more would only
	// cost time.
	verifyStars = 100

	// verifyDetections is how many of the image's brightest detections they are
	// looked for among: more of them raise the odds of chance hits, fewer miss
	// stars that the camera sees fainter than the catalogue does.
	verifyDetections = 300

	// firstTol is the tolerance (pixels) with which stars far from the pattern
	// are looked for at first, before the stretch of the level is added: the
	// pattern's own errors, grown over the width of the field.
	firstTol = 6.0

	// closeStart is by how much narrower each further start is, for candidates that the
	// first leaves short of proof: of few stars, a pattern is a good part of the field, and then
	// places the others well.
	closeStart = 4
	starts     = 3

	// lastTol is the smallest tolerance (pixels) of the proof: three times the
	// centroid error of a bright star in a middling image. In better ones the
	// catalogue's own errors would be the next to count.
	lastTol = 0.4

	// wideField is the field (long side) from which a lens's distortion is
	// given its own term already while proving.
	wideField = 6 * sky.Degree

	// leastProofHits is the fewest stars, besides the pattern's four, with
	// which a solution may be proved at all.
	leastProofHits = 3
)

// proven is a candidate that passed, with what the camera fit starts from.
type proven struct {
	planeFit
	evidence float64 // log10 odds as if it were the only candidate tried
}

// log10Odds is the strength of the proof, given the number of candidates tried.
func (p *proven) log10Odds(trials int) float64 {
	return p.evidence - math.Log10(float64(max(trials, 1)))
}

// The number of parameters that a candidate's fit has, without a radial term and with it.
const (
	similarityParameters = 4
	radialParameters     = 6
)

// starSource is where the stars of a field come from: the bundled catalogue, or an added one.
type starSource interface {
	Brightest(center sky.ICRS, radius sky.Angle, n int) []catalogs.Star
}

// verifier weighs candidates for one image. It does not change.
type verifier struct {
	cat    starSource
	epoch  float64
	grid   *proof.Grid
	depths []*proof.Grid // of fewer and fewer of the brightest detections, all first
}

// imageDepths: a proof may rest on so many of the brightest detections alone. Each of them is
// hit by chance less often, and where stars are few the fainter are mostly others.
var imageDepths = [2]int{80, 24}

// newVerifier weighs candidates by the brightest detections, so many at most.
func newVerifier(cat starSource, epoch float64, image proof.Detections, most int) *verifier {
	const cell = 16
	v := &verifier{cat: cat, epoch: epoch, grid: proof.NewGrid(image.Brightest(most), cell)}
	v.depths = []*proof.Grid{v.grid}
	for _, n := range imageDepths {
		if n < len(v.grid.At) {
			v.depths = append(v.depths, proof.NewGrid(image.Brightest(n), cell))
		}
	}
	return v
}

// target is a catalogue star that should be in the image.
type target struct {
	w complex128 // in the tangent plane
	z complex128 // where the fit puts it
	i int        // detection found there, or -1
}

// verify carries a candidate to the whole field. It is ok when the evidence
// would be proof for the only candidate tried.
func (v *verifier) verify(c *candidate, stretch float64) (proven, bool) {
	first := firstTol + stretch*math.Hypot(float64(v.grid.Width), float64(v.grid.Height))/2
	p := v.follow(c, first)
	// A closer start saves at most what its volume is smaller.
	if p.evidence >= proof.Threshold-(starts-1)*similarityParameters*math.Log10(closeStart) {
		for range starts - 1 {
			first /= closeStart
			if q := v.follow(c, first); q.evidence > p.evidence {
				p = q
			}
		}
	}
	return p, p.evidence >= proof.Threshold
}

// follow refines a candidate from its pattern outwards, then over the whole
// field ever more closely from the tolerance first, and weighs it on the way.
func (v *verifier) follow(c *candidate, first float64) proven {
	fit := planeFromCandidate(c, v.grid.Centre())
	halfDiagonal := math.Hypot(float64(v.grid.Width), float64(v.grid.Height)) / 2
	scale := 1 / cmplx.Abs(c.alpha)
	wide := sky.Angle(scale*float64(max(v.grid.Width, v.grid.Height))) > wideField
	radius := sky.Angle(math.Atan(halfDiagonal * scale))
	var ws []complex128
	inside := float64(v.grid.Width) * float64(v.grid.Height) / (math.Pi * sq(halfDiagonal))
	for _, s := range v.cat.Brightest(sky.ICRS(fit.boresight), radius*1.02, int(verifyStars/inside)) {
		if w, ok := fit.plane(sky.Vec(s.At(v.epoch))); ok {
			ws = append(ws, w)
		}
	}
	tol := first
	parameters := similarityParameters
	best := math.Inf(-1)
	for round := range verifyRounds {
		targets := v.look(&fit, ws, tol)
		hits := 0
		for _, t := range targets {
			if t.i >= 0 {
				hits++
			}
		}
		if hits < leastProofHits+3 {
			break
		}
		best = max(best, v.weigh(targets, c.stars[:], parameters, tol, first))
		radial := wide && hits >= 10
		if !fit.refine(targets, v.grid.At, radial) {
			break
		}
		if radial {
			parameters = radialParameters
		}
		if round+1 < verifyRounds {
			tol = max(lastTol, min(tol/2, 3*scatter(targets, &fit, v.grid.At)))
		}
	}
	return proven{planeFit: fit, evidence: best}
}

// verifyRounds is how often the fit is refined: the tolerance halves each time,
// from some ten pixels to less than one.
const verifyRounds = 6

// look finds the detection for each catalogue star inside the image; a
// detection serves the brightest star that claims it only.
func (v *verifier) look(fit *planeFit, ws []complex128, tol float64) []target {
	taken := make([]bool, len(v.grid.At))
	out := make([]target, 0, len(ws))
	for _, w := range ws {
		z := fit.pixel(w)
		if !v.grid.Holds(z, 0) {
			continue
		}
		t := target{w: w, z: z, i: -1}
		if i, _ := v.grid.Nearest(z, tol); i >= 0 && !taken[i] {
			taken[i] = true
			t.i = i
		}
		out = append(out, t)
	}
	return out
}

// weigh is the evidence of targets looked for within tol, at the best of the image's depths.
func (v *verifier) weigh(targets []target, anchors []complex128, parameters int, tol, first float64) float64 {
	best := math.Inf(-1)
	var predictions []proof.Prediction
	for _, depth := range v.depths {
		predictions = predictions[:0]
		for _, t := range targets {
			if t.i >= 0 && slices.Contains(anchors, v.grid.At[t.i]) {
				continue
			}
			predictions = append(predictions, proof.Prediction{Hit: t.i >= 0 && t.i < len(depth.At), Chance: depth.Chance(t.z, tol)})
		}
		choices := starts * verifyRounds * float64(len(v.depths))
		best = max(best, proof.Evidence(predictions, choices, math.Pow(max(1, first/tol), float64(parameters))))
	}
	return best
}

// scatter is a robust one-sigma of the radial residuals: the median of a
// two-dimensional normal's radius is 1.177 sigma.
func scatter(targets []target, f *planeFit, at []complex128) float64 {
	var r []float64
	for _, t := range targets {
		if t.i >= 0 {
			r = append(r, cmplx.Abs(f.pixel(t.w)-at[t.i]))
		}
	}
	if len(r) == 0 {
		return math.Inf(1)
	}
	return robust.Median(r) / 1.177
}

// scale is how many radians of the tangent plane a pixel has.
func (f *planeFit) scale() float64 { return 1 / cmplx.Abs(f.b[1]) }
