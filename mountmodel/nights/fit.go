package nights

import (
	"fmt"
	"math"
	"slices"
	"time"

	"polard/mountmodel/axis"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/mat"
)

// Guiding says whether somebody corrects the declination between frames. It
// matters: a guided mount shows no drift in declination, and who takes it for
// an unguided one finds it perfectly aligned.
type Guiding int

// What may be known of the guiding.
const (
	// GuidingUnknown leaves it to the frames: a stretch is taken as unguided
	// only when its declination drifts by more than guided mounts do.
	GuidingUnknown Guiding = iota
	Unguided
	Guided
)

// Exposure is one ordinary exposure.
type Exposure struct {
	sky.Attitude
	Mid time.Time
	// Pointing is where the frame's centre stands among the stars; it tells
	// guided stretches from unguided ones. Zero when unknown, which counts as
	// guided.
	Pointing sky.ICRS
}

// Fit is the axis from ordinary exposures.
//
// The model is that of package axis, R_i c = n, with a place c of its own for
// every stretch and one axis n for all. Three departures are allowed for, as
// much as the frames ask for:
//
//   - a jitter of each frame (wind, air), per coordinate;
//   - flexure: the camera turns on the body in proportion to the direction of
//     its weight in the tube's frame (nine coefficients, the same for all
//     stretches), and the body's axis likewise in the body's frame (four).
//     Part of that turns with the camera exactly as an axis elsewhere would
//     make it, and no frame tells the two apart. Hence an axis is never known
//     better than the mount is stiff, and the covariance says so;
//   - wandering: what flexure is not in proportion to the weight. c moves
//     smoothly with the angle t about the axis, in each stretch by itself, as a
//     Gaussian process with covariance s^2 exp(cos dt - 1);
//   - a steady drift of the axis, across and up, where the likelihood asks for
//     it.
//
// The sizes of these are not fitted but averaged over, weighted by the
// likelihood of each (restricted to what the other unknowns leave: Patterson
// and Thompson 1971, Biometrika 58, 545) and by what is common among mounts.
// While the frames do not tell a stiff mount from a bending one, the axis has
// the probabilities of both, and these do not fall off as a Gaussian's: the
// covariance is such that its 68 % ellipse holds the truth that often, and Wide
// says by how much the 95 % ellipse is larger than a Gaussian's.
//
// What the frames cannot tell: over one stretch, an axis that drifts by v per
// hour looks like a steady one that is off by 3.8 v in a direction fixed by the
// hour angle. Drift that the likelihood does not show is not in the
// covariance; DriftSigma tells how large it might be.
type Fit struct {
	Axis      axis.Axis // at the newest frame
	Wide      float64   // the 95 % ellipse is that of Axis, 2.45 standard deviations, times this
	Stretches []Stretch
	Drift     *Drift // nil when the frames do not ask for one
	// DriftSigma is the standard deviation, per coordinate and hour, of a drift
	// if one is allowed for.
	DriftSigma sky.Angle
	// Flexure is the likely size of flexure and wandering (the median of what the
	// frames allow), Jitter that of the single frames, per coordinate.
	// FlexureChance is the probability that the mount is not stiff, JitterChance
	// that its frames stray.
	Flexure, Jitter             sky.Angle
	FlexureChance, JitterChance float64
	Turn                        sky.Angle // longest turn of a stretch
}

// Drift is a steady motion of the axis.
type Drift struct {
	// Across (towards growing azimuth, on the sky) and Up, per hour.
	Across, Up           sky.Angle
	SigmaAcross, SigmaUp sky.Angle
}

// Reach is the larger half axis of the ellipse that holds the axis with a
// probability of 95 %, on the sky.
func (f *Fit) Reach() sky.Angle {
	major, _, _ := f.Axis.Ellipse()
	return major * sky.Angle(f.Wide*math.Sqrt(-2*math.Log(0.05)))
}

