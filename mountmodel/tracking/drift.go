package tracking

import (
	"math"
	"slices"
	"time"

	"polard/mountmodel/axis"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat"
)

// Frame is one exposure of a mount that tracks.
type Frame struct {
	sky.Attitude // in the local frame
	Mid          time.Time
}

// Setting is where the mount stands.
type Setting struct {
	Site sky.Site
	Air  sky.Air
	DUT1 float64 // UT1-UTC in seconds
}

func (s Setting) observer(at time.Time) (*observed.Observer, error) {
	return observed.NewObserver(s.Site, s.Air, at, s.DUT1)
}

// Drift is that of the declination over a stretch of frames, per minute, towards the
// pole that the axis seeks positive.
type Drift struct {
	From, To        time.Time
	Frames          int
	Predicted, Seen sky.Angle // per minute
	// SigmaPredicted goes with the axis, SigmaSeen with the frames' scatter, Bending with
	// what tubes bend over the stretch; standard deviations, per minute.
	SigmaPredicted, SigmaSeen, Bending sky.Angle
	// Across and Up are what a drift of one angle a minute says of the axis's error, by
	// the direction to which the stretch is sensitive: a unit vector towards growing
	// azimuth and altitude, and its length in minutes.
	Across, Up float64
	Minutes    float64 // error of the axis along it per drift in a minute
}

// Off is how far the axis is off from where it was measured, along the direction to
// which the stretch is sensitive, with the standard deviation of what the frames say.
func (d Drift) Off() (off, sigma sky.Angle) {
	own := sky.Angle(math.Hypot(float64(d.SigmaSeen), float64(d.Bending)))
	return (d.Seen - d.Predicted) * sky.Angle(d.Minutes), own * sky.Angle(d.Minutes)
}

// Sigma is the standard deviation of the difference between drift seen and predicted.
func (d Drift) Sigma() sky.Angle {
	return sky.Angle(math.Hypot(float64(d.SigmaPredicted), math.Hypot(float64(d.SigmaSeen), float64(d.Bending))))
}

const (
	// leastFrames leaves a straight line four degrees of freedom, by which the scatter
	// is judged.
	leastFrames = 6

	// usualBending is the standard deviation of how far a level tube hangs: common
	// practice, as in package axis.
	usualBending = 20 * sky.Arcsecond

	// probe is the step by which the axis is moved to see what that does.
	probe = 1 * sky.Arcminute
)

// track is how the frames of a stretch go through the sky.
type track struct {
	minutes   []float64
	seen      []float64 // towards the pole, radians
	predicted []float64
	hung      []float64 // by one radian of hanging
}

// follow gives the track of frames, as an axis predicts it from the first of them.
func follow(s Setting, frames []Frame, line sky.Local) (track, error) {
	var t track
	first := frames[0]
	o, err := s.observer(first.Mid)
	if err != nil {
		return t, err
	}
	pole := sky.Vec(o.ICRS(observed.Pole(s.Site, s.Air, observed.Refracted)))
	start := sky.Vec(o.ICRS(sky.Local(first.R.Column(2))))
	north := towards(start, pole)
	lowered := func(d sky.Local) float64 { // what hanging by one unit does to the way to the pole
		_, up := sky.Tangents(d)
		alt, _ := sky.AltAzFromLocal(d)
		return -alt.Cos() * r3.Dot(up, towards(sky.Vec(d), sky.Vec(observed.Pole(s.Site, s.Air, observed.Refracted))))
	}
	rate := -observed.SiderealRate // facing the north pole the sky turns left-handed about it
	if s.Site.South() {
		rate = -rate
	}
	begins := lowered(sky.Local(first.R.Column(2)))
	for _, f := range frames {
		o, err := s.observer(f.Mid)
		if err != nil {
			return t, err
		}
		seconds := f.Mid.Sub(first.Mid).Seconds()
		turned := sky.Rotation(sky.Vec(line), sky.Angle(rate*seconds)).Apply(first.R.Column(2))
		now := sky.Local(f.R.Column(2))
		t.minutes = append(t.minutes, seconds/60)
		t.seen = append(t.seen, r3.Dot(north, r3.Sub(sky.Vec(o.ICRS(now)), start)))
		t.predicted = append(t.predicted, r3.Dot(north, r3.Sub(sky.Vec(o.ICRS(sky.Local(turned))), start)))
		t.hung = append(t.hung, lowered(now)-begins)
	}
	return t, nil
}

