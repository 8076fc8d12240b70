package tracking

import (
	"math"
	"slices"
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/mat"
)

// Periodic is the error of the drive that comes back with a period, along right
// ascension, as an angle of the RA axis.
type Periodic struct {
	Period    time.Duration
	Amplitude sky.Angle // half of peak to peak, of the fundamental
	Sigma     sky.Angle // of the amplitude, 1-sigma
	Chance    float64   // that noise alone makes such a peak
	Rest      sky.Angle // what is left over, root mean square
	Curve     []Sample  // each frame: the error of the drive, its steady rate apart
}

// Sample is one frame in the curve.
type Sample struct {
	Phase float64   // of the period, 0 to 1
	Error sky.Angle // ahead of a steady drive
}

const (
	// leastSamples leaves the sinusoid, the mean and the rate five degrees of freedom.
	leastSamples = 10
	// leastTurns is how often the period must have come back, nearly: less looks like a
	// drift.
	leastTurns = 1.5
	// shortestPeriod and longestPeriod bound what worms of mounts take for a turn.
	// Common practice: 1 to 16 minutes.
	shortestPeriod = 40 * time.Second
	longestPeriod  = 20 * time.Minute
	// framesPerPeriod is how many frames a period must have on average, so that it is not
	// another one in disguise.
	framesPerPeriod = 2.5
	// oversampling is how much finer than 1/span frequencies are tried (5 to 10: VanderPlas 2018, ApJS 236, 16,
	// section 7.1, from memory).
	oversampling = 8
	// falseAlarm is the probability of a peak by chance below which it is told.
	falseAlarm = 1e-3
	// sameTarget is how far apart frames of one target may look.
	sameTarget = 1 * sky.Degree
)

// PeriodicOf looks for the periodic error of the drive in frames of one target, unguided:
// the generalised Lomb-Scargle periodogram (Zechmeister & Kuerster 2009, A&A 496, 577,
// with a rate beside the mean), the power of which is the part of the sum of squares that
// a sinusoid takes away. The chance of a peak is that of Scargle 1982 (ApJ 263, 835) for
// normalised residuals, over as many independent frequencies as fit the range. It is
// false where nothing stands out, or the frames are too few.
func PeriodicOf(s Setting, frames []Frame, line sky.Local) (Periodic, bool) {
	frames = newestTarget(s, frames)
	if len(frames) < leastSamples {
		return Periodic{}, false
	}
	x, y := driveError(s, frames, line)
	span := x[len(x)-1] - x[0]
	steps := make([]float64, 0, len(x))
	for i := 1; i < len(x); i++ {
		steps = append(steps, x[i]-x[i-1])
	}
	slices.Sort(steps)
	low := max(leastTurns/span, 1/longestPeriod.Seconds())
	high := min(1/(framesPerPeriod*steps[len(steps)/2]), 1/shortestPeriod.Seconds())
	if !(low < high) {
		return Periodic{}, false
	}
	base, _, ok := sinusoid(x, y, 0)
	if !ok || base == 0 {
		return Periodic{}, false
	}
	best, at := base, 0.0
	step := 1 / (oversampling * span)
	for f := low; f <= high; f += step {
		if rest, _, ok := sinusoid(x, y, f); ok && rest < best {
			best, at = rest, f
		}
	}
	if at == 0 {
		return Periodic{}, false
	}
	at, best = refine(x, y, at, step, best)
	n := float64(len(x))
	independent := max(1, (high-low)*span)
	single := math.Pow(best/base, (n-4)/2) // probability that noise takes away as much
	p := Periodic{
		Period: time.Duration(float64(time.Second) / at), Rest: sky.Angle(math.Sqrt(best / (n - 5))),
		Chance: -math.Expm1(independent * math.Log1p(-min(single, 1-1e-12))),
	}
	_, c, _ := sinusoid(x, y, at)
	p.Amplitude = sky.Angle(math.Hypot(c[2], c[3]))
	p.Sigma = p.Rest * sky.Angle(math.Sqrt(2/n)) // of a coefficient of a sinusoid among n evenly spread samples
	for i := range frames {
		phase := x[i] * at
		p.Curve = append(p.Curve, Sample{phase - math.Floor(phase), sky.Angle(y[i] - c[0] - c[1]*x[i])})
	}
	return p, p.Chance < falseAlarm
}

// newestTarget are the newest frames that look at one place among the stars.
func newestTarget(s Setting, frames []Frame) []Frame {
	if len(frames) == 0 {
		return nil
	}
	places := make([]sky.ICRS, len(frames))
	for i, f := range frames {
		if o, err := s.observer(f.Mid); err == nil {
			places[i] = o.ICRS(sky.Local(f.R.Column(2)))
		}
	}
	first := len(frames) - 1
	for first > 0 && sky.Separation(places[first-1], places[len(places)-1]) < sameTarget {
		first--
	}
	return frames[first:]
}

// driveError is the turn of the frames about the axis, less that of a drive that runs as
// the sky turns, positive ahead of it, over the seconds since the first.
func driveError(s Setting, frames []Frame, line sky.Local) (seconds, ahead []float64) {
	way := -1.0
	if s.Site.South() {
		way = 1
	}
	first := frames[0]
	for _, f := range frames {
		t := f.Mid.Sub(first.Mid).Seconds()
		turn := sky.TurnAbout(f.R.Mul(first.R.Transpose()), sky.Vec(line))
		seconds = append(seconds, t)
		ahead = append(ahead, float64(sky.Angle(way*float64(turn)-observed.SiderealRate*t).Signed()))
	}
	return seconds, ahead
}

// sinusoid fits mean, rate and a sinusoid of a frequency (0: none) by least squares, and
// gives the sum of squares that is left and the coefficients: mean, rate, cosine, sine.
func sinusoid(x, y []float64, f float64) (rest float64, c [4]float64, ok bool) {
	terms := 4
	if f == 0 {
		terms = 2
	}
	a, b := mat.NewDense(len(x), terms, nil), mat.NewVecDense(len(x), y)
	for i, t := range x {
		row := [4]float64{1, t / x[len(x)-1], math.Cos(2 * math.Pi * f * t), math.Sin(2 * math.Pi * f * t)}
		a.SetRow(i, row[:terms])
	}
	var qr mat.QR
	var p, fit mat.VecDense
	if qr.Factorize(a); !(qr.Cond() < 1e6) || qr.SolveVecTo(&p, false, b) != nil {
		return 0, c, false
	}
	fit.MulVec(a, &p)
	fit.SubVec(b, &fit)
	for i := range terms {
		c[i] = p.AtVec(i)
	}
	c[1] /= x[len(x)-1]
	return mat.Dot(&fit, &fit), c, true
}

// refine finds the frequency with the least left over near one that was tried, by golden
// section.
func refine(x, y []float64, f, step, rest float64) (float64, float64) {
	const golden = 0.618033988749895
	a, b := max(f-step, f/2), f+step
	left := func(f float64) float64 {
		if r, _, ok := sinusoid(x, y, f); ok {
			return r
		}
		return math.Inf(1)
	}
	for range 30 { // to a millionth of the step
		c, d := b-golden*(b-a), a+golden*(b-a)
		if left(c) < left(d) {
			b = d
		} else {
			a = c
		}
	}
	if m := (a + b) / 2; left(m) <= rest {
		return m, left(m)
	}
	return f, rest
}