const (
	// harmonics of the flexure in the angle about the axis. The n-th carries
	// 2 I_n(1)/e of its variance (modified Bessel functions), the fifth 2e-4.
	harmonics = 4

	// localSize is the number of unknowns of a stretch: c (2) and cosine and
	// sine of each harmonic for both coordinates.
	localSize = 2 + 4*harmonics

	// After them come the global unknowns: shift of the axis (2), its drift (2),
	// the flexure of the tube (9) and of the mount's body (4).
	atShift    = localSize
	atDrift    = atShift + 2
	atTube     = atDrift + 2
	atMount    = atTube + 9
	allSize    = atMount + 4
	globalSize = allSize - localSize
	axisSize   = atTube - localSize // shift and drift alone

	// driftPrior is the prior probability that the axis drifts, driftSure the odds
	// afterwards from which it is told.
	driftPrior = 0.2
	driftSure  = 10

	// rigidPrior is the prior probability of no flexure worth mentioning
	// (and of no wandering, and of no jitter). Sizes up to commonFlexure are
	// equally probable on a logarithmic scale, larger ones less so. Common
	// practice: telescopes bend by arcseconds to some arcminutes.
	rigidPrior    = 0.3
	commonFlexure = 256 * sky.Arcsecond

	// flexureSure is the probability from which flexure is told.
	flexureSure = 0.99

	// steadyRate and steadyLeast: a drift in declination slower than
	// 20 arcsec per hour, or smaller than 3 arcsec, is what guided mounts show as
	// well, by flexure between guider and camera. Common practice.
	steadyRate  = 20 * sky.Arcsecond
	steadyLeast = 3 * sky.Arcsecond
	// driftClear is how many times its own scatter a drift in declination must
	// be to count as one.
	driftClear = 5

	// guideFree is the freedom of the declination in a guided frame: wide
	// against every correction, narrow against rounding.
	guideFree = 1 * sky.Degree

	// Splitting into stretches. A step of c between frames parts them when it
	// is more than stepNoise standard deviations, stepLeast (jitter, and
	// dithering by some pixels), and what flexure may do in the turn between
	// them.
	stepNoise   = 5
	stepLeast   = 1 * sky.Arcminute
	stepFlexure = 3 * sky.Arcminute // per radian

	// Dithering: steps of up to ditherStep times the usual one (six standard
	// deviations of the places), but never mostDither, do not part stretches: without that the axis
	// from frames dithered by 30 arcsec errs twice as far (TestWatchOrdinaryRigs). A
	// scatter in declination from leastDither on counts, where ditherFrames or more
	// show it: smaller ones are what single frames stray by.
	ditherStep   = 6.7
	mostDither   = 150 * sky.Arcsecond
	leastDither  = 3 * sky.Arcsecond
	ditherFrames = 6

	// firstAxis is how far the axis may be from the pole while it is not known,
	// firstStep the step that then parts stretches: a change of target in
	// declination is larger, and smaller ones are found once the axis is known.
	firstAxis = 1 * sky.Degree
	farAxis   = 20 * sky.Degree
	firstStep = 3 * sky.Arcminute
	// splitRounds: the axis and the stretches are found in turn.
	splitRounds = 5

	// notARotation is by how much the determinant of an attitude may differ from
	// 1: far above rounding, far below anything that is none.
	notARotation = 1e-6

	// leastArm is the sine of the distance from the axis below which a tube has
	// no declination axis to speak of: a fifth of an arcsecond.
	leastArm = 1e-6

	// maxWatchFrames bounds the time of a fit; more are thinned evenly.
	maxWatchFrames = 2000
)

// find fits the axis to ordinary exposures of a tracking mount, in any
// order. Frames hold attitudes in the local frame; the axis must be within 20
// degrees of the pole given. Fewer than two frames, too little turn and mixed
// parities are errors, of the kinds of [axis.Find].
func find(frames []Exposure, pole sky.Local, guiding Guiding) (*Fit, error) {
	if len(frames) < 2 {
		return nil, axis.ErrFewFrames
	}
	frames = slices.Clone(frames)
	slices.SortStableFunc(frames, func(a, b Exposure) int { return a.Mid.Compare(b.Mid) })
	if n := len(frames); n > maxWatchFrames {
		for k := range maxWatchFrames {
			frames[k] = frames[k*(n-1)/(maxWatchFrames-1)]
		}
		frames = frames[:maxWatchFrames]
	}
	for _, f := range frames {
		switch det := f.R.Det(); {
		case !(math.Abs(math.Abs(det)-1) < notARotation):
			return nil, fmt.Errorf("the frame of %s has no attitude", f.Mid.Format(time.RFC3339))
		case det*frames[0].R.Det() < 0:
			return nil, axis.ErrMirrored
		}
	}
	w := &finder{frames: frames, pole: pole, guiding: guiding}
	if err := w.split(); err != nil {
		return nil, err
	}
	return w.fit()
}

const (
	// watchRounds bounds the rounds of linearisation.
	watchRounds = 6
	// watchDone is the step after which what is left is second order: 0.0002
	// arcsec.
	watchDone = 6 * sky.Arcsecond
)

