package nights

import (
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"polard/mountmodel/axis"
	"polard/mountmodel/sky"
)

// Stretch is a run of frames during which nothing but the RA axis turned (and,
// when guided, the declination by the guider's corrections).
type Stretch struct {
	First, Last int       // indices into the frames in order of time, both included
	From, To    time.Time // mid-exposure of these two
	Turn        sky.Angle
	Guided      bool // taken as guided: the declination is free in every frame
	// Dither is the standard deviation of the steps in declination that the camera
	// makes from frame to frame: it is free to that extent.
	Dither sky.Angle
}

// finder is a fit under way.
type finder struct {
	frames    []Exposure
	pole      sky.Local
	guiding   Guiding
	stretches []Stretch // of two frames or more
	n         sky.Vec
	c         []sky.Vec // of each stretch
}

// split finds the stretches and a first axis. Which frames belong together
// depends on the axis, and the axis on which frames do: in turn, from loose to
// strict.
func (w *finder) split() error {
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
			w.cut(min(stepNoise*sigma, far), w.leastStep())
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
func (w *finder) cut(off, least sky.Angle) {
	w.stretches = nil
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
			q := to.R.Mul(from.R.Transpose())
			s := axis.Across(to.Cov, w.n, b, 0).Plus(1, axis.Across(q.Mul(from.Cov).Mul(q.Transpose()), w.n, b, 0))
			// Standard deviation along the step itself.
			noise := 0.0
			if size := math.Hypot(d[0], d[1]); size > 0 {
				noise = math.Sqrt(s.Form(d)) / size
			}
			tilt := 2 * (turn / 2).Sin() * float64(off)
			if r3.Norm(step) <= stepNoise*noise+tilt+float64(least)+float64(stepFlexure)*float64(turn) {
				continue
			}
		}
		if i-first >= 2 {
			w.stretches = append(w.stretches, Stretch{First: first, Last: i - 1})
		}
		first = i
	}
}

// leastStep is the step of c that parts frames, by the median step from one frame to the next.
func (w *finder) leastStep() sky.Angle {
	var steps []float64
	for i := 1; i < len(w.frames); i++ {
		was, is := w.frames[i-1].R.Transpose().Apply(w.n), w.frames[i].R.Transpose().Apply(w.n)
		steps = append(steps, r3.Norm(r3.Sub(is, was)))
	}
	slices.Sort(steps)
	return max(stepLeast, min(ditherStep*sky.Angle(steps[len(steps)/2]), mostDither))
}

// dither is how far the declination steps from frame to frame: the median of second
// differences, which no drift makes, as a standard deviation of the places (1.48 for
// the median of a Gaussian, the root of 6 for 1, -2, 1).
func (w *finder) dither(s Stretch) sky.Angle {
	frames := w.frames[s.First : s.Last+1]
	if len(frames) < ditherFrames {
		return 0
	}
	var mean sky.Vec
	for _, f := range frames {
		if f.Pointing == (sky.ICRS{}) {
			return 0
		}
		mean = r3.Add(mean, sky.Vec(f.Pointing))
	}
	north := sky.TangentBasis(sky.Unit(mean))[1]
	var second []float64
	for i := 2; i < len(frames); i++ {
		step := r3.Add(r3.Sub(sky.Vec(frames[i].Pointing), r3.Scale(2, sky.Vec(frames[i-1].Pointing))), sky.Vec(frames[i-2].Pointing))
		second = append(second, math.Abs(r3.Dot(north, step)))
	}
	slices.Sort(second)
	scatter := sky.Angle(1.4826 * second[len(second)/2] / math.Sqrt(6))
	if scatter < leastDither {
		return 0
	}
	return scatter
}

// startError is the model error per coordinate with which the first axis is
// sought: large enough for jitter and flexure not to lead it far astray.
const startError = 10 * sky.Arcsecond

// start fits the plain model to the stretches, for a first axis and its
// uncertainty.
func (w *finder) start() (sigma sky.Angle, err error) {
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

func (w *finder) longestTurn() sky.Angle {
	longest := sky.Angle(0)
	for _, s := range w.stretches {
		longest = max(longest, axis.Arc(w.turns(s)))
	}
	return longest
}

func (w *finder) turns(s Stretch) []sky.Angle {
	att := make([]sky.Attitude, 0, s.Last-s.First+1)
	for i := s.First; i <= s.Last; i++ {
		att = append(att, w.frames[i].Attitude)
	}
	return axis.TurnsAbout(att, w.n)
}

// guided tells whether a stretch is to be taken as guided. See GuidingUnknown.
func (w *finder) guided(s Stretch) bool {
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
	hours := func(f Exposure) float64 { return f.Mid.Sub(frames[0].Mid).Hours() }
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
