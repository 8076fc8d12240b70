package adjust

import (
	"math"
	"time"

	"polard/mountmodel/axis"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// tracker follows the axis while the bolts are turned.
//
// The measurement leaves two things that bolts do not touch: where the axis
// stands in the camera's own frame (c), and the angle about it. A new frame
// with attitude R therefore gives the axis at once, R c, whatever the bolts and
// the drive did. Its weak side is the roll of a small field, which matters the
// more the farther the field is from the axis. So a second piece of knowledge
// is used: bolts turn the mount about a line that is roughly vertical and about
// a hinge level with it; what remains of the change of attitude is the turn
// about the axis, and that is known when the drive either followed the sky or
// stood still. Which of the two it was, or whether somebody turned the axis, is
// decided by the likelihoods; where they do not decide, the answers are mixed
// with their probabilities, and the uncertainty says so.
//
// The third is that bolts rest between most frames. How far the axis went since
// the frame before, from not at all to anywhere, is a choice among sizes, again
// by likelihood. While it rests, the rolls of all frames are averaged; and a turn
// about the axis meanwhile, by hand or by the drive, turns the direction in which
// a frame knows the axis badly, so that two such frames know it as well as the
// measurement did.
//
// The state is the joint Gaussian of: the axis at the measurement (2), the axis
// in the camera (2), the angle about the axis (1), the tilt of the azimuth
// bolt's line from the vertical, east and north (2), the axis at the newest frame
// (2). Each frame adds its attitude error (3) and is one update of an extended
// Kalman filter (Jazwinski 1970, Stochastic Processes and Filtering Theory,
// section 8.3). It is not iterated: the second-order terms are products of
// arcseconds to arcminutes, and a second round changes no digit that is shown.
type tracker struct {
	state
	habits
	newest  time.Time
	turnRef sky.Angle    // angle of the reference frame since the first frame of the measurement
	seen    sky.Attitude // of the newest frame
	tilts   tiltGrid
	free    bool // nothing is assumed of how the rig was moved
}

// state is the mean and covariance of what is followed.
type state struct {
	n, c   sky.Vec // the axis at the measurement, and in the camera
	bn, bc [2]sky.Vec
	latest axis.Axis  // at the newest frame
	ba     [2]sky.Vec // at latest
	ref    sky.Matrix // attitude of the reference frame, the last of the measurement: ref c = n
	theta  sky.Angle  // of the newest frame since the reference frame
	tilt   [2]float64
	slope  tiltSlope     // of the newest frame
	cov    *mat.SymDense // stateSize
	extra  float64       // model variance of the measurement, per coordinate
}

// Places in the state, and in the state joined with the attitude error of the
// newest frame.
const (
	atAxis    = 0
	atBody    = 2
	atTheta   = 4
	atTilt    = 5
	atNow     = 7
	stateSize = 9
	atFrame   = stateSize
	jointSize = stateSize + 3
)

const (
	// tiltPrior is how level a base is taken to be, 1-sigma: common practice
	// asks for a bubble level, few obey, five degrees catch the eye.
	tiltPrior = 3 * sky.Degree

	// driveBacklash is by how much an axis at rest or tracking departs from where
	// it should be when bolts are turned: backlash of the worm, the user's hands.
	// Common practice.
	driveBacklash = 2 * sky.Arcsecond

	// driveWander is the growth of the departure of a tracking drive per
	// second, up to driveWanderMost: periodic error of 10 arcsec amplitude and
	// some eight minutes' period has a root mean square slope of 0.09 arcsec
	// per second and size of 7 arcsec. Common practice.
	driveWander     = 0.09 * sky.Arcsecond
	driveWanderMost = 7 * sky.Arcsecond

	// rateDoubt covers drives at solar instead of sidereal rate, 0.27 %.
	rateDoubt = 0.003

	// turnedPrior is the prior probability that somebody turned the axis
	// between two frames.
	turnedPrior = 0.05

	// restGoesOn and restBegins are the prior probabilities that nobody turns
	// a bolt between two frames, after one between which nobody did and after one
	// between which somebody did: people turn, and then look. The sizes by which
	// the axis may go all the same are restSizes, of a mount that is as good as
	// rigid and of one that shakes; when bolts are turned boltSizes, or anything up
	// to largestJump: by hand, steps of all sizes are as common, from a tweak to a
	// search. All are 1-sigma and per coordinate. Common practice.
	restGoesOn = 0.8
	restBegins = 0.5

	// restTurned is the same where somebody turned the RA axis: hands on the
	// clutch turn no bolt. Common practice.
	restTurned = 0.95

	// stiffPersists is the prior probability that a mount goes on shaking, or
	// not shaking: the wind changes.
	stiffPersists = 0.98

	// drivePersists is the prior probability that a drive goes on doing
	// what it did.
	drivePersists = 0.95

	// driveSure is the probability from which the drive's doing is reported.
	driveSure = 0.9

	// hingeZenith is the distance of the axis from the zenith within which
	// nothing is assumed of the drive and the bolts: the tilt of the base there
	// moves the azimuth of the axis against the hinge by a large angle, and
	// bolts and axis turn the same way. The frame then speaks alone. Two and a
	// half times tiltPrior.
	hingeZenith = 7.5 * sky.Degree

	// diffStep of the central differences, radians: truncation 1e-12, rounding
	// 1e-10, relative.
	diffStep = 1e-6
)

// newTracker starts from a measurement. mids are the mid-exposure times of the
// fit's frames, south tells that the axis points to the southern pole.
func newTracker(fit *axis.Fit, mids []time.Time, south bool) *tracker {
	last := 0
	for i, m := range mids {
		if !m.Before(mids[last]) {
			last = i
		}
	}
	f := fit.Frames[last]
	n, c := sky.Vec(fit.Axis.Dir), sky.Vec(fit.Body)
	t := &tracker{
		state: state{
			n: n, c: c, bn: sky.TangentBasis(n), bc: sky.TangentBasis(c), ba: sky.TangentBasis(n),
			ref:    sky.RotationFromVector(fit.Residuals[last]).Mul(f.R),
			extra:  float64(fit.ModelError * fit.ModelError),
			latest: fit.Axis,
			cov:    mat.NewSymDense(stateSize, nil),
		},
		habits:  habits{rate: -observed.SiderealRate, tracks: 0.5, stiff: 0.5, rests: 1},
		newest:  mids[last],
		turnRef: fit.Turns[last],
		seen:    f,
	}
	if south {
		t.rate = observed.SiderealRate
	}
	t.startCovariance(fit.Cov, f)
	return t
}

// startCovariance is that of the state at the reference frame f, given that of the
// axis in the ground and in the camera.
func (t *state) startCovariance(cov *mat.SymDense, f sky.Attitude) {
	// The angle about the axis given the four: likelyTurn's part along the
	// axis, k . y with y = d(n) - E^T R F d(c), and the variance left.
	b := t.bn
	turn := [2]sky.Vec{r3.Cross(t.n, b[0]), r3.Cross(t.n, b[1])}
	w, _ := axis.Across(f.Cov, t.n, b, t.extra).Inverse() // the fit has inverted the same
	cn := f.Cov.Apply(t.n)
	v := [2]float64{r3.Dot(cn, turn[0]), r3.Dot(cn, turn[1])}
	k := w.Apply(v)
	left := r3.Dot(t.n, cn) + t.extra - k[0]*v[0] - k[1]*v[1]
	var row [4]float64
	row[0], row[1] = k[0], k[1]
	for j := range 2 {
		g := f.R.Apply(t.bc[j])
		row[2+j] = -k[0]*r3.Dot(b[0], g) - k[1]*r3.Dot(b[1], g)
	}
	variance := left
	for i := range 4 {
		with := 0.0
		for j := range 4 {
			t.cov.SetSym(i, j, cov.At(i, j))
			with += cov.At(i, j) * row[j]
		}
		t.cov.SetSym(i, atTheta, with)
		variance += row[i] * with
	}
	t.cov.SetSym(atTheta, atTheta, variance)
	for i := range 2 {
		t.cov.SetSym(atTilt+i, atTilt+i, float64(tiltPrior*tiltPrior))
	}
	for i := range 2 { // the axis stands where it was measured
		for j := range atNow {
			t.cov.SetSym(atNow+i, j, t.cov.At(atAxis+i, j))
		}
		for j := range 2 {
			t.cov.SetSym(atNow+i, atNow+j, t.cov.At(atAxis+i, atAxis+j))
		}
	}
}

// reading is what one frame tells while the bolts are turned.
type reading struct {
	Axis         axis.Axis
	Turn         sky.Angle // about the axis since the first frame of the measurement, in [-180, 180) degrees
	Drive        Drive
	TrackingOdds float64 // probability that the drive follows the sky
	Jump         sky.Angle
}

// read reads a frame that was taken after the measurement. The frame is to be
// newer than the ones before.
func (t *tracker) read(frame sky.Attitude, mid time.Time) reading {
	u, bare := t.join(frame)
	seconds := mid.Sub(t.newest).Seconds()
	driveShows := !t.free && math.Hypot(bare.axis.X, bare.axis.Y) > hingeZenith.Sin()
	guesses := u.outcomes(t.hypotheses(seconds, u.slope.remainder(t.slope), driveShows))
	drive := t.learn(guesses, driveShows)
	before := t.latest.Dir
	t.merge(guesses, u, bare)
	t.slope = u.slope
	t.newest, t.seen = mid, frame
	return reading{
		Axis:         t.latest,
		Turn:         (t.turnRef + t.theta).Signed(),
		Drive:        drive,
		TrackingOdds: t.tracks,
		Jump:         sky.Separation(before, t.latest.Dir),
	}
}