// towards is the unit tangent at a towards b.
func towards(a, b sky.Vec) sky.Vec { return sky.Unit(r3.Sub(b, r3.Scale(r3.Dot(a, b), a))) }

// driftOf compares the drift of frames with what an axis predicts. It is false while
// there are too few, or they took no time.
func driftOf(s Setting, frames []Frame, a axis.Axis) (Drift, bool) {
	if len(frames) < leastFrames {
		return Drift{}, false
	}
	t, err := follow(s, frames, a.Dir)
	if err != nil {
		return Drift{}, false
	}
	rest := make([]float64, len(frames))
	for i := range rest {
		rest[i] = t.seen[i] - t.predicted[i]
	}
	difference, sigma, ok := slope(t.minutes, rest, starNoise(frames))
	if !ok {
		return Drift{}, false
	}
	predicted, _, _ := slope(t.minutes, t.predicted, 0)
	hung, _, _ := slope(t.minutes, t.hung, 0)
	d := Drift{
		From: frames[0].Mid, To: frames[len(frames)-1].Mid, Frames: len(frames),
		Predicted: sky.Angle(predicted), Seen: sky.Angle(predicted + difference), SigmaSeen: sky.Angle(sigma),
		Bending: usualBending * sky.Angle(math.Abs(hung)),
	}
	// What a move of the axis does.
	var g [2]float64
	basis := axisBasis(a.Dir)
	for k := range 2 {
		moved, err := follow(s, frames, sky.Local(sky.Unit(r3.Add(sky.Vec(a.Dir), r3.Scale(float64(probe), basis[k])))))
		if err != nil {
			return Drift{}, false
		}
		rate, _, _ := slope(moved.minutes, moved.predicted, 0)
		g[k] = (rate - predicted) / float64(probe)
	}
	size := math.Hypot(g[0], g[1])
	if size == 0 {
		return Drift{}, false
	}
	d.Across, d.Up, d.Minutes = g[0]/size, g[1]/size, 1/size
	d.SigmaPredicted = sky.Angle(math.Sqrt(max(0, a.Cov.Form(g))))
	return d, true
}

// axisBasis are the directions in which the covariance of an axis is told.
func axisBasis(d sky.Local) [2]sky.Vec {
	across, up := sky.Tangents(d)
	return [2]sky.Vec{across, up}
}

// starNoise is the standard deviation of the middle of a frame by the noise of its
// stars, the median over the frames.
func starNoise(frames []Frame) float64 {
	var all []float64
	for _, f := range frames {
		b := f.R.Column(2)
		for _, u := range sky.TangentBasis(b) {
			all = append(all, math.Sqrt(max(0, r3.Dot(u, f.Cov.Apply(u)))))
		}
	}
	slices.Sort(all)
	return all[len(all)/2]
}

// slope is that of the straight line through points by least squares, with its
// standard deviation from their scatter about it, at least noise. Neighbours that stray
// alike count for less: with the correlation r of successive residuals the variance is
// larger by (1+r)/(1-r) (Bayley & Hammersley 1946, J. R. Stat. Soc. Suppl. 8, 184).
func slope(x, y []float64, noise float64) (perX, sigma float64, ok bool) {
	n := float64(len(x))
	if n < 2 {
		return 0, 0, false
	}
	sxx := stat.Variance(x, nil) * (n - 1)
	if sxx == 0 {
		return 0, 0, false
	}
	a, b := stat.LinearRegression(x, y, nil, false)
	if n < 3 {
		return b, math.Inf(1), true
	}
	var ss, lag float64
	before := 0.0
	for i := range x {
		rest := y[i] - a - b*x[i]
		ss += rest * rest
		lag += rest * before
		before = rest
	}
	r := 0.0
	if ss > 0 {
		// The two unknowns of the line make residuals of white noise seem a little
		// contrary: 2/n makes up for it.
		r = min(0.9, max(0, lag/ss+2/n))
	}
	variance := max(ss/(n-2), noise*noise) * (1 + r) / (1 - r)
	return b, math.Sqrt(variance / sxx), true
}
