package mountmodel

import (
	"fmt"
	"math"
	"slices"
	"time"

	"polard/mountmodel/axis"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
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

// WatchFrame is one ordinary exposure.
type WatchFrame struct {
	sky.Attitude
	Mid time.Time
	// Pointing is where the frame's centre stands among the stars; it tells
	// guided stretches from unguided ones. Zero when unknown, which counts as
	// guided.
	Pointing sky.ICRS
}

// Stretch is a run of frames during which nothing but the RA axis turned (and,
// when guided, the declination by the guider's corrections).
type Stretch struct {
	First, Last int       // indices into the frames in order of time, both included
	From, To    time.Time // mid-exposure of these two
	Turn        sky.Angle
	Body        sky.Camera // where the camera has the axis
	Guided      bool       // taken as guided: the declination is free in every frame
}

// WatchFit is the axis from ordinary exposures.
//
// The model is that of [AxisFit], R_i c = n, with a place c of its own for
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
type WatchFit struct {
	Axis      axis.Axis // at the moment At
	Wide      float64   // the 95 % ellipse is that of Axis, 2.45 standard deviations, times this
	At        time.Time // mid-exposure of the newest frame
	Stretches []Stretch
	Drift     *AxisDrift // nil when the frames do not ask for one
	// DriftSigma is the standard deviation, per coordinate and hour, of a drift
	// if one is allowed for.
	DriftSigma sky.Angle
	// Flexure is the likely size of flexure and wandering (the median of what the
	// frames allow), Jitter that of the single frames, per coordinate.
	// FlexureChance is the probability that the mount is not stiff, JitterChance
	// that its frames stray.
	Flexure, Jitter             sky.Angle
	FlexureChance, JitterChance float64
	Chi2                        float64 // of the model without departures, with the stated errors alone
	Dof                         int
	Turn                        sky.Angle // longest turn of a stretch
	Used                        int       // frames in stretches of two or more
}

// AxisDrift is a steady motion of the axis.
type AxisDrift struct {
	// Across (towards growing azimuth, on the sky) and Up, per hour.
	Across, Up           sky.Angle
	SigmaAcross, SigmaUp sky.Angle
	Odds                 float64 // of a drift against none
}

// Reach is the larger half axis of the ellipse that holds the axis with a
// probability of 95 %, on the sky.
func (f *WatchFit) Reach() sky.Angle {
	major, _, _ := f.Axis.Ellipse()
	return major * sky.Angle(f.Wide*math.Sqrt(-2*math.Log(0.05)))
}

// Flexes tells whether the frames show that the mount bends.
func (f *WatchFit) Flexes() bool { return f.FlexureChance > flexureTold }

// Sentences tell the result in plain words: size and side of the offset from
// the pole, what the mount does beside it, and what was assumed.
func (f *WatchFit) Sentences(pole sky.Local) []string {
	off := axis.OffsetBetween(f.Axis.Dir, pole)
	height, side := "above", "east"
	if off.Alt < 0 {
		height = "below"
	}
	if f.Axis.Dir.X < pole.X {
		side = "west"
	}
	across := sky.Angle(math.Abs(f.Axis.Dir.X - pole.X))
	major, _, _ := f.Axis.Ellipse()
	known := sky.KnownWords(major)
	if f.Wide > 1.25 { // not a Gaussian: say it
		known += fmt.Sprintf(" (within %s in 19 of 20 such cases)", sky.KnownWords(f.Reach()))
	}
	out := []string{fmt.Sprintf("The axis stands %s from the pole: %s %s it and %s %s of it, known to %s.",
		sky.AngleWords(off.Total), sky.AngleWords(off.Alt), height, sky.AngleWords(across), side, known)}
	if f.Flexes() {
		out = append(out, fmt.Sprintf("The mount bends by about %s as it turns, more than the stars explain: no single axis fits, and none can be known better than that. The uncertainty includes it.", sky.AngleWords(f.Flexure)))
	}
	if f.JitterChance > flexureTold {
		out = append(out, fmt.Sprintf("Single frames stray by about %s: wind, dithering, or something loose.", sky.AngleWords(f.Jitter)))
	}
	if d := f.Drift; d != nil {
		out = append(out, fmt.Sprintf("The axis itself moves, by %s per hour (known to %s): the tripod settles, or something gives with the temperature. The offset is that of the newest frame.",
			sky.AngleWords(sky.Angle(math.Hypot(float64(d.Across), float64(d.Up)))), sky.KnownWords(sky.Angle(math.Hypot(float64(d.SigmaAcross), float64(d.SigmaUp))))))
	}
	if len(f.Stretches) == 1 && f.Drift == nil {
		const settles = 10 * sky.Arcsecond
		out = append(out, fmt.Sprintf("All frames are of one stretch. Had the tripod settled by %s per hour meanwhile, it would look the same and move this by %s: only other targets, or a longer night, tell.",
			sky.AngleWords(settles), sky.AngleWords(settles/sky.Angle(observed.SiderealRate*3600))))
	}
	guided := 0
	for _, s := range f.Stretches {
		if s.Guided {
			guided++
		}
	}
	if guided > 0 {
		out = append(out, fmt.Sprintf("In %d of %d stretches the declination hardly drifts, as it does when the mount is guided, or aligned. There only the rotation of the field was used, which tells less. If the mount was not guided, say so.", guided, len(f.Stretches)))
	}
	return out
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

	// driftBefore is the probability beforehand that it does; driftTold the
	// odds after from which it is believed.
	driftBefore = 0.2
	driftTold   = 10

	// rigidBefore is the probability beforehand of no flexure worth mentioning
	// (and of no wandering, and of no jitter). Sizes up to commonFlexure are
	// equally probable on a logarithmic scale, larger ones less so. Common
	// practice: telescopes bend by arcseconds to some arcminutes.
	rigidBefore   = 0.3
	commonFlexure = 256 * sky.Arcsecond

	// flexureTold is the probability from which flexure is told.
	flexureTold = 0.99

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

	// hopeless is the drop in the logarithm of the likelihood, e^30 to 1, after
	// which larger sizes are not tried: past its peak it falls on and on.
	hopeless = 30

	// maxWatchFrames bounds the time of a fit; more are thinned evenly.
	maxWatchFrames = 2000
)

// The sizes averaged over: of the flexure to 8.5 arcminutes, of the wandering
// and the jitter to 4.
func flexureSizes() []sky.Angle { return sizes(10, 2) }
func wanderSizes() []sky.Angle  { return sizes(5, 4) }
func jitterSizes() []sky.Angle  { return sizes(5, 4) }

// sizes are 0 and count sizes from an arcsecond up.
func sizes(count int, ratio float64) []sky.Angle {
	out := []sky.Angle{0}
	for k := range count {
		out = append(out, sky.Angle(math.Pow(ratio, float64(k)))*sky.Arcsecond)
	}
	return out
}

// beforehand is the probability of each size before any frame is seen: of none
// at all, and of the others the same up to common, then falling as 1/size.
func beforehand(sizes []sky.Angle, none float64) []float64 {
	out, sum := make([]float64, len(sizes)), 0.0
	for k, s := range sizes[1:] {
		out[1+k] = min(1, float64(commonFlexure/s))
		sum += out[1+k]
	}
	for k := range out {
		out[k] *= (1 - none) / sum
	}
	out[0] = none
	return out
}

// FitWatch fits the axis to ordinary exposures of a tracking mount, in any
// order. Frames hold attitudes in the local frame; the axis must be within 20
// degrees of the pole given. Fewer than two frames, too little turn and mixed
// hands are errors, of the kinds of [FitAxis].
func FitWatch(frames []WatchFrame, pole sky.Local, guiding Guiding) (*WatchFit, error) {
	if len(frames) < 2 {
		return nil, axis.ErrFewFrames
	}
	frames = slices.Clone(frames)
	slices.SortStableFunc(frames, func(a, b WatchFrame) int { return a.Mid.Compare(b.Mid) })
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
	w := &watch{frames: frames, pole: pole, guiding: guiding}
	if err := w.split(); err != nil {
		return nil, err
	}
	return w.fit()
}

// watch is a fit under way.
type watch struct {
	frames    []WatchFrame
	pole      sky.Local
	guiding   Guiding
	stretches []Stretch // of two frames or more
	lone      int       // frames that are a stretch by themselves
	n         sky.Vec
	c         []sky.Vec // of each stretch
}

// split finds the stretches and a first axis. Which frames belong together
// depends on the axis, and the axis on which frames do: in turn, from loose to
// strict.
func (w *watch) split() error {
	var problem error
	for _, far := range [2]sky.Angle{firstAxis, farAxis} {
		w.n = sky.Vec(w.pole)
		w.cut(far, firstStep)
		var sigma sky.Angle
		for range splitRounds {
			if sigma, problem = w.start(); problem != nil {
				break
			}
			last := w.stretches
			w.cut(min(stepNoise*sigma, far), stepLeast)
			if slices.Equal(last, w.stretches) {
				break
			}
		}
		if problem == nil {
			_, problem = w.start()
		}
		if problem == nil && r3.Dot(w.n, sky.Vec(w.pole)) > farAxis.Cos() {
			return nil
		}
	}
	if problem == nil {
		problem = &axis.TooLittleTurnError{Need: axis.WantedTurn}
	}
	return problem
}

// cut parts the frames where c steps, given that the axis is off by no more
// than off.
func (w *watch) cut(off, least sky.Angle) {
	w.stretches, w.lone = nil, 0
	first := 0
	b := sky.TangentBasis(w.n)
	for i := 1; i <= len(w.frames); i++ {
		if i < len(w.frames) {
			from, to := w.frames[i-1], w.frames[i]
			was, is := from.R.Transpose().Apply(w.n), to.R.Transpose().Apply(w.n)
			turn := sky.TurnAbout(to.R.Mul(from.R.Transpose()), w.n).Abs()
			// The covariance of the step, in the plane across the axis.
			step := to.R.Apply(r3.Sub(is, was))
			d := [2]float64{r3.Dot(step, b[0]), r3.Dot(step, b[1])}
			s := axis.Across(to.Cov, w.n, b, 0)
			q := to.R.Mul(from.R.Transpose())
			e := axis.Across(q.Mul(from.Cov).Mul(q.Transpose()), w.n, b, 0)
			for p := range 2 {
				for r := range 2 {
					s[p][r] += e[p][r]
				}
			}
			// Standard deviation along the step itself.
			noise := 0.0
			if size := math.Hypot(d[0], d[1]); size > 0 {
				u := [2]float64{d[0] / size, d[1] / size}
				noise = math.Sqrt(u[0]*(s[0][0]*u[0]+s[0][1]*u[1]) + u[1]*(s[1][0]*u[0]+s[1][1]*u[1]))
			}
			tilt := 2 * (turn / 2).Sin() * float64(off)
			if r3.Norm(step) <= stepNoise*noise+tilt+float64(least)+float64(stepFlexure)*float64(turn) {
				continue
			}
		}
		if i-first >= 2 {
			w.stretches = append(w.stretches, Stretch{First: first, Last: i - 1})
		} else {
			w.lone++
		}
		first = i
	}
}

// startError is the model error per coordinate with which the first axis is
// sought: large enough for jitter and flexure not to lead it far astray.
const startError = 10 * sky.Arcsecond

// start fits the plain model to the stretches, for a first axis and its
// uncertainty.
func (w *watch) start() (sigma sky.Angle, err error) {
	var frames []sky.Attitude
	var body []int
	for k, s := range w.stretches {
		for i := s.First; i <= s.Last; i++ {
			frames = append(frames, w.frames[i].Attitude)
			body = append(body, k)
		}
	}
	if len(frames) == 0 {
		return 0, &axis.TooLittleTurnError{Need: axis.WantedTurn}
	}
	if _, clear := axis.LargestTurn(frames); !clear {
		return 0, &axis.TooLittleTurnError{Need: axis.WantedTurn}
	}
	m, err := axis.FitBodies(frames, w.n, body, len(w.stretches), startError)
	if err != nil {
		return 0, &axis.TooLittleTurnError{Turn: w.longestTurn(), Need: axis.WantedTurn}
	}
	w.n, w.c = m.N, m.C
	grown := max(1, m.Chi2/float64(max(1, m.Dof)))
	return sky.Angle(math.Sqrt(grown * (m.Cov.At(0, 0) + m.Cov.At(1, 1)))), nil
}

func (w *watch) longestTurn() sky.Angle {
	longest := sky.Angle(0)
	for _, s := range w.stretches {
		longest = max(longest, axis.Arc(w.turns(s)))
	}
	return longest
}

func (w *watch) turns(s Stretch) []sky.Angle {
	att := make([]sky.Attitude, 0, s.Last-s.First+1)
	for i := s.First; i <= s.Last; i++ {
		att = append(att, w.frames[i].Attitude)
	}
	return axis.TurnsAbout(att, w.n)
}

// guided tells whether a stretch is to be taken as guided. See GuidingUnknown.
func (w *watch) guided(s Stretch) bool {
	if w.guiding != GuidingUnknown {
		return w.guiding == Guided
	}
	frames := w.frames[s.First : s.Last+1]
	var mean sky.Vec
	for _, f := range frames {
		if f.Pointing == (sky.ICRS{}) {
			return true
		}
		mean = r3.Add(mean, sky.Vec(f.Pointing))
	}
	north := sky.TangentBasis(sky.Unit(mean))[1]
	// A parabola in time through the declinations.
	hours := func(f WatchFrame) float64 { return f.Mid.Sub(frames[0].Mid).Hours() }
	span := hours(frames[len(frames)-1])
	const terms = 3
	if len(frames) <= terms || span == 0 {
		return true
	}
	a, y := mat.NewDense(len(frames), terms, nil), mat.NewVecDense(len(frames), nil)
	for i, f := range frames {
		x := hours(f) / span
		a.SetRow(i, []float64{1, x, x * x})
		y.SetVec(i, r3.Dot(north, sky.Vec(f.Pointing)))
	}
	var p, drift, rest mat.VecDense
	if p.SolveVec(a, y) != nil {
		return true
	}
	drift.MulVec(a, &p)
	rest.SubVec(y, &drift)
	moved := sky.Angle(mat.Max(&drift) - mat.Min(&drift))
	scatter := sky.Angle(mat.Norm(&rest, 2) / math.Sqrt(float64(len(frames)-terms)))
	return moved < max(steadyLeast, steadyRate*sky.Angle(span), driftClear*scatter)
}

// block are the normal equations of one stretch with one jitter, before
// anything is known of flexure. The unknowns are the local ones, then the global
// ones.
type block struct {
	a      [allSize][allSize]float64 // upper triangle
	b      [allSize]float64
	yy     float64 // weighted sum of squares
	logdet float64 // sum of the logarithms of the determinants of the frames' covariances
}

// row is how the two numbers of a frame answer to the unknowns.
type row [2][allSize]float64

// design sets up the row of a frame and its two numbers, y = n moved - c moved.
func (w *watch) design(f WatchFrame, c sky.Vec, turn sky.Angle, hours float64) (r row, y [2]float64) {
	bn, bc := sky.TangentBasis(w.n), sky.TangentBasis(c)
	seen := f.R.Apply(c)
	shares := harmonicShares()
	up := f.R.Transpose().Apply(sky.Vec{Z: 1})
	weight := [3]float64{up.X, up.Y, up.Z}
	units := [3]sky.Vec{{X: 1}, {Y: 1}, {Z: 1}}
	// Boresight and zenith in the plane across the axis.
	plane := func(v sky.Vec) [2]float64 { return [2]float64{r3.Dot(bn[0], v), r3.Dot(bn[1], v)} }
	tube, zenith := plane(f.R.Column(2)), plane(sky.Vec{Z: 1})
	var load [2]float64
	if l := math.Hypot(tube[0], tube[1]); l > leastArm {
		tube[0], tube[1] = tube[0]/l, tube[1]/l
		load = [2]float64{tube[0]*zenith[0] + tube[1]*zenith[1], tube[0]*zenith[1] - tube[1]*zenith[0]}
	}
	for p := range 2 {
		y[p] = r3.Dot(bn[p], seen)
		for q := range 2 {
			g := -r3.Dot(bn[p], f.R.Apply(bc[q]))
			r[p][q] = g
			for m := 1; m <= harmonics; m++ {
				a := turn * sky.Angle(m)
				r[p][2+4*(m-1)+q] = g * shares[m-1] * a.Cos()
				r[p][2+4*(m-1)+2+q] = g * shares[m-1] * a.Sin()
			}
		}
		r[p][atShift+p] = 1
		r[p][atDrift+p] = hours
		for a := range 3 {
			g := r3.Dot(bn[p], f.R.Apply(r3.Cross(units[a], c)))
			for b := range 3 {
				r[p][atTube+3*a+b] = g * weight[b]
			}
		}
	}
	// The body's own bending, told in its frame: along and across the tube.
	for b := range 2 {
		r[0][atMount+b], r[0][atMount+2+b] = tube[0]*load[b], -tube[1]*load[b]
		r[1][atMount+b], r[1][atMount+2+b] = tube[1]*load[b], tube[0]*load[b]
	}
	return r, y
}

// gather sums up the normal equations of a stretch about the present point,
// for every jitter.
func (w *watch) gather(k int, turns []sky.Angle, jitters []sky.Angle, at time.Time) ([]block, error) {
	s := w.stretches[k]
	out := make([]block, len(jitters))
	bn := sky.TangentBasis(w.n)
	// The declination moves c along the great circle to the boresight.
	free := sky.Vec{Z: 1}
	free = r3.Sub(free, r3.Scale(r3.Dot(free, w.c[k]), w.c[k]))
	if r3.Norm(free) > leastArm {
		free = sky.Unit(free)
	}
	for i := s.First; i <= s.Last; i++ {
		f := w.frames[i]
		r, y := w.design(f, w.c[k], turns[i-s.First], f.Mid.Sub(at).Hours())
		still := axis.Across(f.Cov, w.n, bn, 0)
		if s.Guided {
			g := f.R.Apply(free)
			u := [2]float64{r3.Dot(bn[0], g) * float64(guideFree), r3.Dot(bn[1], g) * float64(guideFree)}
			for p := range 2 {
				for q := range 2 {
					still[p][q] += u[p] * u[q]
				}
			}
		}
		for j, jitter := range jitters {
			cov := still
			cov[0][0] += float64(jitter * jitter)
			cov[1][1] += float64(jitter * jitter)
			if !out[j].add(r, y, cov) {
				return nil, axis.ErrSingular
			}
		}
	}
	return out, nil
}

// add takes one frame in.
func (b *block) add(r row, y [2]float64, cov [2][2]float64) bool {
	wt, ok := sky.Invert2(cov)
	if !ok {
		return false
	}
	b.logdet += math.Log(cov[0][0]*cov[1][1] - cov[0][1]*cov[1][0])
	wy := [2]float64{wt[0][0]*y[0] + wt[0][1]*y[1], wt[1][0]*y[0] + wt[1][1]*y[1]}
	b.yy += y[0]*wy[0] + y[1]*wy[1]
	for p := range allSize {
		b.b[p] += r[0][p]*wy[0] + r[1][p]*wy[1]
		w0 := wt[0][0]*r[0][p] + wt[0][1]*r[1][p]
		w1 := wt[1][0]*r[0][p] + wt[1][1]*r[1][p]
		for q := p; q < allSize; q++ {
			b.a[p][q] += w0*r[0][q] + w1*r[1][q]
		}
	}
	return true
}

// harmonicShares are the standard deviations of the harmonics of a process
// with covariance exp(cos t - 1) = (I_0(1) + 2 sum I_n(1) cos n t)/e: Abramowitz
// and Stegun 1964, eq. 9.6.34, with I_n from its series, eq. 9.6.10.
func harmonicShares() [harmonics]float64 {
	var out [harmonics]float64
	for n := 1; n <= harmonics; n++ {
		term := 1.0
		for k := 1; k <= n; k++ {
			term *= 0.5 / float64(k)
		}
		bessel := 0.0
		for k := range 12 { // terms fall by 1/(4k(k+n)): far below rounding
			bessel += term
			term *= 0.25 / float64((k+1)*(k+1+n))
		}
		out[n-1] = math.Sqrt(2 * bessel / math.E)
	}
	return out
}

// reduced are a stretch's equations with its own unknowns taken out.
type reduced struct {
	gg     *mat.SymDense
	bg     *mat.VecDense
	yy     float64
	logdet float64      // of frames, local unknowns and their prior
	local  mat.VecDense // solution with the global unknowns at 0
	pull   mat.Dense    // by how much the global ones lower it
}

// reduce takes the local unknowns out, for one size of wandering.
func (b *block) reduce(wander sky.Angle) (reduced, error) {
	size := localSize
	if wander == 0 {
		size = 2
	}
	ll, lg, bl := mat.NewSymDense(size, nil), mat.NewDense(size, globalSize, nil), mat.NewVecDense(size, b.b[:size])
	for i := range size {
		for j := i; j < size; j++ {
			ll.SetSym(i, j, b.a[i][j])
		}
		if i >= 2 {
			ll.SetSym(i, i, ll.At(i, i)+1/float64(wander*wander))
		}
		for j := range globalSize {
			lg.Set(i, j, b.a[i][localSize+j])
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(ll) {
		return reduced{}, axis.ErrSingular
	}
	out := reduced{gg: mat.NewSymDense(globalSize, nil), bg: mat.NewVecDense(globalSize, nil), yy: b.yy}
	out.logdet = b.logdet + chol.LogDet()
	if wander > 0 {
		out.logdet += 2 * float64(size-2) * math.Log(float64(wander))
	}
	if chol.SolveTo(&out.pull, lg) != nil || chol.SolveVecTo(&out.local, bl) != nil {
		return reduced{}, axis.ErrSingular
	}
	out.yy -= mat.Dot(bl, &out.local)
	var gg mat.Dense
	gg.Mul(lg.T(), &out.pull)
	var bg mat.VecDense
	bg.MulVec(lg.T(), &out.local)
	for i := range globalSize {
		out.bg.SetVec(i, b.b[localSize+i]-bg.AtVec(i))
		for j := i; j < globalSize; j++ {
			out.gg.SetSym(i, j, b.a[localSize+i][localSize+j]-gg.At(i, j))
		}
	}
	return out, nil
}

// answer is the axis (and drift) under one choice of sizes.
type answer struct {
	jitter, wander, flexure int // which sizes
	drift                   bool
	x                       [axisSize]float64           // shift and drift
	cov                     [axisSize][axisSize]float64 // of them
	evidence                float64                     // logarithm, prior included
	chi2                    float64
	bends                   *bends
}

// bends are the stretches' equations summed up, with the flexure brought to
// its principal directions, so that any size of it is taken out in no time.
type bends struct {
	parts  []reduced
	q      mat.Dense // principal directions, in columns
	values []float64
	flexB  []float64           // right-hand side along them
	flexA  [][axisSize]float64 // how they answer to shift and drift
	a      [axisSize][axisSize]float64
	b      [axisSize]float64
	chi2   float64
	logdet float64
}

func newBends(parts []reduced) (*bends, error) {
	gg, bg := mat.NewSymDense(globalSize, nil), mat.NewVecDense(globalSize, nil)
	out := &bends{parts: parts}
	for _, p := range parts {
		gg.AddSym(gg, p.gg)
		bg.AddVec(bg, p.bg)
		out.chi2 += p.yy
		out.logdet += p.logdet
	}
	for i := range axisSize {
		out.b[i] = bg.AtVec(i)
		for j := range axisSize {
			out.a[i][j] = gg.At(i, j)
		}
	}
	var eig mat.EigenSym
	if !eig.Factorize(gg.SliceSym(axisSize, globalSize), true) {
		return nil, axis.ErrSingular
	}
	eig.VectorsTo(&out.q)
	out.values = eig.Values(nil)
	for k := range out.values {
		out.values[k] = max(0, out.values[k])
		b, a := 0.0, [axisSize]float64{}
		for i := range out.values {
			b += out.q.At(i, k) * bg.AtVec(axisSize+i)
			for j := range axisSize {
				a[j] += out.q.At(i, k) * gg.At(axisSize+i, j)
			}
		}
		out.flexB, out.flexA = append(out.flexB, b), append(out.flexA, a)
	}
	return out, nil
}

// answer solves for shift and drift, with or without the latter, under a size
// of flexure.
func (s *bends) answer(drift bool, flexure sky.Angle) (answer, error) {
	out := answer{drift: drift, bends: s, chi2: s.chi2, evidence: -s.logdet / 2}
	a, b := s.a, s.b
	if flexure > 0 {
		for k, v := range s.values {
			d := 1 / (v + 1/float64(flexure*flexure))
			out.evidence -= -math.Log(d)/2 + math.Log(float64(flexure))
			out.chi2 -= d * s.flexB[k] * s.flexB[k]
			for i := range axisSize {
				b[i] -= d * s.flexA[k][i] * s.flexB[k]
				for j := range axisSize {
					a[i][j] -= d * s.flexA[k][i] * s.flexA[k][j]
				}
			}
		}
	}
	size := 2
	if drift {
		size = axisSize
	}
	g, x := mat.NewSymDense(size, nil), mat.NewVecDense(size, nil)
	for i := range size {
		for j := i; j < size; j++ {
			g.SetSym(i, j, a[i][j])
		}
		if i >= 2 {
			g.SetSym(i, i, a[i][i]+1/float64(axis.DriftPrior*axis.DriftPrior))
			out.evidence -= math.Log(float64(axis.DriftPrior))
		}
	}
	var chol mat.Cholesky
	var inv mat.SymDense
	if !chol.Factorize(g) || !(chol.Cond() < 1/axis.MinPivot) || chol.InverseTo(&inv) != nil {
		return out, axis.ErrSingular
	}
	x.MulVec(&inv, mat.NewVecDense(size, b[:size]))
	for i := range size {
		out.x[i] = x.AtVec(i)
		out.chi2 -= b[i] * x.AtVec(i)
		for j := range size {
			out.cov[i][j] = inv.At(i, j)
		}
	}
	out.evidence -= (chol.LogDet() + out.chi2) / 2
	return out, nil
}

// globals are all global unknowns of an answer, for a size of flexure.
func (a answer) globals(flexure sky.Angle) *mat.VecDense {
	x := mat.NewVecDense(globalSize, nil)
	for i, v := range a.x {
		x.SetVec(i, v)
	}
	if flexure == 0 {
		return x
	}
	for k, v := range a.bends.values {
		b := a.bends.flexB[k]
		for j := range axisSize {
			b -= a.bends.flexA[k][j] * a.x[j]
		}
		b /= v + 1/float64(flexure*flexure)
		for i := range a.bends.values {
			x.SetVec(axisSize+i, x.AtVec(axisSize+i)+a.bends.q.At(i, k)*b)
		}
	}
	return x
}

// answers are those of all sizes, with and without drift.
func (w *watch) answers(at time.Time) ([]answer, error) {
	flexures, wanders, jitters := flexureSizes(), wanderSizes(), jitterSizes()
	blocks := make([][]block, len(w.stretches))
	for k, s := range w.stretches {
		var err error
		if blocks[k], err = w.gather(k, w.turns(s), jitters, at); err != nil {
			return nil, err
		}
	}
	flexureBefore, wanderBefore, jitterBefore := beforehand(flexures, rigidBefore), beforehand(wanders, rigidBefore), beforehand(jitters, rigidBefore)
	var out []answer
	var rows falling
	for j := range jitters {
		var best falling
		for v, wander := range wanders {
			parts := make([]reduced, len(blocks))
			for k := range blocks {
				var err error
				if parts[k], err = blocks[k][j].reduce(wander); err != nil {
					return nil, err
				}
			}
			sum, err := newBends(parts)
			if err != nil {
				return nil, err
			}
			top := math.Inf(-1)
			for f, flexure := range flexures {
				for _, drift := range [2]bool{false, true} {
					a, err := sum.answer(drift, flexure)
					if err != nil {
						return nil, err
					}
					a.jitter, a.wander, a.flexure = j, v, f
					a.evidence += math.Log(jitterBefore[j] * wanderBefore[v] * flexureBefore[f])
					if drift {
						a.evidence += math.Log(driftBefore)
					} else {
						a.evidence += math.Log(1 - driftBefore)
					}
					top = max(top, a.evidence)
					out = append(out, a)
				}
			}
			if best.far(top) {
				break
			}
		}
		if rows.far(best.top) {
			break
		}
	}
	return out, nil
}

// falling follows a sequence to its peak and beyond.
type falling struct {
	top   float64
	begun bool
}

// far takes the next value and tells whether it has fallen beyond hope.
func (f *falling) far(v float64) bool {
	if !f.begun || v > f.top {
		f.top, f.begun = v, true
	}
	return v < f.top-hopeless
}

const (
	// watchRounds bounds the rounds of linearisation.
	watchRounds = 6
	// watchDone is the step after which what is left is second order: 0.0002
	// arcsec.
	watchDone = 6 * sky.Arcsecond
)

// fit finds the axis given the stretches.
func (w *watch) fit() (*WatchFit, error) {
	for k, s := range w.stretches {
		w.stretches[k].Guided = w.guided(s)
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
			p := best.bends.parts[k]
			var local mat.VecDense
			local.MulVec(&p.pull, best.globals(flexureSizes()[best.flexure]))
			local.SubVec(&p.local, &local)
			w.c[k] = sky.Moved(w.c[k], sky.TangentBasis(w.c[k]), local.AtVec(0), local.AtVec(1))
		}
	}
	out := w.conclude(all, at)
	if major, _, _ := out.Axis.Ellipse(); !(major < axis.UsableAxis) {
		return nil, tooLittle(major)
	}
	return out, nil
}

// conclude averages over the sizes.
func (w *watch) conclude(all []answer, at time.Time) *WatchFit {
	out := &WatchFit{At: at, Stretches: w.stretches, Turn: w.longestTurn()}
	best := math.Inf(-1)
	for _, a := range all {
		best = max(best, a.evidence)
	}
	var weight [2]float64 // without and with drift
	for _, a := range all {
		weight[index(a.drift)] += math.Exp(a.evidence - best)
	}
	odds := weight[1] / weight[0]
	drift := odds > driftTold
	mean, cov := mixture(all, best, drift)
	b := sky.TangentBasis(w.n)
	n := sky.Moved(w.n, b, mean[0], mean[1])
	out.Axis = axis.Axis{Dir: sky.Local(n), Cov: [2][2]float64{{cov[0][0], cov[0][1]}, {cov[1][0], cov[1][1]}}}
	near, far := reaches(all, best, drift, mean, out.Axis.Cov)
	out.Wide = far / near
	for i := range 2 {
		for j := range 2 {
			out.Axis.Cov[i][j] *= near * near
		}
	}
	if drift {
		out.Drift = &AxisDrift{Across: sky.Angle(mean[2]), Up: sky.Angle(mean[3]),
			SigmaAcross: sky.Angle(math.Sqrt(cov[2][2])), SigmaUp: sky.Angle(math.Sqrt(cov[3][3])), Odds: odds}
	}
	_, withDrift := mixture(all, best, true)
	out.DriftSigma = sky.Angle(math.Sqrt((withDrift[2][2] + withDrift[3][3]) / 2))

	var stiff float64
	var flexure, wander, jitter []float64 = make([]float64, len(flexureSizes())), make([]float64, len(wanderSizes())), make([]float64, len(jitterSizes()))
	for _, a := range all {
		if a.drift == drift {
			p := math.Exp(a.evidence-best) / weight[index(drift)]
			flexure[a.flexure] += p
			wander[a.wander] += p
			jitter[a.jitter] += p
			if a.flexure == 0 && a.wander == 0 {
				stiff += p
			}
		}
		if a.jitter == 0 && a.wander == 0 && a.flexure == 0 && !a.drift {
			out.Chi2 = a.chi2
		}
	}
	out.Flexure = sky.Angle(math.Hypot(float64(middle(flexureSizes(), flexure)), float64(middle(wanderSizes(), wander))))
	out.Jitter = middle(jitterSizes(), jitter)
	out.FlexureChance, out.JitterChance = 1-stiff, 1-jitter[0]
	for k, s := range w.stretches {
		count := s.Last - s.First + 1
		out.Used += count
		out.Stretches[k].From, out.Stretches[k].To = w.frames[s.First].Mid, w.frames[s.Last].Mid
		out.Stretches[k].Body = sky.Camera(w.c[k])
		out.Stretches[k].Turn = axis.Arc(w.turns(s))
		out.Dof += 2*count - 2
		if s.Guided {
			out.Dof -= count
		}
	}
	out.Dof -= 2
	return out
}

func index(b bool) int {
	if b {
		return 1
	}
	return 0
}

// mixture is mean and covariance over the sizes.
func mixture(all []answer, best float64, drift bool) (mean [axisSize]float64, cov [axisSize][axisSize]float64) {
	total := 0.0
	for _, a := range all {
		if a.drift == drift {
			p := math.Exp(a.evidence - best)
			total += p
			for i := range axisSize {
				mean[i] += p * a.x[i]
			}
		}
	}
	for i := range mean {
		mean[i] /= total
	}
	for _, a := range all {
		if a.drift == drift {
			p := math.Exp(a.evidence-best) / total
			for i := range axisSize {
				for j := range axisSize {
					cov[i][j] += p * (a.cov[i][j] + (a.x[i]-mean[i])*(a.x[j]-mean[j]))
				}
			}
		}
	}
	return mean, cov
}

const (
	// reachLeast is the share of the probability from which a choice of sizes
	// counts in the ellipses.
	reachLeast = 2e-3

	// Each is taken at so many directions and, along each, at so many equally
	// probable distances: an eighth of the mass of a choice apart, and many are
	// summed.
	reachDirections = 8
	reachDistances  = 8
)

// reaches are the 68 and the 95 % ellipses of the mixture, as multiples of what
// they would be if it were a Gaussian with the covariance given.
func reaches(all []answer, best float64, drift bool, mean [axisSize]float64, cov [2][2]float64) (near, far float64) {
	w, ok := sky.Invert2(cov)
	if !ok {
		return 1, 1
	}
	type point struct{ q, p float64 }
	var points []point
	total := 0.0
	for _, a := range all {
		if a.drift == drift {
			total += math.Exp(a.evidence - best)
		}
	}
	covered := 0.0
	for _, a := range all {
		p := math.Exp(a.evidence-best) / total
		if a.drift != drift || p < reachLeast {
			continue
		}
		covered += p
		// Cholesky of its covariance.
		l00 := math.Sqrt(a.cov[0][0])
		l10 := a.cov[1][0] / l00
		l11 := math.Sqrt(max(0, a.cov[1][1]-l10*l10))
		m := [2]float64{a.x[0] - mean[0], a.x[1] - mean[1]}
		for k := range reachDistances {
			r := math.Sqrt(-2 * math.Log(1-(float64(k)+0.5)/reachDistances))
			for d := range reachDirections {
				// Turned from ring to ring, or the points would lie on rays.
				angle := (sky.Turn * (sky.Angle(d) + sky.Angle(k%2)/2) / reachDirections)
				x := m[0] + l00*r*angle.Cos()
				y := m[1] + l10*r*angle.Cos() + l11*r*angle.Sin()
				points = append(points, point{w[0][0]*x*x + (w[0][1]+w[1][0])*x*y + w[1][1]*y*y, p / (reachDirections * reachDistances)})
			}
		}
	}
	slices.SortFunc(points, func(a, b point) int {
		switch { // none is NaN, and there are many
		case a.q < b.q:
			return -1
		case a.q > b.q:
			return 1
		}
		return 0
	})
	quantile := func(share float64) float64 {
		sum := 0.0
		for _, x := range points {
			if sum += x.p / covered; sum >= share {
				return x.q
			}
		}
		return points[len(points)-1].q
	}
	const one, two = 0.6827, 0.95
	return math.Sqrt(quantile(one) / (-2 * math.Log(1-one))), math.Sqrt(quantile(two) / (-2 * math.Log(1-two)))
}

// middle is the size at which half of the probability is reached.
func middle(sizes []sky.Angle, p []float64) sky.Angle {
	sum := 0.0
	for k, size := range sizes {
		if sum += p[k]; sum >= 0.5 {
			return size
		}
	}
	return sizes[len(sizes)-1]
}