// fit finds the axis given the stretches.
func (w *finder) fit() (*Fit, error) {
	for k, s := range w.stretches {
		w.stretches[k].Guided = w.guided(s)
		w.stretches[k].Dither = w.dither(s)
	}
	at := w.frames[len(w.frames)-1].Mid
	tooLittle := func(sigma sky.Angle) error {
		turn := w.longestTurn()
		return &axis.TooLittleTurnError{Turn: turn, Need: axis.Needed(turn, sigma)}
	}
	var all []answer
	for range watchRounds {
		var err error
		if all, err = w.answers(at); err != nil {
			return nil, tooLittle(0)
		}
		best := slices.MaxFunc(all, func(a, b answer) int {
			if a.evidence < b.evidence {
				return -1
			}
			return 1
		})
		step := math.Hypot(best.x[0], best.x[1])
		if step > float64(axis.UsableAxis) {
			return nil, tooLittle(0)
		}
		if step < float64(watchDone) {
			break
		}
		w.n = sky.Moved(w.n, sky.TangentBasis(w.n), best.x[0], best.x[1])
		for k := range w.c {
			p := best.parts[k]
			var local mat.VecDense
			local.MulVec(&p.pull, best.globals)
			local.SubVec(&p.local, &local)
			w.c[k] = sky.Moved(w.c[k], sky.TangentBasis(w.c[k]), local.AtVec(0), local.AtVec(1))
		}
	}
	out := w.conclude(all)
	if major, _, _ := out.Axis.Ellipse(); !(major < axis.UsableAxis) {
		return nil, tooLittle(major)
	}
	return out, nil
}

// conclude averages over the sizes.
func (w *finder) conclude(all []answer) *Fit {
	out := &Fit{Stretches: w.stretches, Turn: w.longestTurn()}
	best := math.Inf(-1)
	for _, a := range all {
		best = max(best, a.evidence)
	}
	weight := make(map[bool]float64) // with and without drift
	for _, a := range all {
		weight[a.drift] += math.Exp(a.evidence - best)
	}
	drift := weight[true]/weight[false] > driftSure
	mean, cov := mixture(all, best, drift)
	b := sky.TangentBasis(w.n)
	n := sky.Moved(w.n, b, mean[0], mean[1])
	out.Axis = axis.Axis{Dir: sky.Local(n), Cov: sky.Cov2{{cov[0][0], cov[0][1]}, {cov[1][0], cov[1][1]}}}
	near, far := reaches(all, best, drift, mean, out.Axis.Cov)
	out.Wide = far / near
	out.Axis.Cov = sky.Cov2{}.Plus(near*near, out.Axis.Cov)
	if drift {
		out.Drift = &Drift{Across: sky.Angle(mean[2]), Up: sky.Angle(mean[3]),
			SigmaAcross: sky.Angle(math.Sqrt(cov[2][2])), SigmaUp: sky.Angle(math.Sqrt(cov[3][3]))}
	}
	_, withDrift := mixture(all, best, true)
	out.DriftSigma = sky.Angle(math.Sqrt((withDrift[2][2] + withDrift[3][3]) / 2))

	out.describeSizes(all, drift, func(a answer) float64 { return math.Exp(a.evidence-best) / weight[drift] })
	w.describeStretches(out)
	return out
}

// describeSizes says how large flexure and jitter are likely to be; p is the probability
// of an answer with or without drift, as was chosen.
func (out *Fit) describeSizes(all []answer, drift bool, p func(answer) float64) {
	var stiff float64
	var flexure, wander, jitter []float64 = make([]float64, len(flexureSizes)), make([]float64, len(wanderSizes)), make([]float64, len(jitterSizes))
	for _, a := range all {
		if a.drift == drift {
			p := p(a)
			flexure[a.flexure] += p
			wander[a.wander] += p
			jitter[a.jitter] += p
			if a.flexure == 0 && a.wander == 0 {
				stiff += p
			}
		}
	}
	out.Flexure = sky.Angle(math.Hypot(float64(middle(flexureSizes, flexure)), float64(middle(wanderSizes, wander))))
	out.Jitter = middle(jitterSizes, jitter)
	out.FlexureChance, out.JitterChance = 1-stiff, 1-jitter[0]
}

// describeStretches describes the stretches.
func (w *finder) describeStretches(out *Fit) {
	for k, s := range w.stretches {
		out.Stretches[k].From, out.Stretches[k].To = w.frames[s.First].Mid, w.frames[s.Last].Mid
		out.Stretches[k].Turn = axis.Arc(w.turns(s))
	}
}
